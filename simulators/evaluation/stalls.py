"""How well stalls are distinguished from everything else, against the truth: operating curves and rows per kind.

What lives here: statistics of the stall detector over sets of known truth. What never does: making sets
(`ground_truth`), running segmenters (`detector_runs`), sizing and estimates.

A false drop is a stall called in an attempt that would have come through, or where there was no attempt; the rate is
per attempt that came through. Latency runs from the end of motion (last instant at 0.05 m/s in the branch without a
drop); negative: foreseen. An attempt that never moved has no end of motion and has its own row.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Final

import numpy as np
import numpy.typing as npt

from ebbset.controller.detection.segmenter import RepetitionSegmenter
from ebbset.controller.detection.stall_evidence import StallEvidence, score
from ebbset.models.contract.prescription import StallSection
from ebbset.models.physiology.load_velocity import LoadVelocityLine, generic_line
from ebbset.simulators.evaluation.detector_runs import (
    RATES,
    TOP_SHARE,
    WHOLE_SHARE,
    SetScore,
    TelemetryQuality,
    measure,
    score_set,
)
from ebbset.simulators.evaluation.ground_truth import TrueSet

FloatArray = npt.NDArray[np.float64]
DWELL_VELOCITIES: Final = (0.02, 0.03, 0.05, 0.08)
DWELLS_S: Final = tuple(
    float(x) for x in np.round(np.concatenate([np.arange(0.05, 1.0, 0.05), np.arange(1.0, 3.0, 0.2)]), 3)
)
SCORES: Final = tuple(float(x) for x in np.round(np.arange(-0.5, 4.0, 0.1), 2))
MOST_FALSE: Final = 0.01
EVERY_SCORE: Final = -1e9
"""A least score that every score reaches, so that it is added up to the end."""


class LookingEvidence(StallEvidence):
    """Evidence that reports no stall but records (rig time, velocity, score) at each evaluation."""

    def __init__(self, line: LoadVelocityLine) -> None:
        super().__init__(line)
        self.looks: list[tuple[int, float, float]] = []
        self.hold_until_us = 0

    def sample(self, t: int, v: float, share: float) -> None:
        """As in the detector; a sample that is not evaluated is recorded like one of a fast handle.

        Args:
            t: rig time, microseconds.
            v: velocity, m/s.
            share: position as a fraction of the range of motion.
        """
        super().sample(t, v, share)
        self.looks.append((t, 9.0, -9.0))

    def worth_a_look(self) -> bool:
        """Return False always, but record the evaluation."""
        t = self.looks[-1][0]
        if t >= self.hold_until_us:
            worth = super().worth_a_look()
            self.looks[-1] = (t, self._v, score(self.evidence(), EVERY_SCORE) if worth else -9.0)
        return False


class LookingSegmenter(RepetitionSegmenter):
    """A segmenter that calls no stall within 5 s, and has `LookingEvidence`."""

    def __init__(self, item: TrueSet) -> None:
        never = StallSection(rule="evidence", still_limit_s=5.0)
        line = generic_line(item.exercise)
        self.evidence = LookingEvidence(line)
        super().__init__(stall=never, line=line, rom_m=None, has_force=True, evidence=self.evidence)

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
    """What could be seen in one attempt. ``t_s`` shape (n,), true seconds from the end of motion (or the start)."""

    stalled: bool
    t_s: FloatArray
    velocity_m_s: FloatArray
    score: FloatArray


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


@dataclass(slots=True)
class DetectorResult:
    """Everything `evaluate` says about the detector."""

    curves: dict[str, list[Point]] = field(default_factory=dict)
    kinds: dict[str, dict[str, float]] = field(default_factory=dict)
    telemetry: dict[str, dict[str, float]] = field(default_factory=dict)
    grind_error_s: FloatArray = field(default_factory=lambda: np.zeros(0))
    release_latency_s: FloatArray = field(default_factory=lambda: np.zeros(0))
    false_releases: int = 0


def looks_of(item: TrueSet, telemetry: TelemetryQuality, seed: int) -> list[AttemptLooks]:
    """Every moving attempt of a set, and everything outside attempts as one that came through.

    Args:
        item: set of known truth.
        telemetry: quality of the rig's telemetry.
        seed: seed of the sensor noise.
    """
    segmenter = LookingSegmenter(item)
    clock = measure(item, segmenter, telemetry, np.random.default_rng(seed)).true_s
    if not segmenter.evidence.looks:
        return []
    table = np.array(segmenter.evidence.looks)
    t = np.array([clock(int(us)) for us in table[:, 0]])
    out: list[AttemptLooks] = []
    outside = np.ones(len(t), dtype=bool)
    for k, attempt in enumerate(item.attempts):
        inside = (t >= attempt.start_s + (0.01 if attempt.continued else -0.02)) & (t <= attempt.end_s)
        outside &= ~inside
        if attempt.stalled:
            after = item.attempts[k + 1].start_s if k + 1 < len(item.attempts) else np.inf
            outside &= ~((t > attempt.end_s) & (t < after))
            if attempt.end_share > TOP_SHARE or attempt.motion_ended_s <= attempt.start_s + 0.02:
                continue
        elif attempt.end_share < WHOLE_SHARE:
            outside &= ~((t > attempt.end_s) & (t < attempt.end_s + 2.0))
            continue
        zero = attempt.motion_ended_s if attempt.stalled else attempt.start_s
        out.append(AttemptLooks(attempt.stalled, t[inside] - zero, table[inside, 1], table[inside, 2]))
    breaks = np.flatnonzero(np.diff(t[outside]) > 0.3) + 1
    for part in np.split(np.flatnonzero(outside), breaks):
        out.append(AttemptLooks(False, t[part] - (t[part][0] if len(part) else 0.0), table[part, 1], table[part, 2]))
    return out


@dataclass(frozen=True, slots=True)
class AttemptCalls:
    """When each setting of each rule would have called a stall in one attempt, s as in `AttemptLooks`; infinite: never.

    Attributes:
        stalled: whether it was one.
        dwell: of the threshold rule: velocity and dwell time -> when.
        evidence: of the rule by evidence: least score -> when.
    """

    stalled: bool
    dwell: dict[tuple[float, float], float]
    evidence: dict[float, float]


def calls_of(looks: AttemptLooks) -> AttemptCalls:
    """When every setting would have called.

    Args:
        looks: what could be seen in the attempt.
    """
    dwell: dict[tuple[float, float], float] = {}
    for velocity_m_s in DWELL_VELOCITIES:
        slow_s = _slow_s(looks, velocity_m_s)
        dwell |= {(velocity_m_s, dwell_s): _first(looks, slow_s >= dwell_s) for dwell_s in DWELLS_S}
    return AttemptCalls(looks.stalled, dwell, {least: _first(looks, looks.score >= least) for least in SCORES})


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
    )


def curves(calls: Sequence[AttemptCalls], through: int) -> dict[str, list[Point]]:
    """Operating curves of both rules on the same filter, segmenter and attempts.

    Args:
        calls: of every attempt.
        through: number of attempts that came through.
    """
    dwell: list[Point] = []
    for velocity_m_s in DWELL_VELOCITIES:
        for dwell_s in DWELLS_S:
            fired = [one.dwell[velocity_m_s, dwell_s] for one in calls]
            dwell.append(_point("threshold", f"{velocity_m_s:g} m/s for {dwell_s:g} s", calls, fired, through))
    ours = [
        _point("evidence", f"{least:g}", calls, [one.evidence[least] for one in calls], through) for least in SCORES
    ]
    return {"threshold": dwell, "evidence": ours}


def best(points: Sequence[Point], most_false: float = MOST_FALSE) -> Point | None:
    """The setting with the least median latency among those with few enough false drops.

    Args:
        points: operating points.
        most_false: greatest rate of false drops allowed, per attempt that came through.
    """
    allowed = [point for point in points if point.false_rate <= most_false]
    return min(allowed, key=lambda p: (p.median_latency_s, p.missed_part)) if allowed else None


def run_rule(item: TrueSet, telemetry: TelemetryQuality, stall: StallSection, seed: int) -> SetScore:
    """The segmenter as it is used, on one set.

    Args:
        item: set of known truth.
        telemetry: quality of the rig's telemetry.
        stall: the stall rule.
        seed: seed of the sensor noise.
    """
    line = generic_line(item.exercise)
    segmenter = RepetitionSegmenter(stall=stall, line=line, rom_m=None, has_force=telemetry.force)
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
            "slowest_tenth_s": _slowest_tenth(latency),
            "called_in_attempt": float(np.mean(np.isfinite(latency))),
            "missed_in_attempt": float(np.mean(np.isinf(latency))),
            "missed_at_all": float(np.mean([not (r.fired_s == r.fired_s or r.late_s == r.late_s) for r in stalls])),
        }
    return out


def _slowest_tenth(latency_s: FloatArray) -> float:
    """Of the stalls that were called in the attempt, the time that nine of ten took at most, s."""
    called = latency_s[np.isfinite(latency_s)]
    return float(np.quantile(called, 0.9)) if len(called) else np.nan


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
        tuple(calls_of(one) for one in looks_of(item, RATES["100 Hz"], seed)),
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
    out.curves = curves([one for run in runs for one in run.calls], through)
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
