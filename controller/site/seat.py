"""One rig's place in a worker: serves it, begins it again when its service died, and changes it between sets only.

Never here: other rigs, processes.
"""

from __future__ import annotations

import asyncio
import contextlib
from typing import Final

import structlog

from ebbset.controller.link.settings import ServeSettings
from ebbset.controller.metrics.rig_metrics import RigMetrics
from ebbset.controller.service.arming_turns import ArmingTurns
from ebbset.controller.service.log_context import logging_for
from ebbset.controller.service.policy_registry import Registry
from ebbset.controller.service.serve import Served
from ebbset.controller.site.restart_delay import restart_delay_s

TELEMETRY_PER_S: Final = 250.0
"""Twelve times what a rig with frames of 50 ms sends; our judgement."""
_log = structlog.get_logger(__name__)


class RigSeat:
    """Serves one rig until it is no longer wanted.

    Args:
        settings: of the rig.
        registry: drop policies, found once for all rigs.
        arming_turns: of all rigs in this loop.
    """

    def __init__(self, settings: ServeSettings, registry: Registry, arming_turns: ArmingTurns) -> None:
        self._wanted: ServeSettings | None = settings
        self._registry = registry
        self._arming_turns = arming_turns
        self._changed = asyncio.Event()
        self._end = asyncio.Event()
        self.metrics = RigMetrics()
        self.settings = settings

    def want(self, settings: ServeSettings | None) -> None:
        """Serve by these settings as soon as no set is armed or under way; None: not at all."""
        if settings != self._wanted:
            self._wanted = settings
            self._changed.set()

    def end(self) -> None:
        """Stop in order now; a set under way ends as if somebody had asked to stop it."""
        self._wanted = None
        self._end.set()
        self._changed.set()

    async def run(self) -> None:
        """Serve until nothing is wanted any more."""
        failures = 0
        while (settings := self._wanted) is not None:
            self._changed.clear()
            self.settings = settings
            with logging_for(settings.rig):
                try:
                    well = await self._serve(settings)
                except Exception as error:
                    # Whatever it is, it must cost this rig only.
                    _log.error("rig_not_served", why=f"{type(error).__name__}: {error}")
                    well = False
                failures = 0 if well else failures + 1
                if failures and not self._end.is_set():
                    delay_s = restart_delay_s(failures)
                    _log.error("rig_begins_again", after_s=delay_s, next="un-armed until a person arms")
                    with contextlib.suppress(TimeoutError):
                        await asyncio.wait_for(self._changed.wait(), delay_s)

    async def _serve(self, settings: ServeSettings) -> bool:
        """Serve by these settings until others are wanted; False when the service died."""
        # In a thread, since it reads and begins files.
        served = await asyncio.to_thread(
            Served,
            settings,
            registry=self._registry,
            observer=self.metrics.observe,
            telemetry_per_s=TELEMETRY_PER_S,
            arming_turns=self._arming_turns,
        )
        self.metrics.watch(served)
        stop = asyncio.Event()
        running = asyncio.create_task(served.run(stop))
        changing = asyncio.create_task(self._until_free(served))
        await asyncio.wait({running, changing}, return_when=asyncio.FIRST_COMPLETED)
        changing.cancel()
        stop.set()
        code = await running
        await asyncio.gather(changing, return_exceptions=True)
        return code == 0

    async def _until_free(self, served: Served) -> None:
        """Wait until something else is wanted and no set is armed or under way, or until the end."""
        await self._changed.wait()
        if self._end.is_set():
            return
        _log.info("rig_changes", next="when no set is armed or under way")
        waiting = [asyncio.create_task(served.retire()), asyncio.create_task(_until(self._end))]
        try:
            await asyncio.wait(waiting, return_when=asyncio.FIRST_COMPLETED)
        finally:
            for task in waiting:
                task.cancel()
            await asyncio.gather(*waiting, return_exceptions=True)


async def _until(event: asyncio.Event) -> None:
    await event.wait()
