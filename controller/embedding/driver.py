"""What an integrator gives an embedded controller: two functions of the drive, and what the rig can do."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal, Protocol


@dataclass(frozen=True, slots=True, kw_only=True)
class EmbeddedRig:
    """What the rig is and can do, as a rig on the wire would announce it.

    Attributes:
        name: of the rig, for recordings and reports.
        sample_rate_hz: how often `EmbeddedController.sample` is called; 0 for a rig that only tells repetitions.
        has_force: every sample has the force of every cable.
        max_load_n: greatest load per cable.
        min_load_n: smallest load above unloaded that the drive holds.
        max_ramp_n_per_s: steepest ramp that it takes.
        max_lease_ms: longest that it may go on without being renewed.
        cables: 1 or 2.
        simulated: neither motor nor person is real; recordings and reports are labelled so.
    """

    name: str
    sample_rate_hz: float
    has_force: bool
    max_load_n: float
    min_load_n: float
    max_ramp_n_per_s: float
    max_lease_ms: int
    cables: int = 1
    simulated: bool = False

    @property
    def telemetry(self) -> Literal["frames", "repetitions"]:
        """Samples, or summaries of repetitions only."""
        return "frames" if self.sample_rate_hz > 0.0 else "repetitions"


class LoadDriver(Protocol):
    """The drive. Both functions return at once; an exception from either ends the set as a fault of the rig.

    Two duties stay with the hardware, whatever happens to this program: its own stop, and unloading by itself when a
    lease runs out.
    """

    def hold(self, target_n: tuple[float, ...], ramp_n_per_s: float, lease_ms: int) -> None:
        """Go to this load and hold it for one lease; without another call, unload at the end of it.

        Args:
            target_n: N per cable.
            ramp_n_per_s: steepest change on the way, N/s.
            lease_ms: from now, milliseconds.
        """

    def unload(self, ramp_n_per_s: float) -> None:
        """Take the load off.

        Args:
            ramp_n_per_s: how fast, N/s; never slower than a take-off that is on its way.
        """
