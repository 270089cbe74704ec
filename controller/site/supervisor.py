"""The supervisor of a site: reads the settings, keeps the workers alive, and never touches a rig itself.

A worker that died or stopped reporting is ended, if need be, and begun again, un-armed; its rigs have unloaded by their
leases long before. A changed settings file is read when it changes or on request; what cannot be used is refused as a
whole, and the settings before stay in force. Rigs that change are changed by their workers between sets.
"""

from __future__ import annotations

import asyncio
import contextlib
from collections import Counter
from collections.abc import Sequence
from pathlib import Path
from typing import Final

import structlog

from ebbset.controller.link.settings import ServeSettings
from ebbset.controller.site.assignment import assigned
from ebbset.controller.site.health import report_health
from ebbset.controller.site.restart_delay import restart_delay_s
from ebbset.controller.site.service_manager import ServiceManager
from ebbset.controller.site.site_figures import SiteFigures, WorkerFigures
from ebbset.controller.site.site_settings import SiteSettings, read_site
from ebbset.controller.site.worker_process import WorkerProcess
from ebbset.models.contract.problems import BadDocumentError, UnusableFileError

LOOK_S: Final = 0.5
MOST_SILENT_LOOKS: Final = 10
"""Five seconds: ten reports. Looks are counted rather than seconds, so that a supervisor that was itself suspended does
not take its workers for dead."""
STARTING_LOOKS: Final = 240
"""A worker imports much before its first report, which takes long on a small and busy computer."""
STOP_S: Final = 15.0
"""An orderly stop takes a service 4 s for the set, 1 s for its reports and 5 s for the recording, at most."""
_log = structlog.get_logger(__name__)


class Supervisor:
    """Serves a site.

    Args:
        path: the settings file.
        worker_command: program and arguments that start a worker.
        manager: is told how the service is doing; systemd when left out.

    Attributes:
        figures: replaced as a whole, never changed, so that other threads may read it.

    Raises:
        BadDocumentError: the settings cannot be used.
        UnusableFileError: they cannot be read.
    """

    def __init__(self, path: Path, worker_command: Sequence[str], manager: ServiceManager | None = None) -> None:
        self._path = path
        self._command = tuple(worker_command)
        self._manager = ServiceManager() if manager is None else manager
        self.settings: SiteSettings = read_site(path)
        self._rigs: dict[str, ServeSettings] = self.settings.rig_settings(path.parent)
        self._workers: list[WorkerProcess | None] = [None] * self.settings.worker_count
        self._restarts = [Counter[str]() for _ in self._workers]
        self._assignment: dict[str, int] = {}
        self._seen = self._mark()
        self._refused = 0
        self._ready = False
        self._asked = asyncio.Event()
        self.figures = SiteFigures(rigs=tuple(self._rigs))

    def reload(self) -> None:
        """Read the settings again, changed or not."""
        self._asked.set()

    def worker_pids(self) -> list[int]:
        """Process ids of the workers that run."""
        return [worker.pid for worker in self._workers if worker is not None and not worker.ended]

    async def run(self, stop: asyncio.Event) -> int:
        """Serve until ``stop`` is set.

        Args:
            stop: set by the caller to end the service in order.

        Returns:
            0 after an orderly stop, 1 when a worker had to be killed for it.
        """
        self._assign()
        minding = [asyncio.create_task(self._mind(k)) for k in range(len(self._workers))]
        telling = asyncio.create_task(self._tell())
        waiting = asyncio.create_task(stop.wait())
        site = self.settings
        reporting: list[asyncio.Task[None]] = []
        if site.site is not None:
            broker = site.site_broker(self._path.parent)
            reporting.append(asyncio.create_task(report_health(broker, site.site, lambda: self.figures)))
        try:
            # A defect of ours must end the service rather than leave rigs unsupervised.
            done, _ = await asyncio.wait({waiting, telling, *reporting, *minding}, return_when=asyncio.FIRST_COMPLETED)
        finally:
            self._manager.stopping()
            for task in (waiting, telling, *reporting, *minding):
                task.cancel()
            await asyncio.gather(waiting, telling, *reporting, *minding, return_exceptions=True)
            in_time = await asyncio.gather(*[worker.stop(STOP_S) for worker in self._workers if worker is not None])
        for task in done - {waiting}:
            task.result()
        if not all(in_time):
            _log.error("worker_killed_at_stop", after_s=STOP_S, next="its rigs unload by their leases")
        return 0 if all(in_time) else 1

    # --- workers --------------------------------------------------------------------------------------------------

    async def _mind(self, k: int) -> None:
        """Keep one worker running."""
        failures = 0
        while True:
            worker = self._workers[k] = await WorkerProcess.begin(self._command)
            _log.info("worker_begun", worker=k, pid=worker.pid)
            worker.serve(self._rigs_of(k))
            cause = await self._until_lost(worker)
            failures = 1 if worker.beats > MOST_SILENT_LOOKS else failures + 1
            await worker.kill()
            self._restarts[k][cause] += 1
            delay_s = restart_delay_s(failures)
            rigs = [rig for rig, owner in self._assignment.items() if owner == k]
            _log.error("worker_lost", worker=k, cause=cause, rigs=rigs, again_after_s=delay_s, next="un-armed")
            await asyncio.sleep(delay_s)

    async def _until_lost(self, worker: WorkerProcess) -> str:
        silent, before = 0, 0
        while True:
            await asyncio.sleep(LOOK_S)
            if worker.ended:
                return "died"
            silent, before = (0 if worker.beats > before else silent + 1), worker.beats
            if silent > (MOST_SILENT_LOOKS if before else STARTING_LOOKS):
                return "hung"

    def _rigs_of(self, k: int) -> dict[str, ServeSettings]:
        return {rig: settings for rig, settings in self._rigs.items() if self._assignment[rig] == k}

    def _assign(self) -> None:
        """Give each rig a worker; one that still serves a rig that was taken out keeps it until it has let go."""
        serving: dict[str, int] = {}
        for k, worker in enumerate(self._workers):
            if worker is not None and worker.report is not None:
                serving |= dict.fromkeys(worker.report.rigs, k)
        self._assignment = assigned(self._rigs, len(self._workers), serving | self._assignment)

    # --- settings -------------------------------------------------------------------------------------------------

    def _mark(self) -> tuple[int, ...]:
        with contextlib.suppress(OSError):
            found = self._path.stat()
            return found.st_mtime_ns, found.st_size, found.st_ino
        return ()

    def _look_at_settings(self) -> bool:
        """Read the file again when that is asked for or it has changed; whether that was so."""
        mark = self._mark()
        if not self._asked.is_set() and (not mark or mark == self._seen):
            return False
        self._asked.clear()
        self._seen = mark
        self._manager.reloading()
        try:
            settings = read_site(self._path)
        except (BadDocumentError, UnusableFileError) as error:
            self._refused += 1
            _log.error("settings_refused", why=str(error), next="the settings before stay in force")
            return True
        for name in ("workers", "metrics", "site"):
            if getattr(settings, name) != getattr(self.settings, name):
                _log.warning("settings_need_restart", field=name, next="it keeps its value until then")
        self._take(settings)
        return True

    def _take(self, settings: SiteSettings) -> None:
        before, self._rigs = self._rigs, settings.rig_settings(self._path.parent)
        self.settings = settings
        self._assign()
        for k, worker in enumerate(self._workers):
            if worker is not None and not worker.ended:
                worker.serve(self._rigs_of(k))
        _log.info(
            "settings_read",
            added=sorted(self._rigs.keys() - before.keys()),
            removed=sorted(before.keys() - self._rigs.keys()),
            changed=sorted(rig for rig in before.keys() & self._rigs.keys() if before[rig] != self._rigs[rig]),
        )

    # --- telling --------------------------------------------------------------------------------------------------

    async def _tell(self) -> None:
        """Look at the settings and at the workers twice a second, and say how the service is doing."""
        while True:
            reloaded = self._look_at_settings()
            self.figures = self._figures()
            served = len(self.figures.readings.keys() & set(self.figures.rigs))
            status = f"{served} of {len(self.figures.rigs)} rigs served"
            if self._ready and reloaded:
                self._manager.ready(status)
            elif not self._ready and self.figures.healthy:
                self._ready = True
                _log.info("site_ready", rigs=served, workers=len(self._workers))
                self._manager.ready(status)
            self._manager.alive(status)
            await asyncio.sleep(LOOK_S)

    def _figures(self) -> SiteFigures:
        found = SiteFigures(rigs=tuple(self._rigs), settings_refused=self._refused)
        for k, worker in enumerate(self._workers):
            report = None if worker is None or worker.ended else worker.report
            lag_s = 0.0 if report is None else report.lag_s
            found.workers[str(k)] = WorkerFigures(report is not None, lag_s, self._restarts[k].copy())
            if report is not None:
                found.readings |= report.rigs
        return found
