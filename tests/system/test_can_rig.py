"""The examples of a rig: every conformance check over CAN, hands included, and a drive that outlives its master.

In virtual time, where half a minute of conversation takes a fraction of a second and comes out the same on any machine.
"""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Coroutine
from dataclasses import replace
from typing import Any, TypeVar
from unittest import mock

import can
import pytest

from ebbset.conformance import rig_client
from ebbset.conformance.checks import CATALOGUE
from ebbset.conformance.kit import Report, Status, check_rig
from ebbset.controller.link.settings import BrokerSettings
from ebbset.rig import rig_connection
from ebbset.rig.hardware import SensorReading
from ebbset.rig.rig_server import RigFaultError, RigServer
from examples import rig_side
from examples.can_drive import OWN_RAMP_N_PER_S, STATUS_S, WATCHDOG_S, SimulatedDrive
from examples.can_rig import CanRig, described
from tests.support.memory_broker import MemoryBroker
from tests.support.served import until
from tests.support.virtual_time import run_in_virtual_time

T = TypeVar("T")


class Workshop:
    """Drive, bus and master, and the person beside them."""

    def __init__(self, make_rig: Callable[[can.BusABC], CanRig] = CanRig) -> None:
        self.loop = asyncio.get_running_loop()
        self.ours, self.theirs = (can.Bus("test", interface="virtual") for _ in range(2))
        self.drive = SimulatedDrive(self.theirs, self.loop.time)
        self._make_rig = make_rig
        self.drive_task = asyncio.create_task(self._run_drive())
        self.start()

    async def _run_drive(self) -> None:
        while True:
            self.drive.advance()
            await asyncio.sleep(STATUS_S)

    def start(self) -> None:
        while self.ours.recv(timeout=0) is not None:
            pass
        self.stop = asyncio.Event()
        self.server = RigServer(
            self._make_rig(self.ours), described("workshop"), BrokerSettings(), clock_s=self.loop.time
        )
        self.serving = asyncio.create_task(self.server.run(self.stop))

    async def close(self) -> None:
        self.stop.set()
        await self.serving
        self.switch_off()

    def switch_off(self) -> None:
        self.drive_task.cancel()
        self.ours.shutdown()
        self.theirs.shutdown()

    # --- the person ----------------------------------------------------------------------------------------------

    async def pull_out(self, to_m: float) -> None:
        self.drive.guide(to_m, 0.4)
        await until(lambda: self.drive.position_m >= to_m - 0.001)

    async def bring_back(self) -> None:
        self.drive.guide(0.0, 0.4)
        await until(lambda: self.drive.position_m <= 0.001)
        self.drive.let_go()

    async def press_stop(self) -> None:
        self.drive.stop_pressed = True

    async def reset_stop(self) -> None:
        self.drive.stop_pressed = False

    async def power_cycle(self) -> None:
        self.server.connection.break_off()
        self.serving.cancel()
        await asyncio.gather(self.serving, return_exceptions=True)
        self.start()


def in_memory(main: Callable[[], Coroutine[Any, Any, T]]) -> T:
    """Run with a broker in memory, in virtual time."""
    broker = MemoryBroker()
    with (
        mock.patch.object(rig_client, "new_client", broker.new_client),
        mock.patch.object(rig_connection, "new_client", broker.new_client),
    ):
        return run_in_virtual_time(main)


def examine(make_rig: Callable[[can.BusABC], CanRig] = CanRig) -> Report:
    async def main() -> Report:
        workshop = Workshop(make_rig)
        await asyncio.sleep(1.0)
        report = await check_rig("workshop", BrokerSettings(), hands=workshop)
        await workshop.close()
        return report

    return in_memory(main)


def test_a_drive_over_can_passes_every_check() -> None:
    report = examine()
    assert [(r.check.name, r.measured) for r in report.results if r.status is not Status.PASSED] == []
    assert len(report.results) == len(CATALOGUE)


def test_the_rig_on_one_page_passes_every_check_that_needs_no_hands() -> None:
    async def main() -> Report:
        stop, loop = asyncio.Event(), asyncio.get_running_loop()
        server = RigServer(rig_side.Hardware(), rig_side.described("page"), BrokerSettings(), clock_s=loop.time)
        serving = asyncio.create_task(server.run(stop))
        await asyncio.sleep(1.0)
        report = await check_rig("page", BrokerSettings())
        stop.set()
        await serving
        return report

    report = in_memory(main)
    assert [r for r in report.results if r.status not in (Status.PASSED, Status.NOT_DONE)] == []
    assert {r.measured for r in report.results if r.status is Status.NOT_DONE} <= {
        "needs hands at the rig",
        "needs dock_is_true to pass first",
        "needs position_in_metres to pass first",
    }
    assert report.count(Status.PASSED) >= 45


class ReversedRig(CanRig):
    """An integrator who took the wrong sign."""

    def read_sensors(self) -> SensorReading:
        read = super().read_sensors()
        return replace(read, velocity_m_s=(-read.velocity_m_s[0],))


def test_what_the_four_functions_do_wrong_the_checks_find() -> None:
    report = examine(ReversedRig)
    assert {r.check.name for r in report.results if r.status is Status.FAILED} == {"velocity_positive_outward"}


def test_a_drive_whose_master_is_gone_takes_the_force_off_by_itself() -> None:
    async def main() -> tuple[float, float, bool]:
        workshop = Workshop()
        rig = CanRig(workshop.ours)
        await asyncio.sleep(0.1)
        workshop.serving.cancel()
        await asyncio.gather(workshop.serving, return_exceptions=True)
        for _ in range(50):
            rig.apply_force((0.0,) if workshop.drive.tripped else (150.0,))
            await asyncio.sleep(0.01)
        held_n = workshop.drive.applied_n
        await asyncio.sleep(WATCHDOG_S + 150.0 / OWN_RAMP_N_PER_S + 2 * STATUS_S)
        left_n, tripped = workshop.drive.applied_n, workshop.drive.tripped
        rig.apply_force((150.0,))
        await asyncio.sleep(0.03)
        assert workshop.drive.applied_n == 0.0, "a trip is reset by a setpoint of nothing, and by no other"
        workshop.switch_off()
        return held_n, left_n, tripped

    held_n, left_n, tripped = in_memory(main)
    assert held_n == pytest.approx(150.0, abs=1.0)
    assert (left_n, tripped) == (0.0, True)


def test_a_silent_drive_stops_the_rig_and_is_reported() -> None:
    async def main() -> tuple[str, list[str]]:
        workshop = Workshop()
        async with rig_client.open_rig_client("workshop", BrokerSettings()) as client:
            await asyncio.sleep(0.5)
            workshop.drive_task.cancel()
            with pytest.raises(RigFaultError) as failed:
                await workshop.serving
            await asyncio.sleep(0.1)
            broker_saw = [heard.message.kind.value for heard in client.events]
            assert client.identities[-1].message.online is False
        workshop.switch_off()
        return str(failed.value), broker_saw

    why, kinds = in_memory(main)
    assert why == "ConnectionError: the drive was silent for 6 periods; allowed: 5"
    assert kinds == ["fault"]
