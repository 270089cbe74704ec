"""A lifter with habits and some muscle: the part that turns a wish to move into a pull, for any law of force.

A structure says how hard it can pull at a place and speed and how it tires; conduct, reflexes, sides and the rise of
force are here.
"""

from __future__ import annotations

from abc import abstractmethod
from collections.abc import Sequence
from typing import Final, Self

import numpy as np

from ebbset.simulators.lifter import layout as lay
from ebbset.simulators.lifter.conduct import Conduct
from ebbset.simulators.lifter.habits import FULL_EFFORT, Habits
from ebbset.simulators.lifter.layout import Phase
from ebbset.simulators.lifter.planning import planned_velocity_m_s
from ebbset.simulators.lifter.protocol import LifterBase

DEVELOP_PER_S: Final = 20.0
"""Rate at which force follows effort: 63 % within 50 ms (from memory, order of magnitude)."""
_LEAST_SHARE: Final = 0.1


class MuscleLifter(LifterBase):
    """Somebody with habits; `greatest_pull_n` and `tire` make the structure.

    Args:
        exercise: name.
        bottom_m: cable paid out at the bottom, m.
        rom_m: range of motion, m.
        moving_mass_kg: of the limbs, kg.
        rng: source of every random number.
        habits: how the repetitions are done.
        asymmetry: (left - right) / (left + right) strength with two cables; the first cable is left.
    """

    def __init__(
        self,
        exercise: str,
        *,
        bottom_m: float,
        rom_m: float,
        moving_mass_kg: float,
        rng: np.random.Generator,
        habits: Habits,
        asymmetry: float = 0.0,
    ) -> None:
        super().__init__(exercise, bottom_m=bottom_m, rom_m=rom_m, moving_mass_kg=moving_mass_kg, rng=rng)
        self.conduct = Conduct(habits, bottom_m, rom_m)
        self._asymmetry = asymmetry
        self._shares: tuple[float, ...] = (1.0,)
        self._effort: list[float] = [0.0]
        self._brake: list[float] = [0.0]

    @abstractmethod
    def greatest_pull_n(self, share: float, velocity_m_s: float) -> float:
        """Pull of both sides together with all effort, tired as they are now.

        Args:
            share: place in the range, 0 at the bottom, 1 at the top; somewhat outside too.
            velocity_m_s: of the handle; negative while it lengthens.
        """

    @abstractmethod
    def tire(self, dt_s: float, effort: float, share: float, velocity_m_s: float) -> None:
        """Live through a step.

        Args:
            dt_s: its length.
            effort: 0 to 1, mean of the sides.
            share: place in the range.
            velocity_m_s: of the handle.
        """

    def begin(self, cables: int) -> None:
        """Take the handle out of the dock.

        Args:
            cables: 1 or 2.
        """
        a = self._asymmetry
        self._shares = (1.0,) if cables == 1 else (0.5 * (1.0 + a), 0.5 * (1.0 - a))
        self._effort, self._brake = [0.0] * cables, [0.0] * cables
        self.conduct.begin()
        self.phase = self.conduct.phase

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
        conduct = self.conduct
        conduct.decide(dt_s, position_m, velocity_m_s, tension_n, self.capacity(), self.rng)
        self.phase = conduct.phase
        pulls: list[float] = []
        rise = min(DEVELOP_PER_S * dt_s, 1.0)
        for i, (x, v) in enumerate(zip(position_m, velocity_m_s, strict=True)):
            place = (x - self.bottom_m) / self.rom_m
            plan = planned_velocity_m_s(conduct.goal_m - x, conduct.limit_m_s, conduct.habits.braking_m_s2)
            still = self._shares[i] * self.greatest_pull_n(place, 0.0)
            at_plan = max(self._shares[i] * self.greatest_pull_n(place, plan), _LEAST_SHARE * still)
            wanted = conduct.felt_n / at_plan + lay.VELOCITY_GAIN_S_M * (plan - v)
            self._effort[i] += (min(max(wanted, 0.0), 1.0) - self._effort[i]) * rise
            self._brake[i] += (min(max(-wanted, 0.0), 1.0) - self._brake[i]) * rise
            pull = conduct.gain * self._effort[i] * self._shares[i] * self.greatest_pull_n(place, v)
            pulls.append(pull - lay.ANTAGONIST_SHARE * still * self._brake[i] - self._joint_limit_n(x, v))
        n = len(pulls)
        where = (sum(position_m) / n - self.bottom_m) / self.rom_m
        self.tire(dt_s, sum(self._effort) / n, where, sum(velocity_m_s) / n)
        return pulls

    def at_full_effort(self) -> Self:
        """A copy that neither fluctuates nor pauses nor holds back."""
        other = self.copy()
        other.conduct = Conduct(FULL_EFFORT, self.bottom_m, self.rom_m)
        other.phase = Phase.REST
        return other

    def _joint_limit_n(self, x: float, v: float) -> float:
        """A straight arm stops the hand."""
        over_m = x - (self.bottom_m + 1.02 * self.rom_m + lay.JOINT_LIMIT_MARGIN_M)
        return max(lay.JOINT_LIMIT_N_M * over_m + lay.JOINT_LIMIT_N_S_M * v, 0.0) if over_m > 0.0 else 0.0
