"""One rig as numbers, and a plain weight as the simplest rig."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Final

from ebbset.models.contract.units import STANDARD_GRAVITY_M_S2
from ebbset.simulators.lifter.bounds import Bounds, check_bounds

_RIG_BOUNDS: Final[Bounds] = {
    "torque_bandwidth_hz": (0.5, 200.0),
    "max_load_n": (10.0, 10_000.0),
    "max_ramp_n_per_s": (1.0, 1.0e6),
    "inertia_kg": (0.2, 50.0),
    "coulomb_n": (0.0, 200.0),
    "coulomb_share": (0.0, 0.3),
    "viscous_n_s_m": (0.0, 500.0),
    "cable_stiffness_n_m": (1.0e3, 1.0e6),
    "cable_damping_n_s_m": (0.0, 2.0e3),
    "handle_mass_kg": (0.1, 1000.0),
    "max_power_w": (50.0, 1.0e9),
    "no_load_speed_m_s": (0.5, 1.0e9),
}


@dataclass(frozen=True, slots=True, kw_only=True)
class RigParameters:
    """One rig. Values are per cable and at the handle.

    The defaults are those of a plausible motor-driven cable rig (from memory, order of magnitude; no published set of
    values was found): identify your own.

    Attributes:
        torque_bandwidth_hz: corner of the first-order lag from command to motor force.
        max_load_n: greatest motor force.
        max_ramp_n_per_s: greatest slew of the command.
        inertia_kg: motor, gearbox and drum reflected to the cable.
        coulomb_n: Coulomb friction on the drum side, unloaded.
        coulomb_share: its growth with the tension, N per N: bearings and pulleys rub harder under load. A sheave on
            ball bearings loses 2 to 4 % a wrap (handbook figures, from memory); no study of a training rig was found.
        viscous_n_s_m: viscous friction there.
        cable_stiffness_n_m: stiffness of cable and mounting.
        cable_damping_n_s_m: their damping.
        handle_mass_kg: handle and its fittings.
        max_power_w: greatest power that the drive gives or takes back; beyond it force falls as 1 / speed.
        no_load_speed_m_s: fastest speed at which the motor winds cable in, unloaded; the force that its voltage allows
            falls to zero there. Paying out, the back-EMF helps and only the power counts.
        n_cables: 1 or 2.

    Raises:
        ValueError: a value out of range.
    """

    torque_bandwidth_hz: float = 20.0
    max_load_n: float = 1500.0
    max_ramp_n_per_s: float = 2000.0
    inertia_kg: float = 3.0
    coulomb_n: float = 6.0
    coulomb_share: float = 0.02
    viscous_n_s_m: float = 4.0
    cable_stiffness_n_m: float = 4.0e4
    cable_damping_n_s_m: float = 60.0
    handle_mass_kg: float = 0.8
    max_power_w: float = 2000.0
    no_load_speed_m_s: float = 4.0
    n_cables: int = 1

    def __post_init__(self) -> None:
        check_bounds(self, _RIG_BOUNDS)
        if self.n_cables not in (1, 2):
            raise ValueError(f"n_cables is {self.n_cables!r}; allowed: 1 or 2")


def with_stronger_drive(rig: RigParameters, max_load_n: float) -> RigParameters:
    """The same rig with a drive for this force, and with the power for it at any speed that its voltage allows.

    With the power of before, a rig of 1,500 N that is given 6,000 N would give way at 0.3 m/s. The drum is no heavier,
    so that light exercises feel alike on it.

    Args:
        rig: the rig.
        max_load_n: greatest motor force of a cable, N; a rig that has more keeps it.

    Raises:
        ValueError: a force out of range.
    """
    if max_load_n <= rig.max_load_n:
        return rig
    power_w = max(rig.max_power_w, max_load_n * rig.no_load_speed_m_s)
    return replace(rig, max_load_n=max_load_n, max_power_w=power_w)


def strong_rig(max_load_n: float, *, n_cables: int = 1) -> RigParameters:
    """A rig for whoever lifts more than the default one holds, as laboratories and strength tests have.

    Args:
        max_load_n: greatest motor force of a cable, N.
        n_cables: 1 or 2.

    Raises:
        ValueError: a force or a number of cables out of range.
    """
    return with_stronger_drive(RigParameters(n_cables=n_cables), max_load_n)


def free_weight(load_n: float) -> RigParameters:
    """A plain weight in the hands as a "rig": its mass moves with the handle, no motor lag, no friction.

    Published load-velocity studies used barbells; their figures are compared on this, not on a motor. The load comes
    on within a second, as when a helper hands the bar over.
    """
    return RigParameters(
        torque_bandwidth_hz=100.0,
        max_load_n=max(load_n, 10.0),
        max_ramp_n_per_s=max(load_n, 10.0),
        inertia_kg=0.3,
        coulomb_n=0.0,
        coulomb_share=0.0,
        max_power_w=1.0e9,
        no_load_speed_m_s=1.0e9,
        viscous_n_s_m=0.0,
        cable_damping_n_s_m=100.0,
        handle_mass_kg=max(load_n / STANDARD_GRAVITY_M_S2, 0.5),
    )
