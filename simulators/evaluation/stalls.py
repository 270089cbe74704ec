"""How well stalls are distinguished from everything else, against the truth: the rules as used, in rows per kind.

What lives here: statistics of the stall detector over sets of known truth. What never does: making sets
(`ground_truth`), running segmenters (`detector_runs`), operating curves (`operating_curves`), sizing and estimates.

False drops and latency are as in `operating_curves`. An attempt that never moved has no end of motion and has its own
row.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Final

import numpy as np
import numpy.typing as npt

from ebbset.controller.detection.evidence.habit_evidence import HabitEvidence
from ebbset.controller.detection.evidence.habit_figures import SHIPPED, HabitFigures
from ebbset.controller.detection.segmenter import RepetitionSegmenter
from ebbset.models.contract.prescription import StallSection
from ebbset.models.physiology.load_velocity import generic_line
from ebbset.simulators.evaluation.detector_runs import (
    RATES,
    WHOLE_SHARE,
    SetScore,
    TelemetryQuality,
    measure,
    score_set,
)
from ebbset.simulators.evaluation.ground_truth import TrueSet
from ebbset.simulators.evaluation.operating_curves import (
    AttemptCalls,
    Point,
    calls_of,
    curves,
    slowest_tenth,
)

FloatArray = npt.NDArray[np.float64]
HABITS: Final = "habits"
"""Name of the curve of our rule, beside that of the dwell."""


@dataclass(slots=True)
class DetectorResult:
    """Everything `evaluate` says about the detector."""

    curves: dict[str, list[Point]] = field(default_factory=dict)
    kinds: dict[str, dict[str, float]] = field(default_factory=dict)
    telemetry: dict[str, dict[str, float]] = field(default_factory=dict)
    grind_error_s: FloatArray = field(default_factory=lambda: np.zeros(0))
    release_latency_s: FloatArray = field(default_factory=lambda: np.zeros(0))
    false_releases: int = 0


def run_rule(
    item: TrueSet, telemetry: TelemetryQuality, stall: StallSection, seed: int, figures: HabitFigures = SHIPPED
) -> SetScore:
    """The segmenter as it is used, on one set.

    Args:
        item: set of known truth.
        telemetry: quality of the rig's telemetry.
        stall: the stall rule.
        seed: seed of the sensor noise.
        figures: of the rule "habits".
    """
    line = generic_line(item.exercise)
    evidence = HabitEvidence(figures) if stall.rule == "habits" else None
    segmenter = RepetitionSegmenter(stall=stall, line=line, rom_m=None, has_force=telemetry.force, evidence=evidence)
    return score_set(item, measure(item, segmenter, telemetry, np.random.default_rng(seed)))


def summary(scores: Sequence[SetScore]) -> dict[str, float]:
    """Counts and quantiles over sets, as one row."""
    rows = [row for one in scores for row in one.rows]
    through = [row for row in rows if not row.stalled and row.counted]
    stalls = [row for row in rows if row.stalled and row.counted and row.moved]
    unmoved = [row for row in rows if row.stalled and row.counted and not row.moved]
    latency = np.array([row.latency_s for row in stalls])
    false = sum(row.fired_s == row.fired_s for row in through) + sum(one.stray for one in scores)
    out: dict[str, float] = {
        "sets": float(len(scores)),
        "came_through": float(len(through)),
        "false_drops": float(false),
        "between_attempts": float(sum(one.stray for one in scores)),
        "false_rate": false / max(1, len(through)),
        "cut_short": float(sum(not row.stalled and not row.counted for row in rows)),
        "cut_short_called": float(
            sum(one.cut_short_called for one in scores)
            + sum(row.fired_s == row.fired_s for row in rows if not row.stalled and not row.counted)
        ),
        "stalls": float(len(stalls)),
        "never_moved": float(len(unmoved)),
        "never_moved_called": float(sum(row.fired_s == row.fired_s or row.late_s == row.late_s for row in unmoved)),
    }
    if len(latency):
        out |= {
            "median_latency_s": float(np.median(latency)),
            "within_150_ms": float(np.mean(latency <= 0.15)),
            "foreseen": float(np.mean(latency < 0.0)),
            "slowest_tenth_s": slowest_tenth(latency),
            "called_in_attempt": float(np.mean(np.isfinite(latency))),
            "missed_in_attempt": float(np.mean(np.isinf(latency))),
            "missed_at_all": float(np.mean([not (r.fired_s == r.fired_s or r.late_s == r.late_s) for r in stalls])),
        }
    return out


@dataclass(frozen=True, slots=True)
class SetRuns:
    """What the detector did on one set of known truth.

    Attributes:
        calls: of every attempt, for the operating curves.
        plain: as shipped.
        telemetry: as shipped, by quality of the telemetry.
        grind_errors_s: see `grind_errors`.
    """

    calls: tuple[AttemptCalls, ...]
    plain: SetScore
    telemetry: dict[str, SetScore]
    grind_errors_s: tuple[float, ...]


def runs_of(item: TrueSet, telemetries: dict[str, TelemetryQuality], seed: int) -> SetRuns:
    """Run everything that the evaluation asks of the detector on one set.

    Args:
        item: set of known truth.
        telemetries: telemetry qualities by name.
        seed: seed of the sensor noise.
    """
    plain = StallSection()
    return SetRuns(
        calls_of(item, RATES["100 Hz"], seed, {HABITS: SHIPPED}),
        run_rule(item, RATES["100 Hz"], plain, seed),
        {name: run_rule(item, telemetry, plain, seed) for name, telemetry in telemetries.items()},
        tuple(grind_errors(item, seed)),
    )


def grind_errors(item: TrueSet, seed: int, grind_s: float = 0.4) -> list[float]:
    """Seconds between the prescribed and the given grinding time, for stalls that lasted long enough to tell.

    Infinite for one that was not called while it lasted.

    Args:
        item: set of known truth.
        seed: seed of the sensor noise.
        grind_s: grinding time prescribed, seconds.
    """
    errors: list[float] = []
    for row in run_rule(item, RATES["100 Hz"], StallSection(grind_s=grind_s), seed).rows:
        long_enough = row.end_s > row.motion_ended_s + grind_s + 0.05
        if row.stalled and row.counted and row.moved and long_enough:
            errors.append(row.latency_s - grind_s)
    return errors


def detector_result(items: Sequence[TrueSet], runs: Sequence[SetRuns]) -> DetectorResult:
    """The evaluation of the stall detector.

    Args:
        items: sets of known truth; their samples are not asked for.
        runs: what the detector did on each.
    """
    out = DetectorResult()
    through = sum(not a.stalled and a.end_share >= WHOLE_SHARE for item in items for a in item.attempts)
    out.curves = curves([one for run in runs for one in run.calls], through, (HABITS,))
    scores = [run.plain for run in runs]
    out.kinds["all"] = summary(scores)
    for kind in sorted({item.behaviour for item in items}):
        out.kinds[kind] = summary([one for one, item in zip(scores, items, strict=True) if item.behaviour == kind])
    for exercise in sorted({item.exercise for item in items}):
        mine = [one for one, item in zip(scores, items, strict=True) if item.exercise == exercise]
        out.kinds[f"exercise {exercise}"] = summary(mine)
    for name in runs[0].telemetry if runs else ():
        out.telemetry[name] = summary([run.telemetry[name] for run in runs])
    out.grind_error_s = np.array([error for run in runs for error in run.grind_errors_s])
    releases = [one.release_latency_s for one, item in zip(scores, items, strict=True) if item.released_s is not None]
    out.release_latency_s = np.array([np.inf if value is None else value for value in releases])
    out.false_releases = sum(one.false_releases for one in scores)
    return out
