"""The simulated bench press at or above the average man's 1RM, without a profile.

What lives here: whole sets of the physics simulator and their truth, judged by the same figures as the scripted ones.
An attempt is an ascent that the simulated lifter intends. The end of motion is read from the handle: the last instant
at which it was faster than the stall velocity, before it stood still for `STANDS_S` short of the top or the lifter gave
up. An attempt that stood still and was then completed without help was a sticking region, and no call is expected. A
drop in an ascent that had not stopped counts as foreseen and right, since it cannot be known whether the ascent
would have been completed. A lifter who cannot get the load out of the dock has not begun an ascent; a drop is right
then, and no time is measured.
"""

from __future__ import annotations

from bisect import bisect_left
from dataclasses import dataclass
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
from ebbset.simulators.closed_loop.simulated_set import SimulatedSet
from ebbset.simulators.lifter.exercises import exercise
from ebbset.simulators.lifter.layout import Phase
from ebbset.simulators.plant.plant import Plant
from ebbset.simulators.plant.rig_parameters import strong_rig
from ebbset.simulators.population.strength_test import one_rm_n
from ebbset.simulators.rig.sensors import SensorParameters
from ebbset.simulators.rig.simulated_rig import step_for

PARTS: Final = tuple(round(1.0 + 0.05 * k, 2) for k in range(13))
"""Loads, as parts of the 1RM."""
STANDS_S: Final = 0.3
UNDER_THE_TOP: Final = 0.9
RIG: Final = strong_rig(2_000.0)
SMOOTHED: Final = 9
BEGUN_S: Final = 0.15
MOST_REPETITIONS: Final = 8
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
            "stop": {"max_repetitions": MOST_REPETITIONS},
        }
    )


@dataclass(slots=True)
class _Attempt:
    """One ascent that the simulated lifter intended; times in seconds of true time."""

    began_s: float
    bottom_m: float
    left_s: float = 0.0
    completed: bool = False
    failed: bool = False
    ended_s: float | None = None


class _Observer:
    """Records the handle's motion and the lifter's intentions; the rig's clock is set to true time."""

    def __init__(self, plant: Plant, rom_m: float) -> None:
        self.attempts: list[_Attempt] = []
        self.picking_up: list[tuple[float, float]] = []
        self._plant = plant
        self._rom_m = rom_m
        self._before = plant.phase
        self._t_s: list[float] = []
        self._v: list[float] = []
        self._x: list[float] = []

    def record(self, event: Event, outputs: tuple[Output, ...]) -> None:
        """Take in the samples of a frame."""
        del outputs
        if not isinstance(event, Samples) or event.velocity_m_s[0] is None:
            return
        self._t_s += [t * 1e-6 for t in event.t_us]
        self._v += event.velocity_m_s[0]
        self._x += event.position_m[0]
        now_s, phase = self._t_s[-1], self._plant.phase
        if phase is not self._before:
            if phase is Phase.CONCENTRIC:
                self.attempts.append(_Attempt(now_s, self._x[-1]))
            elif self._before is Phase.CONCENTRIC:
                self._left(self.attempts[-1], now_s, phase)
            elif phase is Phase.PICKING_UP:
                self.picking_up.append((now_s, 1e9))
            if self._before is Phase.PICKING_UP and self.picking_up:
                self.picking_up[-1] = (self.picking_up[-1][0], now_s)
            self._before = phase

    def _left(self, attempt: _Attempt, now_s: float, phase: Phase) -> None:
        attempt.left_s = now_s
        attempt.completed, attempt.failed = phase is Phase.TOP, phase is Phase.FAILED
        attempt.ended_s = self._ended_s(attempt)

    def close(self, end_s: float) -> None:
        """The set is over; an ascent may be under way."""
        if self.attempts and self.attempts[-1].left_s == 0.0:
            self.attempts[-1].left_s = end_s
            self.attempts[-1].ended_s = self._ended_s(self.attempts[-1])

    def _ended_s(self, attempt: _Attempt) -> float | None:
        """When the handle was last fast before it stood still or the lifter gave up; ``None``: completed."""
        first, last = bisect_left(self._t_s, attempt.began_s), bisect_left(self._t_s, attempt.left_s)
        if last - first < SMOOTHED:
            return attempt.began_s if attempt.failed else None
        smooth = np.convolve(self._v[first:last], np.full(SMOOTHED, 1.0 / SMOOTHED), "same")
        moved_s, high_m = attempt.began_s, attempt.bottom_m + UNDER_THE_TOP * self._rom_m
        for k, v in enumerate(smooth):
            t_s = self._t_s[first + k]
            if v > STILL_M_S or t_s < attempt.began_s + BEGUN_S or self._x[first + k] > high_m:
                moved_s = t_s
            elif t_s - moved_s > STANDS_S:
                return moved_s
        return moved_s if attempt.failed else None


def bench_press_set(part: float, seed: np.random.SeedSequence) -> tuple[Judgement, list[str]]:
    """Run one set at this fraction of the 1RM; returns the judgement and a line for each decision.

    Args:
        part: load over 1RM.
        seed: of the lifter's and the sensors' noise.
    """
    lifter = exercise("bench_press").mean_lifter()
    of_lifter, of_loop = seed.spawn(2)
    sensors = SensorParameters(clock_drift_ppm=0.0, clock_start_s=0.0)
    plant = Plant(RIG, lifter, np.random.default_rng(of_lifter), step_for(sensors.sample_rate_hz))
    observer = _Observer(plant, lifter.rom_m)
    order = prescription_at(part)
    outcome = run_set(order, lifter, seed=of_loop, sensors=sensors, plant=plant, recorder=observer.record)
    lines = [_line(decision) for decision in outcome.decisions]
    lines += [f"truth: {attempt}" for attempt in observer.attempts]
    return _judged(outcome, observer, f"{100 * part:.0f} % of 1RM"), lines


def _line(decision: Decision) -> str:
    return (
        f"{decision.now_us * 1e-6:7.3f} s  {decision.action} {decision.reason.value}: "
        f"{[round(n) for n in decision.from_n]} to {[round(n) for n in decision.to_n]} N, counted {decision.repetition}"
    )


def _judged(outcome: SimulatedSet, observer: _Observer, cause: str) -> Judgement:
    verdict = Judgement(healthy=False)
    ends = [d for d in outcome.decisions if d.action == "end"]
    end_s = ends[0].now_us * 1e-6 if ends else outcome.simulated_s
    observer.close(end_s)
    attempts = [one for one in observer.attempts if one.began_s < end_s]
    stalls = [d for d in outcome.decisions if d.reason in STALLS or d.reason in STALL_ENDINGS]
    stalls = [d for d in stalls if not any(a <= d.now_us * 1e-6 <= b for a, b in observer.picking_up)]
    for number, attempt in enumerate(attempts):
        after_s = attempts[number + 1].began_s if number + 1 < len(attempts) else 1e9
        seen = [d for d in stalls if attempt.began_s <= d.now_us * 1e-6 < after_s]
        which = "the first ascent" if number == 0 else "a later ascent"
        _judge_attempt(verdict, attempt, seen, f"{which}, {cause}")
    first_s = attempts[0].began_s if attempts else 1e9
    verdict.false_drops += [f"{d.reason.value} before any ascent" for d in stalls if d.now_us * 1e-6 < first_s]
    verdict.never = verdict.failures > 0 and not verdict.seen_after_s
    _count(verdict, outcome, [one.left_s for one in attempts if one.completed], end_s)
    return verdict


def _judge_attempt(verdict: Judgement, attempt: _Attempt, seen: list[Decision], cause: str) -> None:
    at_s = [d.now_us * 1e-6 for d in seen]
    if attempt.completed and attempt.ended_s is None:
        verdict.false_drops += [
            f"{d.reason.value} after an ascent that came through" for d in seen if d.now_us * 1e-6 > attempt.left_s
        ]
        at_s = [at for at in at_s if at <= attempt.left_s]
    if at_s:
        verdict.failure_seen(0.0 if attempt.ended_s is None else at_s[0] - attempt.ended_s)
    elif attempt.ended_s is not None and not attempt.completed:
        verdict.failure_missed(cause)


def _count(verdict: Judgement, outcome: SimulatedSet, tops_s: list[float], end_s: float) -> None:
    result = outcome.result
    least, most = (sum(at < end_s + margin for at in tops_s) for margin in (-COUNT_TOLERANCE_S, COUNT_TOLERANCE_S))
    verdict.completed = sum(at <= end_s for at in tops_s)
    verdict.counted = None if result is None else result.repetitions
    verdict.wrong_count = result is None or not least <= result.repetitions <= most
    verdict.reason = "none" if result is None else result.reason.value
    enough = verdict.reason == Reason.REPETITIONS_DONE.value and most >= MOST_REPETITIONS
    verdict.wrong_end = not enough and verdict.reason not in RIGHT_ENDS
    verdict.breaches = [f"invariant {b.invariant}: {b.detail}" for b in outcome.violations]
