"""The home folder as the session commands use it: where plans and journals are, and what they teach."""

from __future__ import annotations

import re
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final, TypeVar

import click

from ebbset.coaching.history.session_files import JOURNAL_END, PLAN_END
from ebbset.console.exits import CommandError, Exit

if TYPE_CHECKING:
    from ebbset.coaching.sessions.session_events import DayStrength
    from ebbset.coaching.sessions.session_steps import SessionPlanFile

F = TypeVar("F", bound=Callable[..., Any])
_NAME: Final = re.compile(r"[A-Za-z0-9][A-Za-z0-9_.\-]{0,63}")


def home_option(function: F) -> F:
    """Add ``--home``."""
    return click.option(
        "--home",
        type=click.Path(path_type=Path, file_okay=False),
        envvar="EBBSET_HOME",
        default=Path("ebbset-home"),
        show_default="EBBSET_HOME, else ebbset-home",
        help="Folder of sessions, profiles, recordings and history.",
    )(function)


def session_name(path: Path) -> str:
    """Name of a session from that of its file: ``tuesday.session.toml`` and ``tuesday.toml`` are ``tuesday``.

    Raises:
        CommandError: it cannot be the name of a session.
    """
    name = path.name.removesuffix(".toml").removesuffix(".session").removesuffix(".plan")
    if not _NAME.fullmatch(name):
        raise CommandError(
            f"name is {name!r}; allowed: letters, digits, underscore, dot and hyphen, a letter or digit first, at most "
            "64 of them",
            Exit.BAD_INPUT,
        )
    return name


def plan_path(home: Path, name: str) -> Path:
    """Where the plan of a session is.

    Args:
        home: the home folder.
        name: of the session.
    """
    return home / "sessions" / f"{name}{PLAN_END}"


def journal_path(home: Path, name: str) -> Path:
    """Where the journal of a session is.

    Args:
        home: the home folder.
        name: of the session.
    """
    return home / "sessions" / f"{name}{JOURNAL_END}"


def read_plan(home: Path, given: str) -> tuple[str, SessionPlanFile]:
    """The name of a session and its plan.

    Args:
        home: the home folder.
        given: name of a session there, or the path of a plan.

    Raises:
        CommandError: there is none.
        BadDocumentError: it is not usable.
    """
    from ebbset.coaching.sessions.session_steps import SessionPlanFile
    from ebbset.controller.recording.regular_files import read_document

    path = Path(given) if given.endswith(".toml") else plan_path(home, given)
    name = session_name(path)
    if not path.exists():
        known = sorted(one.name.removesuffix(PLAN_END) for one in (home / "sessions").glob(f"*{PLAN_END}"))
        raise CommandError(
            f"session is {given!r}; allowed: a plan's file, or one of {', '.join(known) or 'none yet'} in "
            f"{home / 'sessions'}",
            Exit.BAD_INPUT,
        )
    return name, SessionPlanFile.from_toml(read_document(path), what=str(path))


def last_sets_of(home: Path, lifter: str, *, but: str | None = None) -> tuple[tuple[DayStrength, ...], list[str]]:
    """What the sessions in a home folder taught about a lifter, and a sentence for each that cannot be read.

    Args:
        home: the home folder.
        lifter: pseudonym.
        but: name of a session that does not count, since it is the one to come.
    """
    from ebbset.coaching.sessions.journal import read_events
    from ebbset.coaching.sessions.last_sessions import taught
    from ebbset.coaching.sessions.session_steps import SessionPlanFile
    from ebbset.controller.recording.regular_files import read_document

    found: list[DayStrength] = []
    problems = []
    for path in sorted((home / "sessions").glob(f"*{PLAN_END}")):
        name = path.name.removesuffix(PLAN_END)
        if name == but:
            continue
        try:
            plan = SessionPlanFile.from_toml(read_document(path), what=str(path))
            if plan.lifter == lifter:
                found += taught(plan, read_events(journal_path(home, name)))
        except ValueError as error:
            problems.append(f"{path.name} is left out: {error}")
    return tuple(found), problems
