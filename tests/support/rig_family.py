"""A program for `test_check_rig`: virtual rigs, each with one defect, checked by the kit; JSON out.

A process of its own, so that a test that waits does not stop the rigs. Usage, from the root:
``python -m tests.support.rig_family PORT NAME…`` (each a defect, or one of `GOOD`).
"""

from __future__ import annotations

import asyncio
import json
import logging
import sys
from typing import Any

import aiomqtt
import structlog

from ebbset.conformance.kit import check_rig
from ebbset.controller.link.settings import BrokerSettings
from ebbset.models.contract.wire import Topic
from ebbset.simulators.lifter import layout as lay
from ebbset.simulators.lifter.exercises import exercise
from ebbset.simulators.rig import virtual_rig
from ebbset.simulators.rig.defects import Defect
from ebbset.simulators.rig.virtual_rig import VirtualRig, VirtualRigSettings
from tests.support.served import until

PACE_M_S = 0.4
NEAR_M = 0.02
AT_ONCE = 16
GOOD: dict[str, dict[str, Any]] = {"frames": {}, "summaries": {"telemetry": "repetitions"}}


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


async def examine(port: int, name: str, *, defect: str | None = None, **settings: Any) -> dict[str, Any]:
    """One rig from its start to its report."""
    broker = BrokerSettings(port=port)
    settings["defect"] = None if defect is None else Defect(defect)
    rig = VirtualRig(
        VirtualRigSettings(
            rig=name, lifter=exercise("row").mean_lifter(), broker=broker, ready_after_s=None, **settings
        )
    )
    stop = asyncio.Event()
    async with aiomqtt.Client(broker.host, broker.resolved_port) as client:
        await client.subscribe(Topic.IDENTITY.path(name), qos=1)
        running = asyncio.create_task(rig.run(stop))
        async with asyncio.timeout(60):
            await anext(client.messages)
    report = await check_rig(name, broker, hands=Hands(rig))
    stop.set()
    await running
    return report.as_json()


async def examine_all(port: int, names: list[str]) -> dict[str, dict[str, Any]]:
    """Some at a time; a first one alone would show what compiling costs, so it is run and forgotten."""
    # Slow enough to be found slow, and no slower than a test can wait for.
    virtual_rig.SLOW_ACK_S = 0.35  # type: ignore[misc]
    await examine(port, "warm-up", defect=Defect.NEVER_ACKS)
    slots = asyncio.Semaphore(AT_ONCE)

    async def one(name: str) -> dict[str, Any]:
        async with slots:
            return await examine(port, f"rig.{name}", **GOOD.get(name, {"defect": name}))

    return dict(zip(names, await asyncio.gather(*map(one, names)), strict=True))


if __name__ == "__main__":
    structlog.configure(wrapper_class=structlog.make_filtering_bound_logger(logging.ERROR))
    json.dump(asyncio.run(examine_all(int(sys.argv[1]), sys.argv[2:])), sys.stdout)
