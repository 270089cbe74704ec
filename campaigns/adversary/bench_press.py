"""The simulated bench press at or above what the average man can press once, without a profile.

What lives here: whole sets of the physics simulator and their truth, judged by the same figures as the scripted ones.
The end of motion is read from the handle: the last instant at which it was faster than the stall velocity, before it
stood for `STANDS_S` short of the top. A drop in an ascent that had not come to a stop counts as foreseen and right:
whether it would have come through cannot be told from the outside.
"""

from __future__ import annotations

from bisect import bisect_left
from functools import lru_cache
from typing import Final

import numpy as np

from campaigns.adversary.judge import COUNT_TOLERANCE_S, STALL_ENDINGS, STALLS, Judgement
from campaigns.adversary.lifter import STILL_M_S
from ebbset.controller.messages.actions import Decision, Output
from ebbset.controller.messages.events import Event, Samples
from ebbset.controller.messages.reasons import Reason
from ebbset.models.contract.prescription import Prescription
from ebbset.simulators.closed_loop.closed_loop import run_set
from ebbset.simulators.closed_loop.simulated_set import SimulatedSet, TrueRepetition
from ebbset.simulators.lifter.exercises import exercise
from ebbset.simulators.population.population import one_rm_n
from ebbset.simulators.rig.sensors import SensorParameters

PARTS: Final = tuple(round(1.0 + 0.05 * k, 2) for k in range(13))
"""Loads, as parts of the 1RM."""
STANDS_S: Final = 0.3
LATE_S: Final = 1.0
UNDER_THE_TOP: Final = 0.9
SMOOTHED: Final = 9
BEGUN_S: Final = 0.15
RIGHT_ENDS: Final = frozenset({Reason.FLOOR_FAILED.value, Reason.DROPS_SPENT.value, Reason.PAUSE_TOO_LONG.value})


@lru_cache(maxsize=1)
def _one_rm_n() -> float:
    return one_rm_n(exercise("bench_press").mean_lifter(), None)


def prescription_at(part: float) -> Prescription:
    """An auto-drop set at this part of the average man's 1RM."""
    start_n = part * _one_rm_n()
    return Prescription.model_validate(
        {
            "name": "Bench press",
            "exercise": "bench_press",
            "load": {"start_n": round(start_n, 1), "floor_n": round(0.3 * start_n, 1)},
            "stop": {"max_repetitions": 8},
        }
    )


class _Handle:
    """Keeps the handle's motion; the rig's clock is set to true time."""

    def __init__(self) -> None:
        self.t_s: list[float] = []
        self.v: list[float] = []
        self.x: list[float] = []

    def record(self, event: Event, outputs: tuple[Output, ...]) -> None:
        """Take in the samples of a frame."""
        if isinstance(event, Samples) and event.velocity_m_s[0] is not None:
            self.t_s += [t * 1e-6 for t in event.t_us]
            self.v += event.velocity_m_s[0]
            self.x += event.position_m[0]

    def ended_s(self, began_s: float, until_s: float, top_m: float) -> float | None:
        """The end of motion of an ascent: when the handle was last fast before it stood, or ``None``."""
        first, last = bisect_left(self.t_s, began_s), bisect_left(self.t_s, until_s)
        smooth = np.convolve(self.v[first:last], np.full(SMOOTHED, 1.0 / SMOOTHED), "same")
        moved_s = began_s
        for k, v in enumerate(smooth):
            t_s = self.t_s[first + k]
            if v > STILL_M_S or t_s < began_s + BEGUN_S or self.x[first + k] > top_m:
                moved_s = t_s
            elif t_s - moved_s > STANDS_S:
                return moved_s
        return None


def bench_press_set(part: float, seed: np.random.SeedSequence) -> tuple[Judgement, list[str]]:
    """One set at this part of the 1RM: what it came to, and every decision as a line.

    Args:
        part: load over 1RM.
        seed: of the lifter's and the sensors' noise.
    """
    handle = _Handle()
    outcome = run_set(
        prescription_at(part),
        exercise("bench_press").mean_lifter(),
        seed=seed,
        sensors=SensorParameters(clock_drift_ppm=0.0, clock_start_s=0.0),
        recorder=handle.record,
    )
    return _judged(outcome, handle, part), [_line(decision) for decision in outcome.decisions]


def _line(decision: Decision) -> str:
    return (
        f"{decision.now_us * 1e-6:7.3f} s  {decision.action} {decision.reason.value}: "
        f"{[round(n) for n in decision.from_n]} to {[round(n) for n in decision.to_n]} N, counted {decision.repetition}"
    )


def _judged(outcome: SimulatedSet, handle: _Handle, part: float) -> Judgement:
    verdict = Judgement(healthy=False)
    top_m = UNDER_THE_TOP * exercise("bench_press").quantities["rom_m"].mean
    stalls = [d for d in outcome.decisions if d.reason in STALLS or d.reason in STALL_ENDINGS]
    ends = [d for d in outcome.decisions if d.action == "end"]
    end_s = ends[0].now_us * 1e-6 if ends else outcome.simulated_s
    attempts = [one for one in outcome.true_repetitions if one.truth.start_s < end_s]
    cause = f"{100 * part:.0f} % of 1RM"
    right: set[int] = set()
    for number, attempt in enumerate(attempts):
        after = attempts[number + 1].truth.start_s if number + 1 < len(attempts) else end_s + LATE_S
        seen = [d for d in stalls if attempt.truth.start_s <= d.now_us * 1e-6 < after]
        ended_s = handle.ended_s(attempt.truth.start_s, min(attempt.truth.end_s, end_s), attempt.truth.start_m + top_m)
        verdict.false_drops += _false_of(attempt, ended_s, seen)
        right |= {d.seq for d in seen}
        if seen and (ended_s is not None or not attempt.truth.completed or seen[0].now_us * 1e-6 < attempt.truth.end_s):
            at_s = seen[0].now_us * 1e-6
            verdict.failures += 1
            verdict.seen_after_s.append(0.0 if ended_s is None else max(0.0, at_s - ended_s))
        elif ended_s is not None:
            verdict.failures += 1
            verdict.unseen += 1
            verdict.misses.append(f"{'the first ascent' if number == 0 else 'a later ascent'}, {cause}")
    verdict.false_drops += [f"{d.reason.value} outside any ascent" for d in stalls if d.seq not in right]
    verdict.never = verdict.failures > 0 and not verdict.seen_after_s
    tops = [one.truth.end_s for one in attempts if one.truth.completed]
    least, most = (sum(at < end_s + margin for at in tops) for margin in (-COUNT_TOLERANCE_S, COUNT_TOLERANCE_S))
    verdict.completed = sum(at <= end_s for at in tops)
    result = outcome.result
    verdict.counted = None if result is None else result.repetitions
    verdict.wrong_count = result is None or not least <= result.repetitions <= most
    verdict.reason = "none" if result is None else result.reason.value
    verdict.wrong_end = verdict.reason not in RIGHT_ENDS and not (
        verdict.reason == Reason.REPETITIONS_DONE.value and most >= 8
    )
    verdict.breaches = [f"invariant {b.invariant}: {b.detail}" for b in outcome.violations]
    return verdict


def _false_of(attempt: TrueRepetition, ended_s: float | None, seen: list[Decision]) -> list[str]:
    """Drops about an attempt that had come through and never stopped."""
    if ended_s is not None or not attempt.truth.completed:
        return []
    late = [d for d in seen if d.now_us * 1e-6 > attempt.truth.end_s]
    return [f"{d.reason.value} after a repetition that came through" for d in late]
