"""A virtual rig for the fault campaign: writes its true state to a file, and injects faults on request.

A process of its own: ``python -m campaigns.faults.rig PORT NAME TRUTH-FILE [SEED]``. Each line on standard input says
when and what: ``now``, ``moving`` or ``still`` (as soon as the handle is), then a fault that `FaultyRig.inject` knows.
Every 10 ms a line of the truth file records the machine's monotonic time in seconds, the load ordered from the motors,
the load applied, the newest frame number, whether the handle is docked, and how many faults were injected so far.
Nothing here judges; that is `campaigns.faults.campaign`.
"""

from __future__ import annotations

import asyncio
import logging
import signal
import sys
import time
from pathlib import Path
from typing import Final, TextIO

import structlog

from ebbset.controller.link.settings import BrokerSettings
from ebbset.simulators.lifter.exercises import exercise
from ebbset.simulators.rig.sensors import FaultKind, SensedQuantity, SensorFault
from ebbset.simulators.rig.virtual_rig import VirtualRig, VirtualRigSettings

TRUTH_S: Final = 0.010
CLOCK_JUMP_S: Final = 3_600.0
MOVING_M_S: Final = 0.10


class FaultyRig(VirtualRig):
    """A virtual rig whose sensors, clock and power can be disturbed."""

    def __init__(self, settings: VirtualRigSettings) -> None:
        super().__init__(settings)
        self.injected = 0
        self._due_when: list[tuple[str, str]] = []

    def inject(self, what: str) -> None:
        """Inject one fault now: a sensor fault by name, a clock jump, a reboot or an emergency stop.

        Raises:
            ValueError: no such fault.
        """
        now_s = self.rig.t_s
        faults = {
            "freeze": SensorFault(kind=FaultKind.FROZEN, from_s=now_s),
            "stick": SensorFault(kind=FaultKind.STUCK, from_s=now_s, quantity=SensedQuantity.POSITION),
            "bias": SensorFault(kind=FaultKind.OFFSET, from_s=now_s, quantity=SensedQuantity.FORCE, offset=600.0),
            "bias_velocity": SensorFault(
                kind=FaultKind.OFFSET, from_s=now_s, quantity=SensedQuantity.VELOCITY, offset=0.5
            ),
            "nan": SensorFault(kind=FaultKind.NOT_A_NUMBER, from_s=now_s, quantity=SensedQuantity.FORCE),
            "silence": SensorFault(kind=FaultKind.SILENT, from_s=now_s),
        }
        self.injected += 1
        if what in faults:
            self.rig.sensors.faults = (*self.rig.sensors.faults, faults[what])
        elif what == "clock_back":
            self.rig.sensors.reboot(now_s)
        elif what == "clock_forward":
            self.rig.sensors.reboot(now_s - CLOCK_JUMP_S)
        elif what == "reboot":
            self.reboot()
        elif what == "stop":
            self.press_emergency_stop()
        else:
            raise ValueError(f"what is {what!r}; allowed: {', '.join(faults)}, clock_back, clock_forward, reboot, stop")

    async def tell_truth(self, file: TextIO) -> None:
        """Write a line every 10 ms until cancelled; inject faults that wait for the handle to move or stand still."""
        while True:
            rig = self.rig
            file.write(
                f"{time.monotonic():.4f} {max(rig.target_n):.3f} {max(rig.applied_n):.3f} "
                f"{self.newest_frame} {int(rig.docked)} {self.injected}\n"
            )
            now = "moving" if abs(rig.truth[0, 0, 2]) >= MOVING_M_S else "still"
            for what in [what for when, what in self._due_when if when == now]:
                self.inject(what)
            self._due_when = [(when, what) for when, what in self._due_when if when != now]
            await asyncio.sleep(TRUTH_S)

    async def obey_input(self) -> None:
        """Inject what standard input asks for."""
        reader = asyncio.StreamReader()
        await asyncio.get_running_loop().connect_read_pipe(lambda: asyncio.StreamReaderProtocol(reader), sys.stdin)
        while line := await reader.readline():
            when, what = line.decode().split()
            if when == "now":
                self.inject(what)
            else:
                self._due_when.append((when, what))


async def run(port: int, name: str, truth: Path, seed: int) -> None:
    """Run the rig until SIGTERM."""
    stop = asyncio.Event()
    asyncio.get_running_loop().add_signal_handler(signal.SIGTERM, stop.set)
    rig = FaultyRig(
        VirtualRigSettings(
            rig=name,
            lifter=exercise("row").mean_lifter(),
            broker=BrokerSettings(port=port),
            seed=seed,
            ready_after_s=0.3,
            # Changes nothing itself, but sensors keep their last good sample only if the rig has any fault.
            faults=(SensorFault(kind=FaultKind.OFFSET, from_s=0.0, offset=0.0),),
        )
    )
    with truth.open("w", buffering=1, encoding="utf-8") as file:
        tasks = [asyncio.create_task(rig.tell_truth(file)), asyncio.create_task(rig.obey_input())]
        for task in tasks:
            # A failing bench must not look like a rig without faults.
            task.add_done_callback(lambda done: stop.set() if not done.cancelled() and done.exception() else None)
        await rig.run(stop)
        for task in tasks:
            task.cancel()
        for result in await asyncio.gather(*tasks, return_exceptions=True):
            if isinstance(result, Exception):
                raise result


if __name__ == "__main__":
    structlog.configure(wrapper_class=structlog.make_filtering_bound_logger(logging.WARNING))
    asyncio.run(run(int(sys.argv[1]), sys.argv[2], Path(sys.argv[3]), int(sys.argv[4]) if len(sys.argv) > 4 else 1))
