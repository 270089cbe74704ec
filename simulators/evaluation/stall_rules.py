"""Stall rules beside each other on one family of lifters: ours, left out and as shipped, and a dwell.

What lives here: which rules are compared, their rows and operating curves. What never does: the statistics of one rule
(`stalls`), the curves themselves (`operating_curves`), the other judgements of a family (`by_family`).
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Any, Final

import numpy as np

from ebbset.controller.detection.evidence.habit_figures import SHIPPED, HabitFigures
from ebbset.controller.detection.evidence.stall_habits_figures import FITTED_ON
from ebbset.models.contract.prescription import StallSection
from ebbset.simulators.evaluation.detector_runs import RATES, WHOLE_SHARE, SetScore
from ebbset.simulators.evaluation.ground_truth import TrueSet
from ebbset.simulators.evaluation.operating_curves import (
    AttemptLooks,
    Point,
    at_most_false,
    curves,
    dominated,
    looks_of,
)
from ebbset.simulators.evaluation.stall_figures import figures_without
from ebbset.simulators.evaluation.stalls import run_rule, summary

LEFT_OUT: Final = "habits, left out"
AS_SHIPPED: Final = "habits, as shipped"
PLAIN: Final = "dwell"
BY_LINE: Final = "evidence"
DWELL: Final = StallSection(rule="dwell", dwell_s=0.8)
EVIDENCE: Final = StallSection(rule="evidence")
BALANCED: Final = StallSection(rule="habits")
PATIENCES: Final = tuple(
    StallSection.model_validate({"rule": "habits", "patience": name}) for name in ("quick", "balanced", "patient")
)
FALSE_RATES: Final = (0.01, 0.02, 0.05)
"""Where the frontier is told in the tables."""
LASTS_S: Final = (0.1, 0.3, 0.9)
"""Nobody can call a stall in the attempt that is given up sooner than it can be seen."""


@dataclass(frozen=True, slots=True)
class StallRules:
    """What several rules did on the same sets of one family.

    Attributes:
        family: which.
        rows: one for each rule, see `stalls.summary`; the first is ours, balanced, by figures that never saw the
            family.
        lasting: share of stalls that lasted longer than each of ``LASTS_S`` after motion ended for good.
        curves: operating points by rule.
        latencies_s: by rule, from the end of motion to the call, of every stall; infinite for one that was missed.
    """

    family: str
    rows: tuple[dict[str, Any], ...]
    lasting: dict[float, float]
    curves: dict[str, list[Point]]
    latencies_s: dict[str, tuple[float, ...]]

    @property
    def unseen(self) -> dict[str, Any]:
        """Ours, balanced, by figures that never saw the family."""
        return self.rows[0]

    @property
    def dominated(self) -> float:
        """Share of the dwell's settings that ours beats in false drops, misses and latency alike, left out."""
        return dominated(self.curves[LEFT_OUT], self.curves[PLAIN])

    def frontier(self) -> Iterator[dict[str, Any]]:
        """Least share of stalls missed at a few rates of false drops, ours and the dwell at its best tuning."""
        for most in FALSE_RATES:
            for name, points in self.curves.items():
                point = at_most_false(points, most)
                yield {
                    "family": self.family,
                    "rule": name,
                    "at_most_false": most,
                    "setting": "none" if point is None else point.setting,
                    "missed": np.nan if point is None else point.missed_part,
                    "median_latency_s": np.nan if point is None else point.median_latency_s,
                    "slowest_tenth_s": np.nan if point is None else point.slowest_tenth_s,
                }


def unseen_figures(family: str) -> HabitFigures:
    """Figures that never saw a family: those fitted without it, or those shipped where no fit has seen it.

    Args:
        family: which.

    Raises:
        FiguresMissingError: the figures shipped were fitted on it, and there are none without it.
    """
    return figures_without(family) if family in FITTED_ON else SHIPPED


def compared(family: str, items: Sequence[TrueSet], map_: Any = map) -> StallRules:
    """Run the rules on sets of a family.

    Args:
        family: which.
        items: sets of known truth.
        map_: a map over jobs; may run them in several processes.

    Raises:
        FiguresMissingError: there are no figures without the family.
    """
    unseen = unseen_figures(family)
    runs: list[tuple[str, StallSection, HabitFigures]] = [(LEFT_OUT, BALANCED, unseen)]
    runs += [(LEFT_OUT, stall, unseen) for stall in PATIENCES if stall != BALANCED]
    runs += [(AS_SHIPPED, BALANCED, SHIPPED), (PLAIN, DWELL, SHIPPED), (BY_LINE, EVIDENCE, SHIPPED)]
    rows: list[dict[str, Any]] = []
    latencies: dict[str, tuple[float, ...]] = {}
    lasts: list[float] = []
    for name, stall, figures in runs:
        given = None if figures is SHIPPED else family
        scores: list[SetScore] = list(map_(_rule_job, [(k, item, stall, given) for k, item in enumerate(items)]))
        rows.append({"family": family, "rule": name, "setting": _setting(stall), **summary(scores)})
        stalls = [row for one in scores for row in one.rows if row.stalled and row.counted and row.moved]
        latencies.setdefault(name, tuple(row.latency_s for row in stalls))
        lasts = [row.end_s - row.motion_ended_s for row in stalls]
    seen = [one for part in map_(_looks_job, list(enumerate(items))) for one in part]
    through = sum(not a.stalled and a.end_share >= WHOLE_SHARE for item in items for a in item.attempts)
    left_out = curves(seen, through, unseen)
    points = {
        LEFT_OUT: left_out["habits"],
        AS_SHIPPED: left_out["habits"] if unseen is SHIPPED else curves(seen, through, SHIPPED)["habits"],
        PLAIN: left_out["threshold"],
    }
    lasting = {limit: float(np.mean([one > limit for one in lasts])) if lasts else np.nan for limit in LASTS_S}
    return StallRules(family, tuple(rows), lasting, points, latencies)


def _setting(stall: StallSection) -> str:
    if stall.rule == "habits":
        return stall.patience
    return f"{stall.dwell_s:g} s" if stall.rule == "dwell" else f"{stall.certainty:g}"


def _rule_job(job: tuple[int, TrueSet, StallSection, str | None]) -> SetScore:
    seed, item, stall, family = job
    return run_rule(item, RATES["100 Hz"], stall, seed, SHIPPED if family is None else unseen_figures(family))


def _looks_job(job: tuple[int, TrueSet]) -> list[AttemptLooks]:
    seed, item = job
    return looks_of(item, RATES["100 Hz"], seed)
