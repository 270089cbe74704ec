"""A controller served and a hand-written rig beside it, for tests over a real broker."""

from __future__ import annotations

import asyncio
import contextlib
import json
import sys
from collections.abc import AsyncIterator, Callable, Mapping
from pathlib import Path
from types import MappingProxyType
from typing import Any

from ebbset.controller.link.settings import ServeSettings
from ebbset.controller.service.serve import UNARMED_TICK_S, Served
from tests.support.brokers import Mosquitto
from tests.support.operators import PATIENCE_S
from tests.support.unhurried_clock import UnhurriedClock

HERE = Path(__file__).parent
CONTRACT = HERE.parents[1] / "contract"


def settings_for(
    broker: Mosquitto,
    folder: Path,
    rig: str,
    protocol: str = "3.1.1",
    tls: Mapping[str, Any] = MappingProxyType({}),
    **more: Any,
) -> ServeSettings:
    return ServeSettings.of(
        rig=rig,
        recordings=folder / rig,
        broker={"host": "127.0.0.1", "port": broker.port, "protocol": protocol, **tls},
        **more,
    )


async def until(condition: Callable[[], bool], timeout_s: float = PATIENCE_S) -> None:
    """Wait until a condition holds that nothing announces, such as an entry in captured logs."""
    async with asyncio.timeout(timeout_s):
        while not condition():  # noqa: ASYNC110 - logs and counters set no event that could be awaited
            await asyncio.sleep(0.01)


UNARMED_LOOKS_S = 1.5 * UNARMED_TICK_S
"""Between two ticks, and so between two looks at its clock, of a controller that is not armed; and some."""


class _Served(Served):
    """A controller by another clock than the system's, which may be one that it shares with its rig."""

    def __init__(self, settings: ServeSettings, clock_s: Callable[[], float] | None, **more: Any) -> None:
        self._clock_s = clock_s or UnhurriedClock(UNARMED_LOOKS_S)
        super().__init__(settings, **more)

    def now_us(self) -> int:
        return round(self._clock_s() * 1e6)


@contextlib.asynccontextmanager
async def serving(
    settings: ServeSettings, *, expect: int = 0, clock_s: Callable[[], float] | None = None, **more: Any
) -> AsyncIterator[Served]:
    """A controller in this process, whose clock stands still while a busy machine does not run it.

    It is stopped in order at the end, which must give ``expect``.
    """
    served, stop = _Served(settings, clock_s, **more), asyncio.Event()
    running = asyncio.create_task(served.run(stop))
    try:
        yield served
    finally:
        stop.set()
        assert await asyncio.wait_for(running, PATIENCE_S) == expect


@contextlib.asynccontextmanager
async def hand_rig(
    port: int, rig: str, telemetry: str = "frames", protocol: str = "3.1.1", contract: Path = CONTRACT
) -> AsyncIterator[Any]:
    """The rig as a process of its own; what it saw is in the mapping afterwards, unless it was killed."""
    process = await asyncio.create_subprocess_exec(
        sys.executable,
        "-m",
        "tests.support.hand_rig",
        str(port),
        rig,
        telemetry,
        protocol,
        str(contract),
        stdin=asyncio.subprocess.PIPE,
        stdout=asyncio.subprocess.PIPE,
        cwd=HERE.parents[1],
    )
    seen: dict[str, Any] = {"process": process}
    try:
        yield seen
    finally:
        out, _ = await asyncio.wait_for(process.communicate(b""), PATIENCE_S)
        seen.update(json.loads(out or b"{}"))
