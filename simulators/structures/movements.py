"""What is lifted: place, range, strength and published velocities of one person's exercise, known or never heard of."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np

from ebbset.simulators.lifter.exercises import EXERCISES
from ebbset.simulators.lifter.exercises import exercise as described


@dataclass(frozen=True, slots=True, kw_only=True)
class Movement:
    """One person's exercise at one rig.

    Attributes:
        exercise: its name.
        bottom_m: cable paid out at the bottom, m.
        rom_m: range of motion, m.
        moving_mass_kg: of the limbs, kg.
        one_rm_n: about what can be lifted once, all cables together, N.
        velocity_at_1rm_m_s: mean velocity of that lift, m/s.
        slope_m_s: fall of mean velocity from no load to the 1RM, as a line, m/s per 1RM.
    """

    exercise: str
    bottom_m: float
    rom_m: float
    moving_mass_kg: float
    one_rm_n: float
    velocity_at_1rm_m_s: float
    slope_m_s: float


_LINES: Final[dict[str, tuple[float, float, float]]] = {
    # González-Badillo & Sánchez-Medina 2010 Int J Sports Med 31:347-352: 0.16 ± 0.04 m/s; slope from its table of
    # 30 to 100 % (from memory): (1.33 - 0.18) / 0.7.
    "bench_press": (0.16, 0.04, 1.64),
    # Sánchez-Medina et al. 2014 Int J Sports Med 35:209-216, prone bench pull: 0.52 ± 0.06 m/s, 1.57 at 30 % (both
    # from memory).
    "row": (0.52, 0.06, 1.50),
    # Hernández-Belmonte et al. 2020: about 0.19 m/s; spread and slope as in the bench press (ours).
    "shoulder_press": (0.19, 0.04, 1.60),
    # No published line was found; between press and pull (ours).
    "curl": (0.30, 0.06, 1.50),
    # Conceição et al. 2016 J Sports Sci 34:1099-1106: 0.21 ± 0.06 m/s, 0.0169 to 0.0175 m/s per % of the 1RM.
    "leg_press": (0.21, 0.06, 1.72),
}
"""Mean velocity at the 1RM, m/s; its SD over people; slope of mean velocity against load, m/s per 1RM."""
_UNHEARD_OF: Final = (
    "lat_pulldown",
    "calf_raise",
    "overhead_press",
    "wrist_curl",
    "hip_thrust",
    "face_pull",
    "leg_curl",
    "pullover",
    "sled_pull",
    "woodchop",
)
_SLOPE_CV: Final = 0.08
"""Between people, ours; the velocity at a given share of the 1RM varies by 5 to 10 % at mid loads (section 1.1)."""
_STRENGTH_CV: Final = 0.30
"""Novices to the highly trained, women and men together; order of magnitude, from memory."""


def draw_movement(exercise: str | None, rng: np.random.Generator) -> Movement:
    """One person's exercise.

    Args:
        exercise: a name; None, or one that nobody described, is drawn: any range and any strength.
        rng: source of every random number.
    """
    if exercise in EXERCISES:
        return _known(exercise, rng)
    name = exercise or str(rng.choice(_UNHEARD_OF))
    rom_m = float(rng.uniform(0.10, 0.70))
    # A long way is fast and a short one slow, as joints turn about equally fast whatever they move.
    speed = float(np.clip(rom_m / 0.42, 0.45, 1.4)) * varied(rng, 0.15)
    one_rm_n = float(np.exp(rng.uniform(np.log(60.0), np.log(2500.0))))
    return Movement(
        exercise=name,
        bottom_m=float(rng.uniform(0.10, 0.50)),
        rom_m=rom_m,
        # Strong limbs are heavy: about a kilogram for 60 N, 18 kg for 2500 N (ours).
        moving_mass_kg=1.2 * (one_rm_n / 60.0) ** 0.73 * varied(rng, 0.3),
        one_rm_n=one_rm_n,
        velocity_at_1rm_m_s=float(rng.uniform(0.12, 0.40)) * speed,
        slope_m_s=1.6 * speed,
    )


def _known(name: str, rng: np.random.Generator) -> Movement:
    figures = described(name).quantities
    at_1rm, at_1rm_sd, slope = _LINES[name]
    return Movement(
        exercise=name,
        bottom_m=figures["start_m"].mean * varied(rng, 0.1),
        rom_m=figures["rom_m"].mean * varied(rng, figures["rom_m"].cv),
        moving_mass_kg=figures["limb_mass_kg"].mean * varied(rng, figures["limb_mass_kg"].cv),
        one_rm_n=0.85 * figures["f_max_n"].mean * varied(rng, _STRENGTH_CV),
        velocity_at_1rm_m_s=max(at_1rm + at_1rm_sd * float(np.clip(rng.standard_normal(), -2.5, 2.5)), 0.05),
        slope_m_s=slope * varied(rng, _SLOPE_CV),
    )


def varied(rng: np.random.Generator, cv: float) -> float:
    """A lognormal factor about 1, cut at two and a half SD.

    Args:
        rng: source of the random number.
        cv: its spread.
    """
    return float(np.exp(cv * np.clip(rng.standard_normal(), -2.5, 2.5)))
