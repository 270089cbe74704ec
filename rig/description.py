"""What a rig is and can do: the limits that its core keeps, and the announcement that tells everybody."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal


@dataclass(frozen=True, slots=True, kw_only=True)
class RigLimits:
    """What this rig can do and where it draws its own lines.

    Attributes:
        cables: 1 or 2.
        max_load_n: greatest load per cable.
        min_load_n: smallest load above unloaded that it holds.
        max_ramp_n_per_s: steepest ramp it takes.
        max_lease_ms: longest lease it grants.
        unload_ramp_n_per_s: ramp at which it unloads by itself.
        travel_limit_m: cable paid out beyond which it unloads.
        speed_limit_m_s: handle speed, either way, beyond which it unloads; above the peaks of light fast
            repetitions of 2 to 2.5 m/s (from memory).
    """

    cables: int = 1
    max_load_n: float = 1500.0
    min_load_n: float = 20.0
    max_ramp_n_per_s: float = 2000.0
    max_lease_ms: int = 1000
    unload_ramp_n_per_s: float = 1000.0
    travel_limit_m: float = 2.5
    speed_limit_m_s: float = 4.0


@dataclass(frozen=True, slots=True, kw_only=True)
class RigDescription:
    """A rig as it announces itself. The contract's bounds are checked where the announcement is made.

    Attributes:
        rig: its name in the topics.
        limits: what it can do.
        sample_rate_hz: how often its sensors are read, and its core is run.
        has_force: there is a force cell, and every frame has its values.
        firmware: name and version of the software, for people.
        telemetry: frames, or summaries of the repetitions that the rig segments itself.
        simulated: neither motor nor person is real; recordings and reports are labelled so.
    """

    rig: str
    limits: RigLimits
    sample_rate_hz: float
    has_force: bool
    firmware: str
    telemetry: Literal["frames", "repetitions"] = "frames"
    simulated: bool = False
