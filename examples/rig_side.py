"""A rig's side of the contract: the four functions that you write, over a motor that follows at once.

Put your motor and sensors in the place of these. `docs/rig-side.md` says what each function owes, and `can_rig.py`
drives a motor controller over CAN. Then try your rig with ``ebbset check-rig``, with nobody under the load. This code
is not a safety function: the drive below it needs its own stop, limits and watchdog.

    python examples/rig_side.py north 127.0.0.1 1883
"""

from __future__ import annotations

import asyncio
import signal
import sys

from ebbset import BrokerSettings, RigDescription, RigLimits, SensorReading, serve_rig


class Hardware:
    """A handle that rests at the rig, and a motor that pulls as it is told."""

    def __init__(self) -> None:
        self.force_n = 0.0

    def read_sensors(self) -> SensorReading:
        """The newest sample of every sensor."""
        return SensorReading(position_m=(0.0,), velocity_m_s=(0.0,), force_n=(self.force_n,))

    def apply_force(self, force_n: tuple[float, ...]) -> None:
        """Pull with this force from now on."""
        self.force_n = force_n[0]

    def is_docked(self) -> bool:
        """Nobody takes this handle."""
        return True

    def stop(self) -> None:
        """Let go, by the drive's own means."""
        self.force_n = 0.0


def described(name: str) -> RigDescription:
    """What this rig is and can do."""
    # There is no motor yet, so recordings and reports are labelled as simulated. Remove "simulated" for a real one.
    limits = RigLimits(max_load_n=800.0, max_ramp_n_per_s=1_000.0, unload_ramp_n_per_s=400.0)
    return RigDescription(
        rig=name, limits=limits, sample_rate_hz=100.0, has_force=True, firmware="one page", simulated=True
    )


async def main(name: str, host: str, port: int) -> None:
    """Serve until SIGINT or SIGTERM, with a broker or without."""
    stop = asyncio.Event()
    for number in (signal.SIGINT, signal.SIGTERM):
        asyncio.get_running_loop().add_signal_handler(number, stop.set)
    await serve_rig(Hardware(), described(name), BrokerSettings(host=host, port=port), stop=stop)


if __name__ == "__main__":
    if len(sys.argv) != 4:
        sys.exit("usage: python examples/rig_side.py RIG HOST PORT")
    asyncio.run(main(sys.argv[1], sys.argv[2], int(sys.argv[3])))
