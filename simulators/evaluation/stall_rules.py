"""Stall rules beside each other on one family of lifters: ours, left out and as shipped, and a dwell.

What lives here: which rules are compared, their rows and operating curves. What never does: the statistics of one rule
(`stalls`), the curves themselves (`operating_curves`), the other judgements of a family (`by_family`).
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
import numpy.typing as npt

from ebbset.controller.detection.evidence.habit_figures import SHIPPED, HabitFigures
from ebbset.controller.detection.evidence.stall_habits_figures import FITTED_ON
from ebbset.models.contract.constants import INTERVAL_COVERAGE
from ebbset.models.contract.prescription import StallSection
from ebbset.simulators.evaluation.detector_runs import RATES, WHOLE_SHARE, SetScore
from ebbset.simulators.evaluation.ground_truth import TrueSet
from ebbset.simulators.evaluation.labelled.people_needed import wilson
from ebbset.simulators.evaluation.operating_curves import (
    THRESHOLD,
    AttemptCalls,
    Point,
    at_most_false,
    calls_of,
    curves,
    dominated,
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
DRAWS: Final = 1000
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


@dataclass(frozen=True, slots=True)
class SetCompared:
    """What the rules did on one set; sent from where its samples are, which are megabytes.

    Attributes:
        scores: by the runs of `_runs_for`, in their order.
        calls: of every attempt, for the operating curves.
    """

    scores: tuple[SetScore, ...]
    calls: tuple[AttemptCalls, ...]


def compared_on(family: str, item: TrueSet, seed: int) -> SetCompared:
    """Run every rule on one set of a family.

    Args:
        family: which.
        item: set of known truth.
        seed: of the sensor noise.

    Raises:
        FiguresMissingError: there are no figures without the family.
    """
    figures = {LEFT_OUT: unseen_figures(family), AS_SHIPPED: SHIPPED}
    return SetCompared(
        tuple(run_rule(item, RATES["100 Hz"], run.stall, seed, run.figures) for run in _runs_for(family)),
        calls_of(item, RATES["100 Hz"], seed, figures),
    )


def rules_of(family: str, items: Sequence[TrueSet], found: Sequence[SetCompared]) -> StallRules:
    """What the rules did on sets of a family.

    Args:
        family: which.
        items: sets of known truth; their samples are not asked for.
        found: what the rules did on each.

    Raises:
        FiguresMissingError: there are no figures without the family.
    """
    rows: list[dict[str, Any]] = []
    latencies: dict[str, tuple[float, ...]] = {}
    lasts: list[float] = []
    for k, run in enumerate(_runs_for(family)):
        scores = [one.scores[k] for one in found]
        told = {"family": family, "rule": run.name, "setting": _setting(run.stall)}
        rows.append({**told, **summary(scores), **intervals(scores)})
        stalls = [row for one in scores for row in one.rows if row.stalled and row.counted and row.moved]
        latencies.setdefault(run.name, tuple(row.latency_s for row in stalls))
        lasts = [row.end_s - row.motion_ended_s for row in stalls]
    through = sum(not a.stalled and a.end_share >= WHOLE_SHARE for item in items for a in item.attempts)
    points = curves([call for one in found for call in one.calls], through, (LEFT_OUT, AS_SHIPPED))
    points[PLAIN] = points.pop(THRESHOLD)
    lasting = {limit: float(np.mean([one > limit for one in lasts])) if lasts else np.nan for limit in LASTS_S}
    return StallRules(family, tuple(rows), lasting, points, latencies)


def intervals(scores: Sequence[SetScore]) -> dict[str, float]:
    """Intervals of `INTERVAL_COVERAGE` for the rates of a rule, ends in one row; empty where there was no stall.

    Attempts of one person are alike, and here each set is of another person, so whole sets are drawn anew (the cluster
    bootstrap: Field & Welsh 2007, doi:10.1111/j.1467-9868.2007.00593.x, from memory). A rate of 0 or 1 gets Wilson's
    interval with each set as one trial.

    Args:
        scores: what the rule did on each set.
    """
    through = [[row for row in one.rows if not row.stalled and row.counted] for one in scores]
    stalls = [[row for row in one.rows if row.stalled and row.counted and row.moved] for one in scores]
    false = [sum(r.fired_s == r.fired_s for r in rows) + one.stray for rows, one in zip(through, scores, strict=True)]
    called = [sum(np.isfinite(row.latency_s) for row in rows) for rows in stalls]
    out: dict[str, float] = {}
    for name, hits, rows in (("false_rate", false, through), ("called_in_attempt", called, stalls)):
        trials = np.array([len(one) for one in rows])
        if trials.sum() > 0:
            out[f"{name}_low"], out[f"{name}_high"] = rate_interval(np.array(hits), trials)
    return out


def rate_interval(hits: npt.NDArray[np.int64], trials: npt.NDArray[np.int64]) -> tuple[float, float]:
    """Ends of the interval of a rate; always the same for the same counts.

    Args:
        hits: shape (n,), of each set.
        trials: shape (n,), of each set; not all 0.
    """
    rate, sets = float(hits.sum() / trials.sum()), len(trials)
    if rate in (0.0, 1.0) or sets < 2:
        return wilson(rate, sets, level=INTERVAL_COVERAGE)
    drawn = np.random.default_rng(0).integers(sets, size=(DRAWS, sets))
    of = trials[drawn].sum(axis=1)
    rates = hits[drawn].sum(axis=1)[of > 0] / of[of > 0]
    tail = (1.0 - INTERVAL_COVERAGE) / 2.0
    low, high = np.quantile(rates, [tail, 1.0 - tail])
    return float(low), float(high)


@dataclass(frozen=True, slots=True)
class _Run:
    """One rule, with the figures that it is judged by."""

    name: str
    stall: StallSection
    figures: HabitFigures = SHIPPED


def _runs_for(family: str) -> tuple[_Run, ...]:
    """The rules compared; the first is ours, balanced, left out."""
    unseen = unseen_figures(family)
    return (
        _Run(LEFT_OUT, BALANCED, unseen),
        *(_Run(LEFT_OUT, stall, unseen) for stall in PATIENCES if stall != BALANCED),
        _Run(AS_SHIPPED, BALANCED),
        _Run(PLAIN, DWELL),
        _Run(BY_LINE, EVIDENCE),
    )


def _setting(stall: StallSection) -> str:
    if stall.rule == "habits":
        return stall.patience
    return f"{stall.dwell_s:g} s" if stall.rule == "dwell" else f"{stall.certainty:g}"
