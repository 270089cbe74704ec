"""One worker as its supervisor sees it: a process that is begun, told its rigs, listened to, and ended.

Never here: when to begin one again; that is `supervisor`.
"""

from __future__ import annotations

import asyncio
import contextlib
import json
import signal
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

from ebbset.controller.link.settings import ServeSettings
from ebbset.controller.site.worker import MOST_LINE_BYTES


@dataclass(slots=True)
class WorkerReport:
    """What a worker last said: how late its loop was, s, and the reading of each rig that it serves."""

    lag_s: float = 0.0
    rigs: dict[str, dict[str, Any]] = field(default_factory=dict)


class WorkerProcess:
    """A worker that runs.

    Args:
        process: begun by `begin`.
    """

    def __init__(self, process: asyncio.subprocess.Process) -> None:
        self._process = process
        self.report: WorkerReport | None = None
        self.beats = 0
        self._listening = asyncio.create_task(self._listen())

    @classmethod
    async def begin(cls, command: Sequence[str]) -> WorkerProcess:
        """Start a worker.

        Args:
            command: program and arguments.

        Raises:
            OSError: it cannot be started.
        """
        pipe = asyncio.subprocess.PIPE
        return cls(await asyncio.create_subprocess_exec(*command, stdin=pipe, stdout=pipe, limit=MOST_LINE_BYTES))

    @property
    def pid(self) -> int:
        """Its process id."""
        return self._process.pid

    @property
    def ended(self) -> bool:
        """The process is gone."""
        return self._process.returncode is not None

    def serve(self, rigs: Mapping[str, ServeSettings]) -> None:
        """Tell it the whole table of its rigs.

        Args:
            rigs: settings by name.
        """
        self._say({"rigs": {name: settings.model_dump(mode="json") for name, settings in rigs.items()}})

    async def stop(self, timeout_s: float) -> bool:
        """Ask for an orderly end, and kill what has not ended in time.

        Args:
            timeout_s: how long to wait, seconds.

        Returns:
            Whether it ended by itself, or had not begun to serve.
        """
        self._say({"stop": True})
        with contextlib.suppress(TimeoutError):
            await asyncio.wait_for(self._process.wait(), timeout_s)
        in_time = self.ended or self.beats == 0
        await self.kill()
        return in_time

    async def kill(self) -> None:
        """End it at once; its rigs unload by their leases."""
        if not self.ended:
            with contextlib.suppress(ProcessLookupError):
                self._process.send_signal(signal.SIGKILL)
        await self._process.wait()
        self._listening.cancel()
        await asyncio.gather(self._listening, return_exceptions=True)

    def _say(self, what: Mapping[str, Any]) -> None:
        if self._process.stdin is not None and not self._process.stdin.is_closing():
            self._process.stdin.write(json.dumps(what).encode() + b"\n")

    async def _listen(self) -> None:
        while self._process.stdout is not None and (line := await self._process.stdout.readline()):
            said = json.loads(line)
            self.report = WorkerReport(said["lag_s"], said["rigs"])
            self.beats += 1
