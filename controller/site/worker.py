"""A worker process: serves the rigs that its supervisor names, all in one event loop, and reports twice a second.

Standard input brings one JSON object a line: ``{"rigs": {name: settings}}`` is the whole table, ``{"stop": true}`` or
the end of the input asks for an orderly end. Standard output carries the reports, which are the worker's sign of life:
they are sent from the same loop that serves the rigs. A report that nobody reads is left out, so that the supervisor
can never hold up a rig. Never here: what is done about a worker that does not report.
"""

from __future__ import annotations

import asyncio
import functools
import gc
import json
import os
import shutil
import signal
import sys
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Any, Final

import structlog

from ebbset.controller.link.settings import ServeSettings
from ebbset.controller.service.arming_turns import ArmingTurns
from ebbset.controller.service.policy_registry import discover
from ebbset.controller.site.seat import RigSeat

BEAT_S: Final = 0.5
LOOK_AT_DISK_S: Final = 10.0
THREADS: Final = 128
"""For what may block: connecting, beginning and ending files. Many, so that one bad disk does not take them all."""
SWITCH_S: Final = 0.001
"""How long a thread that writes a recording may keep the interpreter from the loop; Python's own is 0.005."""
MOST_LINE_BYTES: Final = 16 * 1024 * 1024
_log = structlog.get_logger(__name__)


class Worker:
    """Serves a table of rigs that may change.

    Args:
        reports: where reports go, a transport for a pipe; none are sent when left out.
    """

    def __init__(self, reports: asyncio.WriteTransport | None = None) -> None:
        self._reports = reports
        self._registry = discover()
        self._arming_turns = ArmingTurns()
        self._seats: dict[str, tuple[RigSeat, asyncio.Task[None]]] = {}
        self._stop = asyncio.Event()
        self._free: dict[Path, int] = {}

    def want(self, rigs: dict[str, ServeSettings]) -> None:
        """Serve these rigs and no others; what changes waits for the end of a set under way.

        Args:
            rigs: settings by name.
        """
        for name, (seat, _) in self._seats.items():
            seat.want(rigs.get(name))
        for name, settings in rigs.items():
            if name in self._seats and not self._seats[name][1].done():
                continue
            seat = RigSeat(settings, self._registry, self._arming_turns)
            task = asyncio.create_task(seat.run(), name=f"rig {name}")
            self._seats[name] = seat, task
            task.add_done_callback(functools.partial(self._leave, name))

    def _leave(self, name: str, task: asyncio.Task[None]) -> None:
        if name in self._seats and self._seats[name][1] is task:
            del self._seats[name]

    def stop(self) -> None:
        """End in order."""
        self._stop.set()

    async def run(self) -> None:
        """Serve until `stop`; every rig then ends in order, all at the same time."""
        helpers = [asyncio.create_task(self._report()), asyncio.create_task(self._look_at_disks())]
        await self._stop.wait()
        running = [task for _, task in self._seats.values()]
        for seat, _ in self._seats.values():
            seat.end()
        await asyncio.gather(*running, return_exceptions=True)
        for helper in helpers:
            helper.cancel()
        await asyncio.gather(*helpers, return_exceptions=True)

    async def obey(self, lines: asyncio.StreamReader) -> None:
        """Do what the supervisor says until it says stop or goes away.

        Args:
            lines: its words.
        """
        while line := await lines.readline():
            said = json.loads(line)
            if said.get("stop"):
                break
            self.want({name: ServeSettings.model_validate(values) for name, values in said["rigs"].items()})
        self.stop()

    async def _report(self) -> None:
        loop = asyncio.get_running_loop()
        due_s = loop.time()
        while True:
            due_s = max(due_s + BEAT_S, loop.time())
            await asyncio.sleep(due_s - loop.time())
            lag_s = loop.time() - due_s
            report: dict[str, Any] = {"lag_s": lag_s, "rigs": {}}
            for name, (seat, _) in list(self._seats.items()):
                seat.metrics.free_bytes = self._free.get(seat.settings.recordings)
                report["rigs"][name] = seat.metrics.reading()
                # A few figures a turn, so that rigs get theirs in between.
                await asyncio.sleep(0)
            if self._reports is not None and self._reports.get_write_buffer_size() == 0:
                self._reports.write(json.dumps(report).encode() + b"\n")

    async def _look_at_disks(self) -> None:
        while True:
            for folder in {seat.settings.recordings for seat, _ in self._seats.values()}:
                try:
                    self._free[folder] = (await asyncio.to_thread(shutil.disk_usage, folder)).free
                except OSError:
                    self._free.pop(folder, None)  # begun later, or gone; arming says which
            await asyncio.sleep(LOOK_AT_DISK_S if self._free else BEAT_S)


async def run_worker() -> None:
    """Be the worker at the other end of this process's standard input and output."""
    loop = asyncio.get_running_loop()
    loop.set_default_executor(ThreadPoolExecutor(THREADS, thread_name_prefix="worker"))
    sys.setswitchinterval(SWITCH_S)
    # Whatever else writes to standard output must not be taken for a report.
    out = os.fdopen(os.dup(1), "wb", buffering=0)
    os.dup2(2, 1)
    transport, _ = await loop.connect_write_pipe(asyncio.BaseProtocol, out)
    lines = asyncio.StreamReader(limit=MOST_LINE_BYTES)
    await loop.connect_read_pipe(lambda: asyncio.StreamReaderProtocol(lines), sys.stdin)
    worker = Worker(transport)
    # A full collection would look at every module for some 70 ms, in which no rig is served; they stay in any case.
    gc.collect()
    gc.freeze()
    loop.add_signal_handler(signal.SIGTERM, worker.stop)
    # At a terminal an interrupt reaches the whole group; the supervisor passes it on in its own words.
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    obeying = asyncio.create_task(worker.obey(lines))
    obeying.add_done_callback(lambda _task: worker.stop())
    await worker.run()
    obeying.cancel()
    for done in await asyncio.gather(obeying, return_exceptions=True):
        if isinstance(done, Exception):
            _log.error("worker_misunderstood", error=f"{type(done).__name__}: {done}")
