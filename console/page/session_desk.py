"""The sessions in the home folder: those that this page leads, and those that it reads from journals others write.

A session that is led elsewhere is shown by its journal alone. Leading one takes the journal's lock, so that no two
programs lead one session; after a restart of the page nothing is led until somebody asks for it again.
"""

from __future__ import annotations

import asyncio
import dataclasses
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Final

import structlog

from ebbset.coaching.history.session_files import JOURNAL_END, PLAN_END
from ebbset.coaching.sessions.journal import Journal, is_led, read_events
from ebbset.coaching.sessions.last_sessions import followed
from ebbset.coaching.sessions.progress import SessionProgress, SessionView
from ebbset.coaching.sessions.session_events import Armed
from ebbset.coaching.sessions.session_steps import SessionPlanFile
from ebbset.console.exits import CommandError
from ebbset.console.live.session_lead import SessionLead
from ebbset.console.page.rigs.rig_hub import RigHub
from ebbset.console.page.rigs.session_at_rig import SessionAtRig
from ebbset.console.session_home import journal_path, last_sets_of, read_plan

LOOK_S: Final = 0.5
MOST: Final = 200
"""Sessions listed, the newest first."""
_log = structlog.get_logger(__name__)


@dataclass(frozen=True, slots=True)
class KnownSession:
    """One session of the home folder.

    Attributes:
        name: of its files.
        plan: what is to be done; None if it cannot be read.
        view: where it stands; None if that cannot be told.
        here: this page leads it.
        elsewhere: another program leads it.
        obstacle: why the next set cannot be armed now; empty for nothing.
        problem: what is wrong with its files.
    """

    name: str
    plan: SessionPlanFile | None = None
    view: SessionView | None = None
    here: bool = False
    elsewhere: bool = False
    obstacle: str = ""
    problem: str = ""


@dataclass(slots=True)
class _Led:
    lead: SessionLead
    journal: Journal
    task: asyncio.Task[None]


@dataclass(slots=True)
class _Read:
    seen: tuple[int, int, int, int]
    plan: SessionPlanFile | None
    progress: SessionProgress | None
    problem: str


class SessionDesk:
    """The sessions of one home folder.

    Args:
        home: the folder; need not exist.
        hub: the rigs, which are told of the session that is on them.
        wall_s: UTC seconds.
    """

    def __init__(self, home: Path, hub: RigHub, wall_s: Callable[[], float]) -> None:
        self._home, self._hub, self._wall_s = home, hub, wall_s
        self._led: dict[str, _Led] = {}
        self._read: dict[str, _Read] = {}

    def sessions(self) -> list[KnownSession]:
        """All sessions, those that were touched last first."""
        return [self._known(name) for name in self._names()]

    def find(self, name: str) -> KnownSession | None:
        """One session; None for a name that none has.

        Args:
            name: from an address.
        """
        return self._known(name) if name in self._names() else None

    def lead_of(self, name: str) -> SessionLead | None:
        """The lead of a session that this page leads.

        Args:
            name: of the session.
        """
        led = self._led.get(name)
        return None if led is None else led.lead

    def lead(self, name: str) -> str:
        """Begin to lead a session, or go on with one.

        Args:
            name: of the session.

        Returns:
            why not, in a sentence; empty when it is led.
        """
        if name in self._led:
            return ""
        try:
            _, plan = read_plan(self._home, name)
            known, _ = last_sets_of(self._home, plan.lifter, but=name)
            journal = Journal.open(journal_path(self._home, name))
        except (CommandError, ValueError) as error:
            return str(error)
        try:
            lead = SessionLead(plan, journal, self._hub.broker, last_sets=known, now_s=self._wall_s)
        except ValueError as error:
            journal.close()
            return str(error)
        self._led[name] = _Led(lead, journal, asyncio.create_task(lead.run(), name=f"session {name}"))
        self._led[name].task.add_done_callback(lambda task: self._over(name, task))
        _log.info("session_led", session=name)
        return ""

    async def leave(self, name: str) -> None:
        """Leave off leading; the session can be picked up from its journal, here or elsewhere.

        Args:
            name: of the session.
        """
        led = self._led.get(name)
        if led is not None:
            led.task.cancel()
            await asyncio.gather(led.task, return_exceptions=True)

    async def run(self) -> None:
        """Tell the rigs which session is on them, until cancelled."""
        while True:
            self.look()
            await asyncio.sleep(LOOK_S)

    def look(self) -> None:
        """Tell the rigs once."""
        at: dict[str, SessionAtRig] = {}
        for known in self.sessions():
            view, plan = known.view, known.plan
            if view is None or plan is None or view.step is None or not (known.here or known.elsewhere):
                continue
            if view.order is not None and view.nonce is not None:
                self._hub.orders.know(view.order)
            at.setdefault(view.step.rig, SessionAtRig.of(known.name, plan, view, here=known.here))
        for watch in self._hub.watches.values():
            watch.take_session(at.get(watch.rig))

    async def close(self) -> None:
        """Leave off leading every session."""
        for name in tuple(self._led):
            await self.leave(name)

    def _over(self, name: str, task: asyncio.Task[None]) -> None:
        """A lead has ended: give its journal back."""
        self._led.pop(name).journal.close()
        if not task.cancelled() and task.exception() is not None:
            _log.error("session_lead_failed", session=name, error=repr(task.exception()))

    def _names(self) -> list[str]:
        folder = self._home / "sessions"
        if not folder.is_dir():
            return []
        touched = []
        for path in folder.glob(f"*{PLAN_END}"):
            name = path.name.removesuffix(PLAN_END)
            journal = folder / f"{name}{JOURNAL_END}"
            times = [one.stat().st_mtime_ns for one in (path, journal) if one.exists()]
            touched.append((-max(times, default=0), name))
        return [name for _, name in sorted(touched)[:MOST]]

    def _known(self, name: str) -> KnownSession:
        led = self._led.get(name)
        if led is not None:
            return KnownSession(name, led.lead.plan, led.lead.view(), here=True, obstacle=led.lead.obstacle)
        read = self._journal(name)
        view = None if read.progress is None else read.progress.view(self._wall_s())
        found = KnownSession(name, read.plan, view, problem=read.problem)
        return dataclasses.replace(found, elsewhere=is_led(journal_path(self._home, name)))

    def _journal(self, name: str) -> _Read:
        """Plan and journal of a session, read again when one of them has changed."""
        plan_file, journal_file = self._home / "sessions" / f"{name}{PLAN_END}", journal_path(self._home, name)
        seen: list[int] = []
        for path in (plan_file, journal_file):
            status = path.stat() if path.exists() else None
            seen += [0, 0] if status is None else [status.st_mtime_ns, status.st_size]
        known = self._read.get(name)
        if known is None or list(known.seen) != seen:
            known = self._fresh(name, (seen[0], seen[1], seen[2], seen[3]))
            self._read[name] = known
        return known

    def _fresh(self, name: str, seen: tuple[int, int, int, int]) -> _Read:
        try:
            _, plan = read_plan(self._home, name)
        except (CommandError, ValueError) as error:
            return _Read(seen, None, None, str(error))
        try:
            events = read_events(journal_path(self._home, name))
            progress = followed(plan, events)
        except ValueError as error:
            return _Read(seen, plan, None, str(error))
        for event in events:
            if isinstance(event, Armed):
                self._hub.orders.know(event.order)
        return _Read(seen, plan, progress, "")
