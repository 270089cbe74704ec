"""The state of one plant as the flat vectors of the compiled loop, and how parameters are packed into them.

Where each number stands is in :mod:`ebbset.simulators.lifter.layout`; what the loop does with them in
:mod:`ebbset.simulators.plant.physics`.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final, Self

import numpy as np
import numpy.typing as npt

from ebbset.models.physiology.muscle import peak_power_fraction, strength_curve
from ebbset.simulators.lifter import layout as lay
from ebbset.simulators.lifter.lifter import LifterParameters
from ebbset.simulators.plant.rig_parameters import RigParameters

FloatArray = npt.NDArray[np.float64]

_STABLE: Final = 0.7
_UNLOADED_PART: Final = 1.5
"""Of it, what the friction of an unloaded drum may take; `load_knee_m_s_per_n` gives the rest to the load."""
_ALL_FRICTION: Final = 1.9
"""What all friction may take of the 2 at which the explicit midpoint rule stops decaying (real, negative rates)."""


@dataclass(slots=True)
class PlantState:
    """Everything that the compiled loop reads and writes, random numbers included.

    Attributes:
        parameters: float64, shape (P_SIZE,), columns ``P_*``; constant during a run.
        cables: float64, shape (n_cables, C_SIZE), columns ``C_*``.
        lifter: float64, shape (G_SIZE,), columns ``G_*``.
        random: uint64, shape (1,), state of the plant's own random stream.
        records: float64, shape (MAX_RECORDS, R_SIZE), columns ``R_*``.
    """

    parameters: FloatArray
    cables: FloatArray
    lifter: FloatArray
    random: npt.NDArray[np.uint64]
    records: FloatArray

    @classmethod
    def fresh(cls, rig: RigParameters, lifter: LifterParameters, rng: np.random.Generator, dt_s: float) -> Self:
        """The state of a rested lifter at an unloaded rig, handle docked.

        Args:
            rig: the rig.
            lifter: the person.
            rng: one draw seeds the plant's own stream.
            dt_s: integration step, s.

        Raises:
            ValueError: a step too long for these parameters, or an impossible strength curve.
        """
        if not 1e-6 <= dt_s <= 0.005:
            raise ValueError(f"dt_s is {dt_s!r}; allowed: 1e-06 to 0.005")
        check_step(rig, lifter, dt_s)
        parameters = packed_parameters(rig, lifter, dt_s)
        cables = np.zeros((rig.n_cables, lay.C_SIZE))
        signs = (0.0,) if rig.n_cables == 1 else (1.0, -1.0)
        for row, sign in zip(cables, signs, strict=True):
            row[lay.C_F0] = lifter.f_max_n / rig.n_cables * (1.0 + sign * lifter.asymmetry)
            row[lay.C_GAIN] = 1.0
        whole = np.zeros(lay.G_SIZE)
        whole[lay.G_BOTTOM] = lifter.start_m
        whole[lay.G_RAMP] = rig.max_ramp_n_per_s
        random = rng.integers(0, 2**64, size=1, dtype=np.uint64)
        return cls(parameters, cables, whole, random, np.zeros((lay.MAX_RECORDS, lay.R_SIZE)))

    def copy(self) -> Self:
        """An independent copy of every vector."""
        return type(self)(
            self.parameters.copy(), self.cables.copy(), self.lifter.copy(), self.random.copy(), self.records.copy()
        )

    def to_bytes(self) -> bytes:
        """All bits that a run changes; equal for plants that will behave alike."""
        return self.cables.tobytes() + self.lifter.tobytes() + self.random.tobytes() + self.records.tobytes()


def packed_parameters(rig: RigParameters, lifter: LifterParameters, dt_s: float) -> FloatArray:
    """The parameter vector of one plant, in the order of ``P_*``.

    Args:
        rig: the rig.
        lifter: the person.
        dt_s: integration step, s.

    Returns:
        float64, shape (P_SIZE,).

    Raises:
        ValueError: an impossible strength curve.
    """
    p = np.zeros(lay.P_SIZE)
    n = rig.n_cables
    places = np.linspace(0.0, 1.0, 201)
    curve = [
        strength_curve(s, lifter.strength_bottom, lifter.strength_top, lifter.dip, lifter.dip_at, lifter.dip_width)
        for s in places
    ]
    weakest = min(curve)
    if weakest <= 0.05:
        raise ValueError(f"dip is {lifter.dip!r}; allowed: so deep that the strength curve stays above 0.05")
    reserve = lifter.fatigue_model == "critical_force"
    p[: lay.P_SIZE] = (
        2.0 * math.pi * rig.torque_bandwidth_hz,
        rig.max_load_n,
        rig.max_ramp_n_per_s,
        rig.inertia_kg,
        rig.coulomb_n,
        rig.viscous_n_s_m,
        rig.cable_stiffness_n_m,
        rig.cable_damping_n_s_m,
        rig.handle_mass_kg,
        dt_s,
        lifter.limb_mass_kg / n,
        lifter.v_max_m_s,
        lifter.curvature,
        lifter.eccentric_plateau,
        lifter.strength_bottom,
        lifter.strength_top,
        lifter.dip,
        lifter.dip_at,
        lifter.dip_width,
        1.0 / weakest,
        lifter.start_m,
        lifter.rom_m,
        1.0 if reserve else 0.0,
        lifter.critical_share if reserve else lifter.fatigue_per_s,
        lifter.reserve_s if reserve else lifter.recovery_per_s,
        lifter.reserve_rest_multiplier if reserve else lifter.rest_multiplier,
        lifter.develop_per_s,
        lifter.relax_per_s,
        lifter.concentric_velocity_m_s,
        lifter.braking_m_s2,
        lifter.eccentric_velocity_m_s,
        lifter.handling_velocity_m_s,
        lifter.pause_bottom_s,
        lifter.pause_top_s,
        lifter.pause_growth,
        lifter.habit_cv,
        lifter.grind_velocity_m_s,
        lifter.grind_patience_s,
        1.0 if lifter.give_in == "sudden_release" else 0.0,
        lifter.partial_tendency,
        lifter.jerk,
        float(lifter.talk_after_reps),
        lifter.talk_s,
        lifter.reserve_held,
        lifter.retry_ratio,
        lifter.retry_wait_s,
        lifter.reaction_s,
        lifter.force_noise_cv,
        lifter.repetition_noise_cv,
        lifter.leverage,
        lifter.slow_share,
        lifter.slow_recovery_per_s,
        peak_power_fraction(lifter.curvature) ** 2,
        lifter.shortening_cost,
        float(lifter.retries),
        rig.coulomb_share,
        rig.max_power_w,
        rig.no_load_speed_m_s,
        lifter.depth_sd_m,
        lifter.range_cv,
        lifter.boost,
        lifter.boost_s,
        lifter.fatigue_tilt,
        float(places[curve.index(weakest)]),
        lifter.fast_share,
        lifter.fast_recovery_per_s,
        lifter.strain_per_s,
        load_knee_m_s_per_n(rig, dt_s),
        lifter.push_cv,
    )
    return p


def _unloaded_rate_per_s(rig: RigParameters) -> float:
    """How fast the drum's own friction, and back-EMF at full force, stop it near standstill, 1/s."""
    slope = rig.coulomb_n / lay.FRICTION_KNEE_M_S + rig.viscous_n_s_m + rig.max_load_n / rig.no_load_speed_m_s
    return slope / rig.inertia_kg


def load_knee_m_s_per_n(rig: RigParameters, dt_s: float) -> float:
    """Least knee of the friction that grows with the load, m/s per N of tension.

    Below the knee that friction acts as a viscous one of ``coulomb_share * tension / knee`` N s/m. The explicit
    midpoint rule stays stable while all friction, over the drum's inertia and times the step, is below 2. With a
    fixed knee a load of some thousand N would pass that; a knee in proportion to the tension keeps the load's part at

        ``coulomb_share / (knee per N) * dt / inertia = 1.9 - dt * (coulomb / knee + viscous + back-EMF) / inertia``

    at any load. A drum of 3 kg at 1 ms and a share of 2 % keeps its knee of 0.03 m/s up to some 7,000 N.

    Args:
        rig: the rig.
        dt_s: integration step, s.
    """
    return rig.coulomb_share * dt_s / rig.inertia_kg / (_ALL_FRICTION - dt_s * _unloaded_rate_per_s(rig))


def check_step(rig: RigParameters, lifter: LifterParameters, dt_s: float) -> None:
    """Refuse a step at which the explicit midpoint rule would not be stable.

    Args:
        rig: the rig.
        lifter: the person.
        dt_s: integration step, s.

    Raises:
        ValueError: a step too long for these parameters.
    """
    handle = rig.handle_mass_kg
    loaded = handle + lifter.limb_mass_kg / rig.n_cables
    reduced = handle * rig.inertia_kg / (handle + rig.inertia_kg)
    slope = lifter.f_max_n / rig.n_cables * (1.0 + 1.0 / lifter.curvature) / lifter.v_max_m_s
    strongest = max(lifter.strength_bottom, lifter.strength_top) / min(lifter.strength_bottom, lifter.strength_top)
    rates = {
        "cable_stiffness_n_m": math.sqrt(rig.cable_stiffness_n_m / reduced) / _STABLE,
        "cable_damping_n_s_m": rig.cable_damping_n_s_m / reduced / 1.5,
        "torque_bandwidth_hz": 2.0 * math.pi * rig.torque_bandwidth_hz / 1.5,
        "coulomb_n": _unloaded_rate_per_s(rig) / _UNLOADED_PART,
        # Wound in, a motor at its limit of power gives way with power / speed^2: steepest at its greatest force.
        "max_power_w": rig.max_load_n**2 / rig.max_power_w / rig.inertia_kg / 1.5,
        "f_max_n": slope * strongest / loaded / 1.5,
        "handle_mass_kg": max(math.sqrt(lay.DOCK_N_M / handle) / _STABLE, lay.DOCK_N_S_M / handle / 1.5),
    }
    for name, rate in rates.items():
        if rate * dt_s > 1.0:
            raise ValueError(f"dt_s is {dt_s!r}; allowed: at most {1.0 / rate:.2g} s with this {name}")
