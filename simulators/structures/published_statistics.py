"""A lifter made of published statistics only: velocities, repetitions and times of people, and no mechanics.

The handle is led along the profile of velocity that people have at this load, as tired as they are, by a stiff servo.
Where statistics say that the repetition fails, it stops in the sticking region. They count repetitions, so whether one
fails is settled when it begins, and again when the load has become less while it stands; in between nobody creeps up on
the fluctuations of a pull. No law of muscle is in here, so nothing that a controller could have learned about muscles
helps with these people.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Final, Self

import numpy as np

from ebbset.models.contract.units import STANDARD_GRAVITY_M_S2
from ebbset.simulators.lifter.conduct import Conduct
from ebbset.simulators.lifter.habits import FULL_EFFORT, Habits, draw_habits
from ebbset.simulators.lifter.layout import Phase
from ebbset.simulators.lifter.planning import planned_velocity_m_s
from ebbset.simulators.lifter.protocol import LifterBase
from ebbset.simulators.structures.movements import Movement, draw_movement, varied
from ebbset.simulators.structures.published_relations import Statistics, draw_statistics

_LEAST_LEFT: Final = 0.2
_FOLLOW_S: Final = 0.02
"""The servo takes up a difference of velocity within about this time."""
_STABLE: Final = 0.5
"""Its gain at most, as a share of limb mass over step."""
_FELT_S: Final = 0.03
_FAILS_OVER: Final = 0.15
"""So far above what is left, as a share of it, a load does not leave the bottom at all; in between it stops lower."""
_PAST_TROUGH: Final = 0.1
_STANDS_M_S: Final = 0.03
_STANDS_S: Final = 0.1
"""A hand that is slower for so long feels the load alone: none of its pull speeds anything up or slows it down."""
_LESS: Final = 0.04
"""A load that feels less by this share of it is another load; friction of a rig changes what is felt by less."""
_HOLD_BACK: Final = 0.4


@dataclass(frozen=True, slots=True, kw_only=True)
class Fatigue:
    """How one person loses and regains capacity.

    Attributes:
        failure_cost: loss by an attempt that failed over that by a repetition.
        long_s: an ascent that lasts longer counts for more than one repetition.
        fast_share: share of a loss that comes back fast.
        fast_half_time_s: of that, s.
        slow_half_time_s: of the rest, s.
    """

    failure_cost: float
    long_s: float
    fast_share: float
    fast_half_time_s: float
    slow_half_time_s: float


class PublishedLifter(LifterBase):
    """Somebody who does what was counted on people.

    Args:
        movement: what is lifted.
        statistics: of the person.
        fatigue: of the person.
        habits: how the repetitions are done.
        asymmetry: (left - right) / (left + right).
        rng: source of every random number.
    """

    def __init__(
        self,
        movement: Movement,
        statistics: Statistics,
        fatigue: Fatigue,
        *,
        habits: Habits,
        asymmetry: float,
        rng: np.random.Generator,
    ) -> None:
        super().__init__(
            movement.exercise,
            bottom_m=movement.bottom_m,
            rom_m=movement.rom_m,
            moving_mass_kg=movement.moving_mass_kg,
            rng=rng,
        )
        self.statistics = statistics
        self.fatigue = fatigue
        self.conduct = Conduct(habits, movement.bottom_m, movement.rom_m)
        self._asymmetry = asymmetry
        self._lost_fast = self._lost_slow = 0.0
        self._one_rm_n: tuple[float, ...] = (statistics.one_rm_n,)
        self._set_out(1)

    def _set_out(self, cables: int) -> None:
        self._felt_n = [0.0] * cables
        self._going_m_s = [0.0] * cables
        self._over = [0.0] * cables
        self._judged_n = [0.0] * cables
        self._stood_s = [0.0] * cables
        self._failure_factor = 1.0
        self._ascent_s = self._load_s = 0.0

    def begin(self, cables: int) -> None:
        """Take the handle out of the dock.

        Args:
            cables: 1 or 2.
        """
        one_rm, a = self.statistics.one_rm_n, self._asymmetry
        self._one_rm_n = (one_rm,) if cables == 1 else (0.5 * (1.0 + a) * one_rm, 0.5 * (1.0 - a) * one_rm)
        self._set_out(cables)
        self.conduct.begin()
        self.phase = self.conduct.phase

    def capacity(self) -> float:
        """Load that could be lifted once now over the fresh 1RM: repetitions left, turned by the published relation."""
        return max(1.0 - self._lost_fast - self._lost_slow, _LEAST_LEFT)

    def step(
        self, dt_s: float, position_m: Sequence[float], velocity_m_s: Sequence[float], tension_n: Sequence[float]
    ) -> Sequence[float]:
        """Live through the coming step and say how hard the hands pull.

        Args:
            dt_s: its length.
            position_m: of each handle.
            velocity_m_s: of each handle.
            tension_n: pull of each cable.
        """
        conduct, n = self.conduct, len(position_m)
        capacity = self.capacity()
        before = self.phase
        conduct.decide(dt_s, position_m, velocity_m_s, tension_n, capacity, self.rng)
        self.phase = conduct.phase
        self._count(dt_s, before)
        if self.phase is Phase.CONCENTRIC:
            if before is not Phase.CONCENTRIC:
                self._judge(range(n), [conduct.felt_n] * n, capacity)
            self._feel_for_less(dt_s, velocity_m_s, capacity)
        limb_kg = self.moving_mass_kg / n + 0.1
        pulls: list[float] = []
        for i, (x, v, tension) in enumerate(zip(position_m, velocity_m_s, tension_n, strict=True)):
            self._felt_n[i] += (tension - self._felt_n[i]) * min(dt_s / _FELT_S, 1.0)
            plan = self._planned_m_s(i, x, capacity)
            most = conduct.habits.braking_m_s2 * dt_s
            self._going_m_s[i] += min(max(plan - self._going_m_s[i], -most), most)
            moved_kg = limb_kg + self._felt_n[i] / STANDARD_GRAVITY_M_S2
            gain = min(moved_kg / _FOLLOW_S, _STABLE * limb_kg / dt_s)
            strongest = self.statistics.lengthening * capacity * self._one_rm_n[i]
            pull = self._felt_n[i] + gain * (self._going_m_s[i] - v)
            pulls.append(min(max(pull, -_HOLD_BACK * self._one_rm_n[i]), strongest))
        return pulls

    def _planned_m_s(self, i: int, x: float, capacity: float) -> float:
        """Velocity that hand i goes for."""
        conduct = self.conduct
        habits = conduct.habits
        plan = planned_velocity_m_s(conduct.goal_m - x, conduct.limit_m_s, habits.braking_m_s2)
        if self.phase is not Phase.CONCENTRIC:
            return plan
        load = max(self._load(i, conduct.felt_n), 1e-3)
        share = (x - self.bottom_m) / self.rom_m
        mean = self.statistics.mean_velocity_m_s(load, capacity, self._failure_factor)
        plan = min(plan, mean / self.statistics.pace(share, load, capacity))
        over = self._over[i]
        if over <= 0.0:
            return plan
        trough = self.statistics.trough_at
        if share > trough + _PAST_TROUGH:
            return plan if over < _FAILS_OVER else min(plan, 0.0)
        stop_m = self.bottom_m + self.rom_m * trough * max(1.0 - over / _FAILS_OVER, 0.0)
        return min(plan, planned_velocity_m_s(stop_m - x, mean, habits.braking_m_s2))

    def _load(self, i: int, felt_n: float) -> float:
        """Load on hand i as a share of its fresh 1RM, with the effort of this moment."""
        return felt_n / (self._one_rm_n[i] * max(self.conduct.gain, 0.3))

    def _judge(self, hands: Iterable[int], felt_n: Sequence[float], capacity: float) -> None:
        """By how much the load is above what is left, which settles how far the repetition gets."""
        for i in hands:
            self._over[i] = self._load(i, felt_n[i]) / capacity - 1.0
            self._judged_n[i] = felt_n[i]
            self._stood_s[i] = 0.0

    def _feel_for_less(self, dt_s: float, velocity_m_s: Sequence[float], capacity: float) -> None:
        """A hand that is stuck goes on once its load has become less."""
        for i, v in enumerate(velocity_m_s):
            self._stood_s[i] = self._stood_s[i] + dt_s if abs(v) < _STANDS_M_S else 0.0
            if self._stood_s[i] > _STANDS_S and self._felt_n[i] < (1.0 - _LESS) * self._judged_n[i]:
                self._judge((i,), self._felt_n, capacity)

    def _count(self, dt_s: float, before: Phase) -> None:
        """What an ascent costs when it is over: one repetition off those that were left."""
        if self.phase is Phase.CONCENTRIC:
            if before is not Phase.CONCENTRIC:
                spread = 4.0 * self.conduct.habits.repetition_noise_cv
                self._failure_factor = math.exp(spread * float(self.rng.standard_normal()))
            self._ascent_s += dt_s
            self._load_s += dt_s * self.conduct.felt_n * len(self._one_rm_n) / self.statistics.one_rm_n
        elif before is Phase.CONCENTRIC:
            cost = self.statistics.cost_of_repetition(self._load_s / self._ascent_s)
            cost *= max(self._ascent_s / self.fatigue.long_s, 1.0)
            if self.phase in (Phase.FAILED, Phase.RELEASED):
                cost *= self.fatigue.failure_cost
            self.lose(cost)
            self._ascent_s = self._load_s = 0.0

    def lose(self, share: float) -> None:
        """Be weaker by so much.

        Args:
            share: of the fresh 1RM.
        """
        self._lost_fast += self.fatigue.fast_share * share
        self._lost_slow += (1.0 - self.fatigue.fast_share) * share

    def rest(self, duration_s: float) -> None:
        """Most of a loss comes back within a minute, the rest within several.

        Args:
            duration_s: for so long.
        """
        self._lost_fast *= 0.5 ** (duration_s / self.fatigue.fast_half_time_s)
        self._lost_slow *= 0.5 ** (duration_s / self.fatigue.slow_half_time_s)

    def at_full_effort(self) -> Self:
        """Rested, with all effort and without fluctuations."""
        other = self.copy()
        other.conduct = Conduct(FULL_EFFORT, self.bottom_m, self.rom_m)
        other.phase = Phase.REST
        other.rest(math.inf)
        return other


def draw(exercise: str | None, rng: np.random.Generator) -> PublishedLifter:
    """One person of this family.

    Args:
        exercise: name; None: the family draws one.
        rng: source of every random number.
    """
    movement = draw_movement(exercise, rng)
    fatigue = Fatigue(
        failure_cost=float(rng.uniform(1.0, 2.5)),
        long_s=float(rng.uniform(3.0, 6.0)),
        # Work of a second set after 1, 3 and 5 min is 0.81, 0.87 and 1 of that after 5 (Richmond & Godard 2004); half
        # of phosphocreatine is back after some 30 s. Spread: ours.
        fast_share=float(rng.uniform(0.6, 0.85)),
        fast_half_time_s=22.0 * varied(rng, 0.3),
        slow_half_time_s=200.0 * varied(rng, 0.3),
    )
    return PublishedLifter(
        movement,
        draw_statistics(movement, rng),
        fatigue,
        habits=draw_habits(rng),
        asymmetry=float(np.clip(rng.normal(0.0, 0.04), -0.12, 0.12)),
        rng=rng,
    )
