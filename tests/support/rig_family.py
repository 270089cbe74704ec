"""Virtual rigs held against the conformance kit, each with one defect or none, in memory and in virtual time.

A conversation of half a minute takes a fifth of a second and comes out the same on a busy machine. Rig and kit are the
real ones; only the broker between them and the clock are not. `test_check_rig` holds the same conversation once over
Mosquitto, in real time and between two processes.
"""

from __future__ import annotations

import asyncio
from typing import Any
from unittest import mock

from ebbset.conformance import rig_client
from ebbset.conformance.kit import Report, check_rig
from ebbset.controller.link.settings import BrokerSettings
from ebbset.rig import rig_connection
from ebbset.simulators.lifter import layout as lay
from ebbset.simulators.lifter.exercises import exercise
from ebbset.simulators.rig.defects import Defect
from ebbset.simulators.rig.virtual_rig import VirtualRig, VirtualRigSettings
from tests.support.memory_broker import MemoryBroker
from tests.support.served import until
from tests.support.virtual_time import run_in_virtual_time

PACE_M_S = 0.4
NEAR_M = 0.02


class Hands:
    """The person at a virtual rig in this process."""

    def __init__(self, rig: VirtualRig) -> None:
        self.rig = rig

    def position_m(self) -> float:
        """Cable paid out at the first handle, m."""
        return float(self.rig.rig.plant.state.cables[0, lay.C_X])

    async def pull_out(self, to_m: float) -> None:
        self.rig.move_handle(to_m, PACE_M_S)
        await until(lambda: self.position_m() >= to_m - NEAR_M)

    async def bring_back(self) -> None:
        self.rig.move_handle(0.0, PACE_M_S)
        await until(lambda: self.position_m() <= NEAR_M)
        self.rig.let_go()
        await until(lambda: self.rig.rig.docked)

    async def press_stop(self) -> None:
        self.rig.press_emergency_stop()

    async def reset_stop(self) -> None:
        self.rig.reset_emergency_stop()

    async def power_cycle(self) -> None:
        self.rig.reboot()


def examine(defect: Defect | None = None, **settings: Any) -> Report:
    """One rig from its start to its report.

    Args:
        defect: what its software does wrong; None for a good rig.
        settings: other settings of the virtual rig.
    """
    broker = MemoryBroker()
    with (
        mock.patch.object(rig_client, "new_client", broker.new_client),
        mock.patch.object(rig_connection, "new_client", broker.new_client),
    ):
        return run_in_virtual_time(lambda: _examine(defect, settings))


async def _examine(defect: Defect | None, settings: dict[str, Any]) -> Report:
    nowhere, lifter = BrokerSettings(), exercise("row").mean_lifter()
    rig = VirtualRig(
        VirtualRigSettings(rig="bench", lifter=lifter, broker=nowhere, ready_after_s=None, defect=defect, **settings),
        clock_s=asyncio.get_running_loop().time,
    )
    stop = asyncio.Event()
    running = asyncio.create_task(rig.run(stop))
    await asyncio.sleep(1.0)
    report = await check_rig("bench", nowhere, hands=Hands(rig))
    stop.set()
    await running
    return report
