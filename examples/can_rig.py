"""A rig whose motor controller sits on a CAN bus: four functions, and `ebbset.rig` does the rest of the contract.

Put your own bus in the place of the virtual one, and your drive's messages in the place of those in `can_drive`. Then
try it with ``ebbset check-rig``, with nobody under the load. This is not a safety function: the drive needs a stop,
limits and a watchdog of its own.

    python -m examples.can_rig north 127.0.0.1 1883
"""

from __future__ import annotations

import asyncio
import os
import signal
import sys
import threading

import can

from ebbset import BrokerSettings, RigDescription, RigLimits, SensorReading, serve_rig
from examples.can_drive import (
    DOCKED,
    FORCE,
    FORCE_ID,
    MOTION,
    MOTION_ID,
    SETPOINT,
    SETPOINT_ID,
    STOP_ID,
    STOP_PRESSED,
    TRIPPED,
    SimulatedDrive,
)

SILENT_PERIODS = 5


class CanRig:
    """The four functions, over one drive on one bus. None of them waits.

    Args:
        bus: the drive is on it.
    """

    def __init__(self, bus: can.BusABC) -> None:
        self._bus = bus
        self._motion, self._force = (0, 0, 0), (0, 0)
        self._silent, self._told_n = 0, 0.0

    def read_sensors(self) -> SensorReading:
        """The newest status of the drive.

        Raises:
            ConnectionError: the drive has been silent, or has tripped under load.
        """
        self._silent += 1
        while (message := self._bus.recv(timeout=0)) is not None:
            if message.arbitration_id == MOTION_ID:
                self._motion, self._silent = MOTION.unpack(message.data), 0
            elif message.arbitration_id == FORCE_ID:
                self._force = FORCE.unpack(message.data)
        position, velocity, flags = self._motion
        if self._silent > SILENT_PERIODS:
            raise ConnectionError(f"the drive was silent for {self._silent} periods; allowed: {SILENT_PERIODS}")
        if flags & TRIPPED and self._told_n > 0.0:
            raise ConnectionError(f"the drive tripped at {self._told_n:.0f} N")
        return SensorReading(
            position_m=(position / 1e4,),
            velocity_m_s=(velocity / 1e3,),
            force_n=(self._force[0] / 10,),
            applied_n=(self._force[1] / 10,),
            stop_pressed=bool(flags & STOP_PRESSED),
        )

    def apply_force(self, force_n: tuple[float, ...]) -> None:
        """Renew the drive's setpoint."""
        self._told_n = force_n[0]
        self._send(SETPOINT_ID, SETPOINT.pack(round(force_n[0] * 10)))

    def is_docked(self) -> bool:
        """By the drive's own switch."""
        return bool(self._motion[2] & DOCKED)

    def stop(self) -> None:
        """The drive takes the force away by its own ramp."""
        self._send(STOP_ID, b"")

    def _send(self, number: int, data: bytes) -> None:
        self._bus.send(can.Message(arbitration_id=number, data=data, is_extended_id=False))


def described(name: str) -> RigDescription:
    """What this rig is; there is no motor yet, so it says that it is simulated."""
    limits = RigLimits(max_load_n=1_000.0, max_ramp_n_per_s=1_500.0, unload_ramp_n_per_s=800.0)
    return RigDescription(
        rig=name, limits=limits, sample_rate_hz=100.0, has_force=True, firmware="CAN example", simulated=True
    )


def ask_for_real_time() -> None:
    """Come before ordinary programs, with every thread started from here on; the contract wants even samples."""
    try:
        os.sched_setscheduler(0, os.SCHED_FIFO, os.sched_param(50))
    except (AttributeError, OSError) as error:
        print(f"no real-time priority ({error}): on a busy machine, samples will come late", file=sys.stderr)


async def main(name: str, host: str, port: int) -> None:
    """Serve until SIGINT or SIGTERM."""
    ask_for_real_time()
    stop = asyncio.Event()
    for number in (signal.SIGINT, signal.SIGTERM):
        asyncio.get_running_loop().add_signal_handler(number, stop.set)
    with can.Bus("rig", interface="virtual") as ours, can.Bus("rig", interface="virtual") as theirs:
        off = threading.Event()
        motor = threading.Thread(target=SimulatedDrive(theirs).run, args=(off,))
        motor.start()
        try:
            await serve_rig(CanRig(ours), described(name), BrokerSettings(host=host, port=port), stop=stop)
        finally:
            off.set()
            motor.join()


if __name__ == "__main__":
    if len(sys.argv) != 4:
        sys.exit("usage: python -m examples.can_rig RIG HOST PORT")
    asyncio.run(main(sys.argv[1], sys.argv[2], int(sys.argv[3])))
