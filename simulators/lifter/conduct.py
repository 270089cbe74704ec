"""How a person goes through a set: phases, goals and giving in, from what is felt and seen. No muscle is known here.

The compiled lifter has these switches in its own loop (`behaviour`); this is the form for every other structure.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Final

import numpy as np

from ebbset.simulators.lifter.habits import Habits
from ebbset.simulators.lifter.layout import Phase

_ARRIVED_M: Final = 0.008
_LOADED_N: Final = 8.0
_UNLOADED_SHARE: Final = 0.25
_SETTLE_S: Final = 0.25
_SETTLED_SHARE: Final = 0.03
_FELT_S: Final = 0.25
_FELT_SLOW_S: Final = 0.4
_NOISE_S: Final = 0.3
_JERK_RAD_S: Final = 2.0 * math.pi * 4.0
_JERK_BELOW_M_S: Final = 0.15
_WAITS_S: Final = 60.0
_PICKS_UP_S: Final = 10.0
"""A handle that is not up after so long is left where it is: the load came too early and is too great."""


class Conduct:
    """One set of one person.

    Args:
        habits: what the person is used to.
        bottom_m: of the movement, m.
        rom_m: whole range, m.

    Attributes:
        phase: what the person is doing.
        goal_m: where the hands want to be.
        limit_m_s: how fast they go there at most.
        gain: effort over what was meant: fluctuation, jerk, learning.
        felt_n: load per cable as it is felt, with a lag of a quarter of a second.
    """

    def __init__(self, habits: Habits, bottom_m: float, rom_m: float) -> None:
        self.habits = habits
        self.phase = Phase.REST
        self.goal_m = 0.0
        self.limit_m_s = habits.handling_m_s
        self.gain = 1.0
        self.felt_n = 0.0
        self._bottom_m, self._rom_m = bottom_m, rom_m
        self._low_m = self._top_m = bottom_m
        self._reference_n = self._slow_n = 0.0
        self._in_phase_s = self._settled_s = self._unloaded_s = self._stuck_s = 0.0
        self._pause_s = self._noise = self._of_repetition = self._jerk_phase = 0.0
        self._hold_at_m = math.inf
        self._hold_left_s = 0.0
        self._repetitions = self._retries = 0
        self._talked = False

    def begin(self) -> None:
        """Pick the handle up; counts start again, and the person knows nothing of the load yet."""
        self.__init__(self.habits, self._bottom_m, self._rom_m)  # type: ignore[misc]
        self._enter(Phase.PICKING_UP, self._bottom_m, self.habits.handling_m_s)

    def decide(
        self,
        dt_s: float,
        position_m: Sequence[float],
        velocity_m_s: Sequence[float],
        tension_n: Sequence[float],
        capacity: float,
        rng: np.random.Generator,
    ) -> None:
        """What to do in the coming step.

        Args:
            dt_s: its length.
            position_m: of each handle.
            velocity_m_s: of each handle.
            tension_n: pull of each cable.
            capacity: share of fresh strength left; the tired pause longer and cut more short.
            rng: source of every random number.
        """
        n = len(position_m)
        x, v = sum(position_m) / n, sum(velocity_m_s) / n
        self._in_phase_s += dt_s
        self._feel(dt_s, sum(tension_n) / n, v, rng)
        if self._unloaded_s > self.habits.reaction_s and self.phase is not Phase.PUTTING_DOWN:
            self._put_down()
        elif self.phase is Phase.CONCENTRIC:
            self._ascend(dt_s, position_m, velocity_m_s, capacity, rng)
        elif self.phase is Phase.BOTTOM:
            self._wait_at_bottom(capacity, rng)
        elif self.phase in (Phase.TOP, Phase.TALKING):
            if self._in_phase_s > self._pause_s:
                self._draw_bottom(rng)
                self._enter(Phase.ECCENTRIC, self._low_m, self.habits.eccentric_m_s / self._varied(rng))
        elif self.phase in (Phase.PICKING_UP, Phase.ECCENTRIC):
            self._go_to_bottom(x, capacity, rng)
        elif self.phase is Phase.FAILED:
            self._after_failure(x, capacity, rng)
        elif self.phase is Phase.PUTTING_DOWN and x < 0.004:
            self.phase = Phase.REST

    def _go_to_bottom(self, x: float, capacity: float, rng: np.random.Generator) -> None:
        if abs(x - self._low_m) < _ARRIVED_M or (self.phase is Phase.ECCENTRIC and x < self._low_m):
            self._to_bottom(capacity, rng)
        elif self.phase is Phase.PICKING_UP and self._in_phase_s > _PICKS_UP_S:
            self._put_down()

    def _enter(self, phase: Phase, goal_m: float, limit_m_s: float) -> None:
        self.phase, self.goal_m, self.limit_m_s = phase, goal_m, limit_m_s
        self._in_phase_s = self._unloaded_s = 0.0

    def _varied(self, rng: np.random.Generator) -> float:
        return math.exp(self.habits.spread * rng.standard_normal())

    def _tired(self, pause_s: float, capacity: float, rng: np.random.Generator) -> float:
        return pause_s * (1.0 + self.habits.pause_growth * (1.0 - capacity)) * self._varied(rng)

    def _draw_bottom(self, rng: np.random.Generator) -> None:
        off = self.habits.bottom_sd_m * float(np.clip(rng.standard_normal(), -2.0, 2.0))
        self._low_m = max(self._bottom_m + off, 0.3 * self._bottom_m)

    def _to_bottom(self, capacity: float, rng: np.random.Generator) -> None:
        self._pause_s = self._tired(self.habits.pause_bottom_s, capacity, rng)
        self._enter(Phase.BOTTOM, self._low_m, self.habits.handling_m_s)

    def _put_down(self) -> None:
        self._enter(Phase.PUTTING_DOWN, 0.0, self.habits.handling_m_s)

    def _wait_at_bottom(self, capacity: float, rng: np.random.Generator) -> None:
        if self._in_phase_s > _WAITS_S or (self.habits.stops_after and self._repetitions >= self.habits.stops_after):
            self._put_down()
        elif self.felt_n > _LOADED_N and self._settled_s > _SETTLE_S and self._in_phase_s > self._pause_s:
            self._start_ascent(capacity, rng)

    def _start_ascent(self, capacity: float, rng: np.random.Generator) -> None:
        habits = self.habits
        self._reference_n = self.felt_n
        self._stuck_s = 0.0
        self._of_repetition = habits.repetition_noise_cv * float(rng.standard_normal())
        self._jerk_phase = 2.0 * math.pi * float(rng.random())
        short = min(habits.partial * (1.0 - capacity) * float(rng.random()), 0.6)
        longer = habits.range_cv * float(np.clip(rng.standard_normal(), -2.0, 2.0))
        self._top_m = self._bottom_m + self._rom_m * (1.0 - short + min(longer, 0.02))
        self._hold_at_m = math.inf
        if rng.random() < habits.hold_chance:
            self._hold_at_m = self._bottom_m + self._rom_m * float(rng.uniform(0.15, 0.75))
            self._hold_left_s = habits.hold_s * float(rng.uniform(0.5, 1.5))
        self._enter(Phase.CONCENTRIC, self._top_m, habits.concentric_m_s / self._varied(rng))

    def _ascend(
        self,
        dt_s: float,
        position_m: Sequence[float],
        velocity_m_s: Sequence[float],
        capacity: float,
        rng: np.random.Generator,
    ) -> None:
        habits = self.habits
        if self._holding(dt_s, sum(position_m) / len(position_m)):
            return
        all_up, stuck, fallen = True, False, False
        for x, v in zip(position_m, velocity_m_s, strict=True):
            left_m, slow = self._top_m - x, v < habits.grind_m_s
            if left_m > _ARRIVED_M and not (slow and left_m < 0.05 * self._rom_m):
                all_up = False
                stuck = stuck or slow
                fallen = fallen or x < self._low_m - 0.03
        if all_up:
            self._come_through(capacity, rng)
            return
        self._stuck_s = self._stuck_s + dt_s if stuck else max(self._stuck_s - 2.0 * dt_s, 0.0)
        if self._stuck_s > habits.patience_s or fallen:
            if habits.give_in == "lets_go":
                self.phase = Phase.RELEASED
            else:
                self._pause_s = -1.0
                self._enter(Phase.FAILED, self._low_m, habits.handling_m_s)

    def _holding(self, dt_s: float, x: float) -> bool:
        """A hold on purpose in mid-ascent."""
        if x < self._hold_at_m:
            return False
        self.goal_m = self._hold_at_m
        self._hold_left_s -= dt_s
        if self._hold_left_s <= 0.0:
            self._hold_at_m = math.inf
            self.goal_m = self._top_m
            return False
        return True

    def _come_through(self, capacity: float, rng: np.random.Generator) -> None:
        self._repetitions += 1
        self._retries = 0
        talks = 0 < self.habits.talk_after <= self._repetitions and not self._talked
        self._talked = self._talked or talks
        self._pause_s = self.habits.talk_s if talks else self._tired(self.habits.pause_top_s, capacity, rng)
        self._enter(Phase.TALKING if talks else Phase.TOP, self._top_m, self.habits.handling_m_s)

    def _after_failure(self, x: float, capacity: float, rng: np.random.Generator) -> None:
        """Lower the load to the bottom, then go on with a lighter one, try the same again, or put the handle down."""
        habits = self.habits
        if self._pause_s < 0.0:
            if x - self._low_m < _ARRIVED_M:
                self._pause_s = self._in_phase_s
            return
        if self.felt_n < habits.retry_ratio * self._reference_n and self._settled_s > _SETTLE_S:
            self._retries = 0
            self._to_bottom(capacity, rng)
        elif self._in_phase_s - self._pause_s > habits.retry_wait_s:
            if self._retries < habits.retries:
                self._retries += 1
                self._to_bottom(capacity, rng)
            else:
                self._put_down()

    def _feel(self, dt_s: float, tension_n: float, v: float, rng: np.random.Generator) -> None:
        """Sense of the load (settled or changing, gone or not) and the fluctuation of effort."""
        habits = self.habits
        self.felt_n += (tension_n - self.felt_n) * dt_s / _FELT_S
        felt = self.felt_n
        self._slow_n += (felt - self._slow_n) * dt_s / _FELT_SLOW_S
        self._settled_s = self._settled_s + dt_s if abs(felt - self._slow_n) < _SETTLED_SHARE * felt else 0.0
        gone = self._reference_n > 0.0 and felt < max(_LOADED_N, _UNLOADED_SHARE * self._reference_n)
        self._unloaded_s = self._unloaded_s + dt_s if gone else 0.0
        gain = 1.0 + self._of_repetition - habits.learning * math.exp(-0.7 * self._repetitions)
        if habits.noise_cv > 0.0:
            self._noise += -self._noise * dt_s / _NOISE_S + math.sqrt(2.0 * dt_s / _NOISE_S) * rng.standard_normal()
            gain += habits.noise_cv * self._noise
        if habits.jerk > 0.0 and self.phase is Phase.CONCENTRIC:
            calm = max(v / _JERK_BELOW_M_S, 0.0)
            swing = math.sin(_JERK_RAD_S * self._in_phase_s + self._jerk_phase)
            gain += habits.jerk * swing / (1.0 + calm * calm)
        self.gain = gain
