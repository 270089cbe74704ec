"""What an integrator writes: four functions over sensors and drive, and the reading that one of them returns."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Protocol

from ebbset.rig.description import RigDescription


@dataclass(frozen=True, slots=True, kw_only=True)
class SensorReading:
    """One sample of every sensor, taken at one moment; one value per cable.

    Attributes:
        position_m: cable paid out at the handle; 0 in the dock, growing in the concentric.
        velocity_m_s: of the handle, positive in the concentric.
        force_n: tension of the cable at the handle; None on a rig without a force cell.
        applied_n: load that the drive says it applies; None on a drive that says nothing, which is then taken to apply
            what it was last told.
        stop_pressed: the emergency stop is pressed in, or not yet reset by a person.
    """

    position_m: tuple[float, ...]
    velocity_m_s: tuple[float, ...]
    force_n: tuple[float, ...] | None = None
    applied_n: tuple[float, ...] | None = None
    stop_pressed: bool = False


class RigHardware(Protocol):
    """One rig's sensors and drive. Every call returns at once: none waits for the drive, a bus or a network.

    An exception from any of them is a fault of the rig: it is stopped, the fault is reported, and nothing is loaded
    before a restart.
    """

    def read_sensors(self) -> SensorReading:
        """The newest sample, no older than one sampling period. Raises when the sensors cannot be trusted."""

    def apply_force(self, force_n: tuple[float, ...]) -> None:
        """Have the drive pull with this force. Called once in every sampling period, also when nothing changed.

        Args:
            force_n: tension at the handle, N per cable; already on the ramp.
        """

    def is_docked(self) -> bool:
        """The handle is in the dock, and the cable is wound in."""

    def stop(self) -> None:
        """Have the drive take the force away by its own means, at its own ramp, and hold none until `apply_force`.

        Called when this software can no longer be relied upon, and at its end. It may be called at any time and twice.
        """


class SensorError(RuntimeError):
    """A reading that no rig of this description can have; names the value and what is allowed."""


def check_reading(reading: SensorReading, described: RigDescription) -> None:
    """Refuse a reading that could not be sent.

    Args:
        reading: from the rig's own function.
        described: the rig.

    Raises:
        SensorError: a column of another length than the rig has cables, force where there is none or none where there
            is a cell, or a value that is not finite.
    """
    cables = described.limits.cables
    if described.has_force is not (reading.force_n is not None):
        given = "missing" if reading.force_n is None else "given"
        raise SensorError(f"force_n is {given}; allowed: as announced, has_force is {described.has_force}")
    for name in ("position_m", "velocity_m_s", "force_n", "applied_n"):
        column: tuple[float, ...] | None = getattr(reading, name)
        if column is None:
            continue
        if len(column) != cables:
            raise SensorError(f"{name} is {len(column)} values long; allowed: {cables}, one per cable")
        if not all(map(math.isfinite, column)):
            raise SensorError(f"{name} is {column}; allowed: finite numbers")
