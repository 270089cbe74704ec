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

from ebbset.controller.detection.ascent import Ascent
from ebbset.controller.detection.evidence.habit_evidence import HabitEvidence
from ebbset.controller.detection.evidence.habit_figures import (
    PAUSES,
    STANDING_COUNTS,
    STANDING_S,
    STILL_AT,
    USUAL_PAUSE_AT,
    HabitFigures,
)
from ebbset.controller.detection.segmenter import RepetitionSegmenter
from ebbset.models.contract.prescription import StallSection
from ebbset.models.physiology.load_velocity import generic_line
from ebbset.simulators.evaluation.detector_runs import TOP_SHARE, WHOLE_SHARE, TelemetryQuality, measure
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
LEAST_MOTION_S: Final = 0.02
FAST_M_S: Final = 9.0
THRESHOLD: Final = "threshold"
"""Name of the curve of the plain dwell."""
NOTHING: Final = -9.0
"""Score of an evaluation that is not worth a look."""
NEVER: Final = StallSection(rule="habits", still_limit_s=10.0)


class LookingEvidence(HabitEvidence):
    """Evidence that reports no stall but records (rig time, velocity, evidence vector) at each evaluation."""

    def __init__(self) -> None:
        super().__init__()
        self.looks: list[tuple[int, float, list[float] | None]] = []
        self.hold_until_us = 0

    def sample(self, t: int, v: float, share: float, force_n: float | None) -> None:
        """As in the detector; a sample that is not evaluated is recorded like one of a fast handle.

        Args:
            t: rig time, microseconds.
            v: velocity, m/s.
            share: position as a fraction of the range of motion.
            force_n: tension, newtons, if known.
        """
        super().sample(t, v, share, force_n)
        self.looks.append((t, FAST_M_S, None))

    def worth_a_look(self) -> bool:
        """As in the detector, but record the velocity of every evaluation."""
        t = self.looks[-1][0]
        if t < self.hold_until_us:
            return False
        self.looks[-1] = (t, self._v, None)
        return super().worth_a_look()

    def scored(self, ascent: Ascent, least: float) -> float:
        """Return a score that is no stall, but record the evidence.

        Args:
            ascent: the ascent under way.
            least: score that would be a stall.
        """
        t, v, _ = self.looks[-1]
        self.looks[-1] = (t, v, self.evidence(ascent))
        return least - 1.0


class LookingSegmenter(RepetitionSegmenter):
    """A segmenter that calls no stall for as long as anybody stands, and has `LookingEvidence`."""

    def __init__(self, item: TrueSet) -> None:
        self.evidence = LookingEvidence()
        line = generic_line(item.exercise)
        super().__init__(stall=NEVER, line=line, rom_m=None, has_force=True, evidence=self.evidence)

    def load_dropped(self, t_us: int, load_n: float, settle_s: float) -> None:
        """As the segmenter's; looks until the load has settled do not count.

        Args:
            t_us: rig time of the drop, microseconds.
            load_n: new load, newtons.
            settle_s: time until the load has settled, seconds.
        """
        super().load_dropped(t_us, load_n, settle_s)
        self.evidence.hold_until_us = t_us + round(settle_s * 1e6)


@dataclass(frozen=True, slots=True)
class AttemptLooks:
    """What could be seen in one attempt.

    Attributes:
        stalled: it would not have come through.
        moved: a stall that moved at first, so that its motion has an end; ``True`` for what is no stall.
        t_s: shape (n,), true seconds from the end of motion (or the start).
        velocity_m_s: shape (n,).
        evidence: n vectors, ``None`` where the evaluation was not worth a look.
    """

    stalled: bool
    moved: bool
    t_s: FloatArray
    velocity_m_s: FloatArray
    evidence: tuple[list[float] | None, ...]


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


def looks_of(item: TrueSet, telemetry: TelemetryQuality, seed: int) -> list[AttemptLooks]:
    """Every attempt of a set, and everything outside attempts as one that came through.

    Args:
        item: set of known truth.
        telemetry: quality of the rig's telemetry.
        seed: seed of the sensor noise.
    """
    segmenter = LookingSegmenter(item)
    measured = measure(item, segmenter, telemetry, np.random.default_rng(seed))
    looks = segmenter.evidence.looks
    t = np.array([measured.true_s(us) for us, _, _ in looks])
    unaided = {one.attempt: one.segmenter for one in measured.unaided}
    out: list[AttemptLooks] = []
    outside = np.ones(len(t), dtype=bool)
    for k, attempt in enumerate(item.attempts):
        inside = (t >= attempt.start_s + (0.01 if attempt.continued else -0.02)) & (t <= attempt.end_s)
        outside &= ~inside
        if attempt.stalled:
            after = item.attempts[k + 1].start_s if k + 1 < len(item.attempts) else np.inf
            outside &= ~((t > attempt.end_s) & (t < after))
            if attempt.end_share > TOP_SHARE:
                continue
        elif attempt.end_share < WHOLE_SHARE:
            outside &= ~((t > attempt.end_s) & (t < attempt.end_s + 2.0))
            continue
        zero = attempt.motion_ended_s if attempt.stalled else attempt.start_s
        seen = [looks[i] for i in np.flatnonzero(inside)]
        times = t[inside]
        copied = unaided.get(k)
        if isinstance(copied, LookingSegmenter):
            more = copied.evidence.looks
            more_t = np.array([measured.true_s(us) for us, _, _ in more])
            left = np.flatnonzero((more_t > attempt.end_s) & (more_t <= attempt.failed_s))
            seen += [more[i] for i in left]
            times = np.concatenate([times, more_t[left]])
        moved = not attempt.stalled or attempt.motion_ended_s > attempt.start_s + LEAST_MOTION_S
        out.append(_seen(times - zero, seen, stalled=attempt.stalled, moved=moved))
    places = np.flatnonzero(outside)
    breaks = np.flatnonzero(np.diff(t[outside]) > 0.3) + 1
    for part in np.split(places, breaks) if len(places) else ():
        out.append(_seen(t[part] - t[part][0], [looks[i] for i in part]))
    return out


def _seen(
    t_s: FloatArray,
    looks: Sequence[tuple[int, float, list[float] | None]],
    *,
    stalled: bool = False,
    moved: bool = True,
) -> AttemptLooks:
    velocity = np.array([v for _, v, _ in looks])
    return AttemptLooks(stalled, moved, t_s, velocity, tuple(vector for _, _, vector in looks))


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


def called_at(still_s: FloatArray, pause_s: FloatArray, scores: FloatArray) -> FloatArray:
    """Greatest certain score at which the rule "habits" calls a stall at each evaluation, shape (n,).

    Args:
        still_s: shape (n,), how long the handle has stood, seconds.
        pause_s: shape (n,), how long this person pauses, seconds.
        scores: shape (n,), of the trees; NaN where they are out of their depth.
    """
    stands = still_s >= np.maximum(STANDING_S, PAUSES * pause_s)
    known = np.where(stands, scores + STANDING_COUNTS, scores)
    out = np.where(np.isnan(scores), np.where(stands, np.inf, -np.inf), known)
    return np.where(still_s >= StallSection().still_limit_s, np.inf, out)


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
    for velocity_m_s in DWELL_VELOCITIES:
        slow_s = _slow_s(looks, velocity_m_s)
        dwell |= {(velocity_m_s, dwell_s): _first(looks, slow_s >= dwell_s) for dwell_s in DWELLS_S}
    habits: dict[str, dict[float, float]] = {}
    for name, its in figures.items():
        called = called_at(_figure(looks, STILL_AT), _figure(looks, USUAL_PAUSE_AT), scores_of(looks, its))
        habits[name] = {least: _first(looks, called >= least) for least in SCORES}
    return AttemptCalls(looks.stalled, dwell, habits)


def _figure(looks: AttemptLooks, at: int) -> FloatArray:
    return np.array([0.0 if one is None else one[at] for one in looks.evidence])


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
