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
from ebbset.controller.service.serve import Served
from tests.support.brokers import Mosquitto
from tests.support.operators import PATIENCE_S

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


class _ServedByAClock(Served):
    """Served by another clock than the system's, such as one that it shares with its rig."""

    def __init__(self, settings: ServeSettings, clock_s: Callable[[], float], **more: Any) -> None:
        self._clock_s = clock_s
        super().__init__(settings, **more)

    def now_us(self) -> int:
        return round(self._clock_s() * 1e6)


@contextlib.asynccontextmanager
async def serving(
    settings: ServeSettings, *, expect: int = 0, clock_s: Callable[[], float] | None = None, **more: Any
) -> AsyncIterator[Served]:
    """A controller in this process; stopped in order at the end, which must give ``expect``."""
    served = Served(settings, **more) if clock_s is None else _ServedByAClock(settings, clock_s, **more)
    stop = asyncio.Event()
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
