"""Leads a person through a session in the terminal: keys in, a screen out, and everything else by `SessionLead`."""

from __future__ import annotations

import asyncio
import contextlib
import os
import sys
import termios
import tty
from collections.abc import Awaitable, Callable, Iterator
from pathlib import Path
from typing import Final, Self

from rich.live import Live

from ebbset.coaching.sessions.journal import Journal, JournalHeldError
from ebbset.coaching.sessions.progress import LEAST_SET_S
from ebbset.coaching.sessions.session_steps import SessionPlanFile
from ebbset.console.exits import CommandError, Exit
from ebbset.console.live.live_view import FRAMES_PER_S
from ebbset.console.live.session_lead import SessionLead
from ebbset.console.rig_commands.request import confirmed
from ebbset.console.session_commands.session_screen import session_picture
from ebbset.console.session_home import journal_path, last_sets_of
from ebbset.console.terminal import Terminal
from ebbset.controller.link.settings import BrokerSettings
from ebbset.models.contract.operator_messages import OperatorAnswer

LOOK_S: Final = 0.2
Confirm = Callable[[], bool]


def lead_through(name: str, plan: SessionPlanFile, home: Path, broker: BrokerSettings, who: str) -> Exit:
    """Lead through a session until it is over.

    Args:
        name: of the session.
        plan: what is to be done.
        home: the home folder.
        broker: broker of the rigs.
        who: name of the person at the terminal.

    Raises:
        CommandError: no terminal, somebody else leads the session, or its plan has changed since it began.
    """
    if not sys.stdin.isatty():
        raise CommandError(
            "standard input is no terminal; allowed: a terminal, since a person arms and starts each set", Exit.USAGE
        )
    console = Terminal()
    known, problems = last_sets_of(home, plan.lifter, but=name)
    for problem in problems:
        console.print(problem, style="italic")
    path = journal_path(home, name)
    try:
        journal = Journal.open(path)
    except JournalHeldError as error:
        raise CommandError(str(error), Exit.BAD_INPUT) from None
    try:
        if journal.torn:
            console.print(f"{path}: its last line was broken off and is left out.", style="italic")
        try:
            lead = SessionLead(plan, journal, broker, last_sets=known)
        except ValueError as error:
            raise CommandError(f"{path}: {error}", Exit.BAD_INPUT) from None
        asyncio.run(_led(lead, who, console))
    finally:
        journal.close()
    console.print(f"The session is over: {lead.view().ended_because}. `ebbset session report {name}` shows it.")
    return Exit.OK


class _Keys:
    """Single keys of the terminal, without Enter; `paused` gives the terminal back for a question."""

    def __init__(self) -> None:
        self._waiting: asyncio.Queue[str] = asyncio.Queue()
        self._descriptor = sys.stdin.fileno()
        self._before = termios.tcgetattr(self._descriptor)

    def __enter__(self) -> Self:
        tty.setcbreak(self._descriptor)
        asyncio.get_running_loop().add_reader(self._descriptor, self._read)
        return self

    def __exit__(self, *_: object) -> None:
        asyncio.get_running_loop().remove_reader(self._descriptor)
        termios.tcsetattr(self._descriptor, termios.TCSADRAIN, self._before)

    def _read(self) -> None:
        for key in os.read(self._descriptor, 64).decode(errors="replace"):
            self._waiting.put_nowait(key)

    async def key(self) -> str:
        """The next key; empty if none came within a moment."""
        with contextlib.suppress(TimeoutError):
            async with asyncio.timeout(LOOK_S):
                return await self._waiting.get()
        return ""

    @contextlib.contextmanager
    def paused(self) -> Iterator[None]:
        self.__exit__()
        try:
            yield
        finally:
            self.__enter__()


async def _led(lead: SessionLead, who: str, console: Terminal) -> None:
    """Show and obey until the session is over; whoever interrupts it has its own set stopped first."""
    while lead.view().phase != "over":
        await _until_over(lead, who, console)
        view = lead.view()
        if view.ended_because != "every set is done" or not await _again(lead, console):
            return


async def _until_over(lead: SessionLead, who: str, console: Terminal) -> None:
    said = ""

    def screen() -> object:
        return session_picture(lead.plan, lead.view(), lead.live, lead.obstacle, said)

    running = asyncio.create_task(lead.run())
    live = Live(get_renderable=screen, console=console, refresh_per_second=FRAMES_PER_S, transient=True)  # type: ignore[arg-type]
    try:
        with _Keys() as keys, live:
            while not running.done():
                key = await keys.key()
                if key.lower() == "a":
                    # The question needs the whole terminal and its Enter key.
                    live.stop()
                    with keys.paused():
                        said = await obeyed(key, lead, who, confirmed)
                    live.start()
                elif key:
                    said = await obeyed(key, lead, who, confirmed)
        await running
    finally:
        if lead.view().phase in ("armed", "working"):
            await lead.stop(who)
        running.cancel()
        await asyncio.gather(running, return_exceptions=True)


async def obeyed(key: str, lead: SessionLead, who: str, confirm: Confirm) -> str:
    """Do what a key asks for, and say what came of it.

    Args:
        key: one letter.
        lead: leads the session.
        who: name of the person at the terminal.
        confirm: shows the cautions and asks.
    """
    asks: dict[str, Callable[[], Awaitable[OperatorAnswer]]] = {
        "s": lambda: lead.start(who),
        "x": lambda: lead.stop(who),
        "l": lambda: lead.release(who),
    }
    does: dict[str, tuple[Callable[[], None], str]] = {
        "k": (lead.skip, "Skipped."),
        "r": (lead.repeat, "The last set comes once more."),
        "e": (lead.end, "The session ends."),
    }
    letter = key.lower()
    if letter == "a":
        return await _armed(lead, who, confirm)
    if letter in asks:
        return _told(await asks[letter]())
    if letter not in does:
        return ""
    do, said = does[letter]
    try:
        do()
    except ValueError as error:
        return f"{error}."
    return said


async def _armed(lead: SessionLead, who: str, confirm: Confirm) -> str:
    if lead.view().phase not in ("resting", "ready"):
        return "There is no set to arm now."
    if lead.obstacle:
        return lead.obstacle
    # In a thread, since the rigs are heard meanwhile.
    if not await asyncio.to_thread(confirm):
        return "Not armed: the cautions were not confirmed."
    return _told(await lead.arm(who, True))


def _told(answer: OperatorAnswer) -> str:
    return f"{'Accepted' if answer.accepted else 'Refused'}: {answer.message}"


async def _again(lead: SessionLead, console: Terminal) -> bool:
    """Whether the last set is to be done once more, while there is time for it."""
    left_s = lead.minutes_left_s
    if left_s < LEAST_SET_S:
        return False
    console.print("Every set is done. r repeats the last one; any other key finishes.")
    with _Keys() as keys:
        while lead.minutes_left_s > LEAST_SET_S:
            key = await keys.key()
            if key:
                if key.lower() == "r":
                    lead.repeat()
                return key.lower() == "r"
    return False
