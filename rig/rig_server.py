"""A rig as a process: four functions of the integrator, the pure cycle, a clock and a broker.

Every sampling period the sensors are read, the core is run and the force is set, from absolute deadlines and whether
there is a broker or not. This software is not a safety function: the drive keeps a watchdog of its own, which takes the
force away when `RigHardware.apply_force` stays away.
"""

from __future__ import annotations

import asyncio
import contextlib
import secrets
import time
from collections.abc import Callable
from typing import Final

import structlog

from ebbset.models.contract.wire import Topic
from ebbset.rig.description import RigDescription
from ebbset.rig.hardware import RigHardware
from ebbset.rig.rig_connection import Callbacks, RigBroker, RigConnection
from ebbset.rig.rig_cycle import Message, RigCycle, check_description
from ebbset.rig.rig_log import log_command, log_notice

UNLOADS_WITHIN_S: Final = 3.0
"""How long a rig that is switched off may take to ramp its load down before the drive does it (our judgement)."""
_GOODBYE_S: Final = 2.0


class RigFaultError(RuntimeError):
    """The rig stopped itself, because one of its functions failed or read nonsense; ``__cause__`` is that error."""


class RigServer:
    """One boot of one rig.

    Args:
        hardware: the four functions.
        described: the rig.
        broker: where it connects and how.
        clock_s: a clock that never goes back, s.

    Raises:
        ValueError: the description holds what the contract or this software does not allow.

    Attributes:
        cycle: the pure part.
        connection: the network's part.
    """

    def __init__(
        self,
        hardware: RigHardware,
        described: RigDescription,
        broker: RigBroker,
        *,
        clock_s: Callable[[], float] = time.monotonic,
    ) -> None:
        check_description(described)
        self.cycle = RigCycle(described, boot_id=secrets.token_hex(6))
        endpoint = self.cycle.endpoint
        self.connection = RigConnection(
            described.rig, broker, Callbacks(lambda online: endpoint.identity(online=online), self._receive)
        )
        self._hardware = hardware
        self._period_s = 1.0 / described.sample_rate_hz
        self._clock_s = clock_s
        self._began_s = clock_s()
        self._log = structlog.get_logger(__name__).bind(rig=described.rig)

    async def run(self, stop: asyncio.Event) -> None:
        """Serve until ``stop`` is set; then unload, stop the drive and report offline.

        Raises:
            RigFaultError: the rig stopped itself. The drive was told to stop, and the fault was reported.
        """
        leaving = asyncio.Event()
        connecting = asyncio.create_task(self.connection.run(leaving))
        try:
            await self._drive(stop, connecting)
        finally:
            self._stop_drive()
            leaving.set()
            await asyncio.wait({connecting}, timeout=_GOODBYE_S)
            connecting.cancel()
            await asyncio.gather(connecting, return_exceptions=True)
            dropped = (self.connection.frames.dropped, self.connection.answers.dropped)
            self._log.info("rig_stopped", frames_dropped=dropped[0], answers_dropped=dropped[1])

    async def _drive(self, stop: asyncio.Event, connecting: asyncio.Task[None]) -> None:
        cycle, until_s = self.cycle, float("inf")
        due_s = self._clock_s()
        while self._clock_s() < until_s:
            due_s = max(due_s + self._period_s, self._clock_s())  # what was missed is not made up for
            await asyncio.sleep(due_s - self._clock_s())
            try:
                self._sample()
                if connecting.done():
                    connecting.result()
            except Exception as error:
                # Whatever it is, a rig that cannot read, pull or judge must not go on.
                raise self._fault(error) from error
            if stop.is_set():
                if until_s == float("inf"):
                    cycle.core.stand_down()
                    until_s = self._clock_s() + UNLOADS_WITHIN_S
                if max(cycle.applied_n) <= 0.0:
                    return

    def _sample(self) -> None:
        hardware = self._hardware
        reading = hardware.read_sensors()
        output = self.cycle.sample(reading, docked=hardware.is_docked(), t_us=self._now_us())
        hardware.apply_force(output.force_n)
        for notice in output.notices:
            log_notice(self._log, notice)
        self._put(output.messages)

    def _receive(self, payload: bytes) -> None:
        judged, messages = self.cycle.receive(payload, t_us=self._now_us())
        log_command(self._log, judged, self.cycle.core)
        self._put(messages)

    def _put(self, messages: tuple[Message, ...]) -> None:
        for topic, content in messages:
            queue = self.connection.frames if topic is Topic.FRAME else self.connection.answers
            queue.put(topic, content)

    def _fault(self, error: Exception) -> RigFaultError:
        self._stop_drive()
        detail = f"{type(error).__name__}: {error}"[:200]
        self._log.error("rig_fault", detail=detail)
        self._put(self.cycle.fail(detail, t_us=self._now_us()))
        return RigFaultError(detail)

    def _stop_drive(self) -> None:
        # A drive that cannot be told anything any more has its watchdog.
        with contextlib.suppress(Exception):
            self._hardware.stop()

    def _now_us(self) -> int:
        """The rig's own clock, microseconds since it booted."""
        return int((self._clock_s() - self._began_s) * 1e6)


async def serve_rig(
    hardware: RigHardware, described: RigDescription, broker: RigBroker, *, stop: asyncio.Event | None = None
) -> None:
    """Run a rig from an integrator's four functions.

    Args:
        hardware: the four functions.
        described: the rig.
        broker: where it connects and how.
        stop: set it to end; without one the rig runs until it is cancelled or faulty.

    Raises:
        ValueError: the description holds what the contract or this software does not allow.
        RigFaultError: the rig stopped itself.
    """
    await RigServer(hardware, described, broker).run(stop or asyncio.Event())
