"""A lifter who is a straight line: force against velocity, lower by a fixed loss with every repetition.

No muscle tires while it works. The line stands still within a repetition and falls when one is over, by more when it
failed; rest brings it back with one half-time. Such people are met where only the mean velocity of repetitions is
looked at.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final, Self

import numpy as np

from ebbset.simulators.lifter.habits import Habits, draw_habits
from ebbset.simulators.lifter.layout import Phase
from ebbset.simulators.lifter.muscle_lifter import MuscleLifter
from ebbset.simulators.structures.movements import Movement, draw_movement

_LEAST_LEFT: Final = 0.2
_USUAL_SHARE: Final = 0.75
"""The loss is given for repetitions at this share of the isometric force."""


@dataclass(frozen=True, slots=True, kw_only=True)
class PersonalLine:
    """Figures of one person.

    Attributes:
        intercept_n: force at standstill in the middle of the range, N, both sides.
        velocity_intercept_m_s: speed without any load, m/s.
        lengthening: greatest force while lengthening over that at standstill.
        tilt: by how much of itself strength rises over the range; negative falls.
        stick_depth: of the sticking region, share of strength; 0 is none.
        stick_at: its place, share of the range.
        stick_width: its width, share of the range.
        loss: of the intercept by a repetition at three quarters of it, as a share of the fresh one.
        load_power: the loss grows with load to this power.
        speed_loss: loss of the velocity intercept over that of the force intercept.
        failure_cost: loss by a repetition that failed over that by one that came through.
        half_time_s: of recovery, s.
    """

    intercept_n: float
    velocity_intercept_m_s: float
    lengthening: float
    tilt: float
    stick_depth: float
    stick_at: float
    stick_width: float
    loss: float
    load_power: float
    speed_loss: float
    failure_cost: float
    half_time_s: float


class VelocityLine(MuscleLifter):
    """Somebody on a force-velocity line.

    Args:
        movement: what is lifted.
        line: figures of the person.
        habits: how the repetitions are done.
        asymmetry: (left - right) / (left + right).
        rng: source of every random number.
    """

    def __init__(
        self, movement: Movement, line: PersonalLine, *, habits: Habits, asymmetry: float, rng: np.random.Generator
    ) -> None:
        super().__init__(
            movement.exercise,
            bottom_m=movement.bottom_m,
            rom_m=movement.rom_m,
            moving_mass_kg=movement.moving_mass_kg,
            rng=rng,
            habits=habits,
            asymmetry=asymmetry,
        )
        self.line = line
        self._left = 1.0
        self._lifting = False
        self._impulse_n_s = self._ascent_s = 0.0

    def begin(self, cables: int) -> None:
        """Take the handle out of the dock.

        Args:
            cables: 1 or 2.
        """
        super().begin(cables)
        self._lifting = False
        self._impulse_n_s = self._ascent_s = 0.0

    def capacity(self) -> float:
        """Intercept now over the fresh one."""
        return self._left

    def greatest_pull_n(self, share: float, velocity_m_s: float) -> float:
        """The line at a place.

        Args:
            share: of the range.
            velocity_m_s: of the handle.
        """
        line = self.line
        off = (share - line.stick_at) / line.stick_width
        place = 1.0 + line.tilt * (min(max(share, -0.1), 1.1) - 0.5)
        if line.stick_depth > 0.0:
            place *= 1.0 - line.stick_depth * math.exp(-off * off)
        u = velocity_m_s / (line.velocity_intercept_m_s * (1.0 - line.speed_loss * (1.0 - self._left)))
        law = max(1.0 - u, 0.0) if u > 0.0 else min(1.0 - u, line.lengthening)
        return line.intercept_n * self._left * place * law

    def tire(self, dt_s: float, effort: float, share: float, velocity_m_s: float) -> None:
        """Nothing within a repetition; its cost when it is over.

        Args:
            dt_s: length of the step.
            effort: 0 to 1.
            share: of the range.
            velocity_m_s: of the handle.
        """
        if self.phase is Phase.CONCENTRIC:
            self._lifting = True
            self._impulse_n_s += effort * max(self.greatest_pull_n(share, velocity_m_s), 0.0) * dt_s
            self._ascent_s += dt_s
        elif self._lifting:
            line = self.line
            mean = self._impulse_n_s / (self._ascent_s * line.intercept_n)
            cost = line.loss * (mean / _USUAL_SHARE) ** line.load_power
            if self.phase in (Phase.FAILED, Phase.RELEASED):
                cost *= line.failure_cost
            self._left = max(self._left - cost, _LEAST_LEFT)
            self._lifting = False
            self._impulse_n_s = self._ascent_s = 0.0

    def rest(self, duration_s: float) -> None:
        """The line comes back.

        Args:
            duration_s: for so long.
        """
        self._left = 1.0 - (1.0 - self._left) * 0.5 ** (duration_s / self.line.half_time_s)

    def at_full_effort(self) -> Self:
        """Rested, with all effort and without fluctuations."""
        other = super().at_full_effort()
        other.rest(math.inf)
        return other


def draw(exercise: str | None, rng: np.random.Generator) -> VelocityLine:
    """One person of this family.

    Args:
        exercise: name; None: the family draws one.
        rng: source of every random number.
    """
    movement = draw_movement(exercise, rng)
    stick_depth = 0.0 if rng.random() < 0.25 else float(rng.uniform(0.03, 0.35))
    tilt = float(rng.uniform(-0.25, 0.25))
    # The intercept of the published line lies above the 1RM by the velocity that is left there. The weakest place
    # decides what comes through, so the middle is stronger than it; what remains sets the velocity at the 1RM.
    over = movement.velocity_at_1rm_m_s / movement.slope_m_s
    line = PersonalLine(
        intercept_n=movement.one_rm_n * (1.0 + over),
        velocity_intercept_m_s=movement.slope_m_s * (1.0 + over),
        lengthening=float(rng.uniform(1.15, 1.6)),
        tilt=tilt,
        stick_depth=stick_depth,
        stick_at=float(rng.uniform(0.15, 0.70)),
        stick_width=float(rng.uniform(0.08, 0.25)),
        loss=0.03 * float(np.exp(0.25 * np.clip(rng.standard_normal(), -2.0, 2.0))),
        load_power=float(rng.uniform(0.0, 1.0)),
        speed_loss=float(rng.uniform(0.3, 1.2)),
        failure_cost=float(rng.uniform(1.2, 3.0)),
        half_time_s=45.0 * float(np.exp(0.4 * np.clip(rng.standard_normal(), -2.0, 2.0))),
    )
    return VelocityLine(
        movement, line, habits=draw_habits(rng), asymmetry=float(np.clip(rng.normal(0.0, 0.04), -0.12, 0.12)), rng=rng
    )
