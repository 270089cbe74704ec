"""Operating curves of the stall rules on sets of known truth: false drops against stalls missed and late.

What lives here: what the evidence was at every evaluation of a set, and what a threshold on the score of given figures,
or a plain dwell, would have called. What never does: making sets (`ground_truth`), running segmenters
(`detector_runs`), the rule as it is used (`stalls`).

A false drop is a stall called in an attempt that would have come through, or where there was no attempt; the rate is
per attempt that came through. Latency runs from the end of motion (last instant at 0.05 m/s in the branch without a
drop); negative: foreseen. Failed starts and reversals, which every rule shares, are not in here.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt

from ebbset.controller.detection.evidence.habit_figures import (
    HABIT_FEATURES,
    PAUSES,
    SINCE_DROP_AT,
    STANDING_COUNTS,
    STANDING_S,
    STILL_AT,
    USUAL_PAUSE_AT,
    HabitFigures,
)
from ebbset.models.contract.prescription import StallSection
from ebbset.simulators.evaluation.attempt_looks import AttemptLooks, looks_of
from ebbset.simulators.evaluation.detector_runs import TelemetryQuality
from ebbset.simulators.evaluation.ground_truth import TrueSet

FloatArray = npt.NDArray[np.float64]
DWELL_VELOCITIES: Final = (0.02, 0.03, 0.05, 0.08)
DWELLS_S: Final = tuple(
    float(x) for x in np.round(np.concatenate([np.arange(0.05, 1.0, 0.05), np.arange(1.0, 3.0, 0.2)]), 3)
)
SCORES: Final = tuple(float(x) for x in np.round(np.arange(-2.0, 5.0, 0.1), 2))
MOST_FALSE: Final = 0.01
FALSE_FROM: Final = 0.005
FALSE_TO: Final = 0.1
THRESHOLD: Final = "threshold"
"""Name of the curve of the plain dwell."""
FEATURES: Final = len(HABIT_FEATURES)
NOT_LOOKED_AT: Final = [math.nan] * FEATURES
NOTHING: Final = -9.0
"""Score of an evaluation that is not worth a look."""


@dataclass(frozen=True, slots=True)
class Point:
    """One setting of one rule: false drops per attempt that came through, and what it does with stalls."""

    rule: str
    setting: str
    false_rate: float
    median_latency_s: float
    late_part: float
    missed_part: float
    foreseen_part: float
    slowest_tenth_s: float = math.nan


def scores_of(looks: AttemptLooks, figures: HabitFigures) -> FloatArray:
    """Score of every evaluation by given figures, shape (n,); NaN where they are out of their depth.

    Args:
        looks: of one attempt.
        figures: of the rule "habits".
    """
    return np.array(
        [
            NOTHING if one is None else math.nan if figures.out_of_depth(one) else figures.score(one, -math.inf)
            for one in looks.evidence
        ]
    )


def called_at(evidence: FloatArray, scores: FloatArray) -> FloatArray:
    """Greatest certain score at which the rule "habits" calls a stall at each evaluation, shape (n,).

    A stretch that begins with a handle that stands already is what is left of one before, in which whatever calls that
    has called it: nothing counts until the handle has moved.

    Args:
        evidence: shape (n, number of features); NaN where the evaluation was not worth a look.
        scores: shape (n,), of the trees; NaN where they are out of their depth.
    """
    # who stood before a drop stood under another load
    still_s = np.fmin(evidence[:, STILL_AT], evidence[:, SINCE_DROP_AT])
    stands = still_s >= np.maximum(STANDING_S, PAUSES * evidence[:, USUAL_PAUSE_AT])
    known = np.where(stands, scores + STANDING_COUNTS, scores)
    out = np.where(np.isnan(scores), np.where(stands, np.inf, -np.inf), known)
    out = np.where(still_s >= StallSection().still_limit_s, np.inf, out)
    out[: counts_from(evidence)] = -np.inf
    return out


def counts_from(evidence: FloatArray) -> int:
    """How many evaluations go by in a stretch until a handle that stands as it begins has moved, or the load has.

    Args:
        evidence: shape (n, number of features); NaN where the evaluation was not worth a look.
    """
    stands = np.fmin(evidence[:, STILL_AT], evidence[:, SINCE_DROP_AT]) >= STANDING_S
    return int(np.argmin(stands)) if not stands.all() else len(stands)


@dataclass(frozen=True, slots=True)
class AttemptCalls:
    """When each setting of each rule would have called a stall in one attempt, s as in `AttemptLooks`; infinite: never.

    Attributes:
        stalled: whether it was one.
        dwell: velocity and dwell time -> when.
        habits: by name of the figures: least score -> when.
    """

    stalled: bool
    dwell: dict[tuple[float, float], float]
    habits: dict[str, dict[float, float]]


def calls_of(
    item: TrueSet, telemetry: TelemetryQuality, seed: int, figures: Mapping[str, HabitFigures]
) -> tuple[AttemptCalls, ...]:
    """When every setting would have called, in each attempt of a set that moved; others have no end of motion.

    Args:
        item: set of known truth.
        telemetry: quality of the rig's telemetry.
        seed: seed of the sensor noise.
        figures: of the rule "habits", by the name of their curve.
    """
    return tuple(_calls(looks, figures) for looks in looks_of(item, telemetry, seed) if looks.moved)


def _calls(looks: AttemptLooks, figures: Mapping[str, HabitFigures]) -> AttemptCalls:
    dwell: dict[tuple[float, float], float] = {}
    evidence = np.array([NOT_LOOKED_AT if one is None else one for one in looks.evidence]).reshape(-1, FEATURES)
    first = counts_from(evidence)
    for velocity_m_s in DWELL_VELOCITIES:
        slow_s = _slow_s(looks, velocity_m_s)
        slow_s[:first] = -1.0
        dwell |= {(velocity_m_s, dwell_s): _first(looks, slow_s >= dwell_s) for dwell_s in DWELLS_S}
    habits: dict[str, dict[float, float]] = {}
    for name, its in figures.items():
        called = called_at(evidence, scores_of(looks, its))
        habits[name] = {least: _first(looks, called >= least) for least in SCORES}
    return AttemptCalls(looks.stalled, dwell, habits)


def _first(looks: AttemptLooks, hits: npt.NDArray[np.bool_]) -> float:
    return float(looks.t_s[np.argmax(hits)]) if hits.any() else np.inf


def _slow_s(looks: AttemptLooks, velocity_m_s: float) -> FloatArray:
    """For how long the handle has been slower than this without a gap; negative where it is not."""
    found = np.full(len(looks.t_s), -1.0)
    since = np.inf
    previous = -np.inf
    for k, (t, is_slow) in enumerate(zip(looks.t_s, looks.velocity_m_s < velocity_m_s, strict=True)):
        if not is_slow or t - previous > 0.3:
            since = np.inf
        if is_slow:
            since = min(since, t)
            found[k] = t - since
        previous = t
    return found


def _point(rule: str, setting: str, calls: Sequence[AttemptCalls], fired: Sequence[float], through: int) -> Point:
    latency = np.array([f for one, f in zip(calls, fired, strict=True) if one.stalled])
    false = sum(np.isfinite(f) for one, f in zip(calls, fired, strict=True) if not one.stalled)
    return Point(
        rule,
        setting,
        false / max(1, through),
        float(np.median(latency)) if len(latency) else np.nan,
        float(np.mean(latency > 0.15)),
        float(np.mean(np.isinf(latency))),
        float(np.mean(latency < 0.0)),
        slowest_tenth(latency),
    )


def slowest_tenth(latency_s: FloatArray) -> float:
    """Of the stalls that were called in the attempt, the time that nine of ten took at most, s.

    Args:
        latency_s: shape (n,), seconds; infinite for one that was missed.
    """
    called = latency_s[np.isfinite(latency_s)]
    return float(np.quantile(called, 0.9)) if len(called) else np.nan


def curves(calls: Sequence[AttemptCalls], through: int, names: Iterable[str]) -> dict[str, list[Point]]:
    """Operating curves of the dwell and of the rule "habits" on the same filter, segmenter and attempts.

    Args:
        calls: of every attempt.
        through: number of attempts that came through.
        names: of the figures of the rule "habits" to draw.
    """
    dwell: list[Point] = []
    for velocity_m_s in DWELL_VELOCITIES:
        for dwell_s in DWELLS_S:
            fired = [one.dwell[velocity_m_s, dwell_s] for one in calls]
            dwell.append(_point(THRESHOLD, f"{velocity_m_s:g} m/s for {dwell_s:g} s", calls, fired, through))
    out = {THRESHOLD: dwell}
    for name in names:
        out[name] = [
            _point(name, f"score {least:g}", calls, [one.habits[name][least] for one in calls], through)
            for least in SCORES
        ]
    return out


def at_most_false(points: Sequence[Point], most_false: float) -> Point | None:
    """The setting that misses least among those with few enough false drops.

    Args:
        points: operating points.
        most_false: greatest rate of false drops allowed, per attempt that came through.
    """
    allowed = [point for point in points if point.false_rate <= most_false]
    return min(allowed, key=lambda p: (p.missed_part, p.median_latency_s)) if allowed else None


def dominated(ours: Sequence[Point], theirs: Sequence[Point]) -> float:
    """Share of their settings for which one of ours has no more false drops, misses no more and is no later.

    Settings with so few false drops that a set of this size cannot tell, or more than anybody would bear, do not count.

    Args:
        ours: operating points of one rule.
        theirs: of the other.
    """
    judged = [point for point in theirs if FALSE_FROM <= point.false_rate <= FALSE_TO]
    if not judged:
        return math.nan
    better = [
        any(
            one.false_rate <= point.false_rate
            and one.missed_part <= point.missed_part
            and one.median_latency_s <= point.median_latency_s
            for one in ours
        )
        for point in judged
    ]
    return float(np.mean(better))


def best(points: Sequence[Point], most_false: float = MOST_FALSE) -> Point | None:
    """The setting with the least median latency among those with few enough false drops.

    Args:
        points: operating points.
        most_false: greatest rate of false drops allowed, per attempt that came through.
    """
    allowed = [point for point in points if point.false_rate <= most_false]
    return min(allowed, key=lambda p: (p.median_latency_s, p.missed_part)) if allowed else None
