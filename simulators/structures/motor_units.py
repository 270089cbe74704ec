"""A pool of motor units: recruited by size, each tiring at its own rate while it fires and recovering while it rests.

Pool after Fuglevand AJ, Winter DA, Patla AE 1993 J Neurophysiol 70:2470-2488; fatigue of each unit after Potvin JR,
Fuglevand AJ 2017 PLoS Comput Biol 13:e1005581. Figures "read in the code" stand in the published program of the second
paper (github.com/JimPotvin/Potvin_Fuglevand_Muscle_Fatigue_Model); the form of the equations is from memory.

Shortening follows no hyperbola: the force of each unit falls exponentially with speed, and the speed at which it is
gone grows with the unit's size. A fresh pool is fast; when its large units are spent it is weak and slow.
"""

from __future__ import annotations

import math
from typing import Final, Self

import numpy as np
import numpy.typing as npt

from ebbset.simulators.lifter.compiled import compiled_apart
from ebbset.simulators.lifter.habits import Habits, draw_habits
from ebbset.simulators.lifter.muscle_lifter import MuscleLifter
from ebbset.simulators.structures.movements import Movement, draw_movement, varied
from ebbset.simulators.structures.strength_curves import StrengthCurve, draw_curve

FloatArray = npt.NDArray[np.float64]

UNITS: Final = 120
"""Read in the code."""
TWITCH_RANGE: Final = 100.0
"""Twitch force of the largest unit over the smallest (read in the code)."""
THRESHOLD_RANGE: Final = 50.0
"""Excitation at which the last unit comes in, over the first (read in the code; 30 or 50 there)."""
LEAST_RATE_HZ: Final = 8.0
PEAK_RATE_FIRST_HZ: Final = 35.0
PEAK_RATE_LAST_HZ: Final = 25.0
RATE_GAIN_HZ: Final = 1.0
"""Rise of the firing rate with excitation (all four read in the code)."""
SLOWEST_TWITCH_S: Final = 0.09
CONTRACTION_RANGE: Final = 3.0
"""Time to the peak of the twitch: longest, and longest over shortest (read in the code)."""
FATIGUE_PER_S: Final = 0.0225
FATIGUE_RANGE: Final = 180.0
"""Share of its force that the largest unit loses in a second of firing at its peak rate, and how many times more than
the smallest (read in the code; held efforts, in which about two thirds to a whole of what is found in the arm)."""
SLOWING: Final = 0.379
"""Relative rise of the contraction time for the force lost (read in the code, there after Shields et al. 1997)."""
HALF_RECOVERY_S: Final = 56.6
"""Of the largest unit: half-time of phosphocreatine (Bogdanis et al. 1995 J Physiol 482:467-480); that the units
recover as phosphocreatine does, and the small ones as much sooner as they contract more slowly, is ours."""

FATIGUE_SCALE: Final = 1.8
"""Moving sets tire faster than the held efforts that the rates were published for; set so that people of this kind do
about as many repetitions at 80 % of their 1RM as published charts say (8)."""

STILL_OVER_1RM: Final = 1.07
"""Greatest pull at standstill at the weakest place over the 1RM: a load that just stands still there isn't lifted. Set
so that the 1RM of people of this kind is about the one they were drawn for."""
FASTEST_OVER_LINE: Final = 2.4
"""Speed at which the fastest units give nothing over the mean velocity to which the published line leads without load:
a mean velocity has a start and an end from standstill in it. Set for the published velocity of the bench at 70 %."""

_ROWS: Final = 68
_UPDATE_S: Final = 0.01
_LINEAR_TO: Final = 0.4
_LINEAR_SLOPE: Final = (1.0 - math.exp(-2.0 * _LINEAR_TO**3)) / _LINEAR_TO


def _recruitment() -> FloatArray:
    """Share of its greatest force that each unit gives: a row for each excitation from 0 to the greatest."""
    size = np.arange(UNITS) / (UNITS - 1)
    threshold = THRESHOLD_RANGE**size
    peak_hz = PEAK_RATE_FIRST_HZ - (PEAK_RATE_FIRST_HZ - PEAK_RATE_LAST_HZ) * (threshold - 1.0) / (
        THRESHOLD_RANGE - 1.0
    )
    twitch_s = SLOWEST_TWITCH_S * CONTRACTION_RANGE**-size
    most = THRESHOLD_RANGE + (PEAK_RATE_LAST_HZ - LEAST_RATE_HZ) / RATE_GAIN_HZ
    excitation = np.linspace(0.0, most, _ROWS)[:, None]
    rate_hz = np.minimum(LEAST_RATE_HZ + RATE_GAIN_HZ * (excitation - threshold), peak_hz)
    gain = _fusion(twitch_s * rate_hz) / _fusion(twitch_s * peak_hz)
    return np.ascontiguousarray(np.where(excitation >= threshold, gain, 0.0))


def _fusion(twitches: FloatArray) -> FloatArray:
    """Force over the fused one at a firing rate in twitches per contraction time: linear, then a sigmoid."""
    return np.where(twitches < _LINEAR_TO, _LINEAR_SLOPE * twitches, 1.0 - np.exp(-2.0 * twitches**3))


_SIZE: Final = np.arange(UNITS) / (UNITS - 1)
_FORCE: Final = TWITCH_RANGE**_SIZE / np.sum(TWITCH_RANGE**_SIZE)
_SPEED: Final = CONTRACTION_RANGE ** (_SIZE - 1.0)
_FATIGUE: Final = FATIGUE_PER_S * FATIGUE_RANGE ** (_SIZE - 1.0)
_RECOVERY: Final = math.log(2.0) / HALF_RECOVERY_S * CONTRACTION_RANGE ** (1.0 - _SIZE)
_RECRUITED: Final = _recruitment()


@compiled_apart
def _pool_force(pool: FloatArray, velocity: float, curvature: float, plateau: float) -> float:
    """Force of all units at full drive over that of the fresh pool at standstill.

    Args:
        pool: float64, shape (2, units): force of each unit, speed at which it gives nothing.
        velocity: of shortening, in the unit of those speeds.
        curvature: how fast force falls with speed at first.
        plateau: greatest force in lengthening over that at standstill.
    """
    total = 0.0
    end = math.exp(-curvature)
    steep = curvature / ((1.0 - end) * (plateau - 1.0))
    for i in range(pool.shape[1]):
        u = velocity / pool[1, i]
        if u < 0.0:
            total += pool[0, i] * (1.0 + (plateau - 1.0) * (1.0 - math.exp(steep * u)))
        elif u < 1.0:
            total += pool[0, i] * (math.exp(-curvature * u) - end) / (1.0 - end)
    return total


@compiled_apart
def _live(pool: FloatArray, law: FloatArray, recruited: FloatArray, effort: float, dt_s: float, scale: float) -> float:
    """Let the units fire for a while; gives the force left, share of fresh.

    Args:
        pool: float64, shape (2, units): force and speed of each unit; changed.
        law: float64, shape (4, units): fresh force, fresh speed, fatigue per s, recovery per s.
        recruited: float64, shape (rows, units): share of its force that a unit gives, by excitation.
        effort: share of the present force of the pool that is wanted.
        dt_s: how long.
        scale: on fatigue.
    """
    units = pool.shape[1]
    present = 0.0
    for i in range(units):
        present += pool[0, i]
    wanted = min(effort, 1.0) * present
    low, high = 0, recruited.shape[0] - 1
    below, above = 0.0, present
    while high - low > 1:
        middle = (low + high) // 2
        force = 0.0
        for i in range(units):
            force += recruited[middle, i] * pool[0, i]
        if force <= wanted:
            low, below = middle, force
        else:
            high, above = middle, force
    between = (wanted - below) / (above - below) if above > below else 0.0
    left = 0.0
    for i in range(units):
        active = recruited[low, i] + between * (recruited[high, i] - recruited[low, i])
        share = pool[0, i] / law[0, i]
        share += dt_s * (law[3, i] * (1.0 - active) * (1.0 - share) - scale * law[2, i] * active * share)
        pool[0, i] = law[0, i] * share
        pool[1, i] = law[1, i] / (1.0 + SLOWING * (1.0 - share))
        left += pool[0, i]
    return left


class MotorUnitLifter(MuscleLifter):
    """Somebody whose muscles are one pool of motor units.

    Args:
        movement: what is lifted, how far, how strongly and how fast.
        curve: strength along the range.
        habits: how the repetitions are done.
        rng: source of every random number.
        asymmetry: (left - right) / (left + right) strength with two cables.
        curvature: how fast the force of a unit falls with speed at first, 0.1 to 5; near 0 is a straight line.
        plateau: greatest lengthening force over that at standstill, 1.05 to 2.
        fatigue_scale: on the published rates of fatigue, which are of held efforts, 0.2 to 5.

    Raises:
        ValueError: a value out of its range.
    """

    def __init__(
        self,
        movement: Movement,
        curve: StrengthCurve,
        habits: Habits,
        rng: np.random.Generator,
        *,
        asymmetry: float = 0.0,
        curvature: float = 1.5,
        plateau: float = 1.41,
        fatigue_scale: float = 1.0,
    ) -> None:
        for name, value, low, high in (
            ("curvature", curvature, 0.1, 5.0),
            ("plateau", plateau, 1.05, 2.0),
            ("fatigue_scale", fatigue_scale, 0.2, 5.0),
        ):
            if not low <= value <= high:
                raise ValueError(f"{name} is {value!r}; allowed: {low:g} to {high:g}")
        super().__init__(
            movement.exercise,
            bottom_m=movement.bottom_m,
            rom_m=movement.rom_m,
            moving_mass_kg=movement.moving_mass_kg,
            rng=rng,
            habits=habits,
            asymmetry=asymmetry,
        )
        self._strength_n = STILL_OVER_1RM * movement.one_rm_n
        self._curve = curve
        self._curvature, self._plateau, self._scale = curvature, plateau, fatigue_scale
        fastest_m_s = FASTEST_OVER_LINE * (movement.velocity_at_1rm_m_s + movement.slope_m_s)
        self._law = np.stack([_FORCE, _SPEED * fastest_m_s, _FATIGUE, _RECOVERY])
        self._pool = self._law[:2].copy()
        self._left = 1.0
        self._lived_s = self._effort_s = 0.0

    def capacity(self) -> float:
        """What all units could give now, share of fresh."""
        return self._left

    def greatest_pull_n(self, share: float, velocity_m_s: float) -> float:
        """Pull with every unit at its peak rate.

        Args:
            share: place in the range.
            velocity_m_s: of the handle.
        """
        strength_n = self._strength_n * self._curve.at(share)
        if velocity_m_s == 0.0:
            return strength_n * self._left
        return strength_n * float(_pool_force(self._pool, velocity_m_s, self._curvature, self._plateau))

    def tire(self, dt_s: float, effort: float, share: float, velocity_m_s: float) -> None:  # noqa: ARG002
        """Fire for a step; the units are looked at every hundredth of a second, with the mean effort since.

        Args:
            dt_s: length of the step.
            effort: share of the present force of the pool.
            share: place in the range; a unit does not know it.
            velocity_m_s: of the handle; neither.
        """
        self._lived_s += dt_s
        self._effort_s += dt_s * effort
        if self._lived_s >= _UPDATE_S:
            self._catch_up()

    def rest(self, duration_s: float) -> None:
        """Recover with every unit silent.

        Args:
            duration_s: for so long.
        """
        if self._lived_s > 0.0:
            self._catch_up()
        lost = (1.0 - self._pool[0] / self._law[0]) * np.exp(-self._law[3] * duration_s)
        self._pool[0] = self._law[0] * (1.0 - lost)
        self._pool[1] = self._law[1] / (1.0 + SLOWING * lost)
        self._left = min(float(self._pool[0].sum()), 1.0)

    def at_full_effort(self) -> Self:
        """A rested copy that holds nothing back."""
        other = super().at_full_effort()
        other.rest(math.inf)
        return other

    def _catch_up(self) -> None:
        effort = self._effort_s / self._lived_s
        left = _live(self._pool, self._law, _RECRUITED, effort, self._lived_s, self._scale)
        self._left = min(float(left), 1.0)
        self._lived_s = self._effort_s = 0.0


def draw(exercise: str | None, rng: np.random.Generator) -> MotorUnitLifter:
    """One person of this structure.

    Args:
        exercise: what to lift; None leaves it to chance.
        rng: source of every random number.
    """
    movement = draw_movement(exercise, rng)
    return MotorUnitLifter(
        movement,
        draw_curve(rng),
        draw_habits(rng),
        rng,
        asymmetry=float(np.clip(0.04 * rng.standard_normal(), -0.15, 0.15)),
        curvature=float(rng.uniform(0.8, 2.6)),
        # 1.41 is the mean over studies (Nuzzo et al. 2023 Sports Med 53:1125-1136); the spread between people is ours.
        plateau=float(np.clip(1.41 + 0.1 * rng.standard_normal(), 1.15, 1.8)),
        fatigue_scale=FATIGUE_SCALE * varied(rng, 0.22),
    )
