"""Filling a store from folders of recordings, session journals and profiles, and making one again from them alone.

What is in the folders is the truth. A store that is broken is set aside, never deleted; rows that nothing in the
folders stands for are taken out; all others are made again. Any step can be broken off and repeated.
"""

from __future__ import annotations

import contextlib
import os
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Final

from ebbset.coaching.history import databases
from ebbset.coaching.history.databases import BrokenStoreError, StoreError
from ebbset.coaching.history.rows.session_rows import session_rows
from ebbset.coaching.history.rows.set_rows import profile_row
from ebbset.coaching.history.session_files import JOURNAL_END, PLAN_END
from ebbset.coaching.history.store import HistoryStore
from ebbset.coaching.sessions.journal import read_journal
from ebbset.coaching.sessions.session_events import SessionEvent
from ebbset.coaching.sessions.session_steps import SessionPlanFile
from ebbset.controller.recording.reader import file_digest
from ebbset.controller.recording.regular_files import read_document
from ebbset.models.contract.problems import BadDocumentError, UnusableFileError
from ebbset.models.contract.profile import LifterProfile

_SIDE_FILES: Final = ("", "-wal", "-shm")


@dataclass(slots=True)
class Filled:
    """What a store was filled from.

    Attributes:
        recordings: how many were read.
        sets: how many they hold.
        sessions: how many have begun.
        profiles: how many profile files were read.
        left_out: a sentence for each file that could not be used.
        set_aside: where a broken store was moved to.
    """

    recordings: int = 0
    sets: int = 0
    sessions: int = 0
    profiles: int = 0
    left_out: list[str] = field(default_factory=list)
    set_aside: Path | None = None

    @property
    def remarks(self) -> list[str]:
        """Sentences for people about what was in the way."""
        aside = [] if self.set_aside is None else [f"the store was broken; it is now {self.set_aside}"]
        return [*aside, *(f"left out: {text}" for text in self.left_out)]


@dataclass(frozen=True, slots=True)
class HistoryFiles:
    """Files that a store is made from, each kind in a fixed order."""

    recordings: tuple[Path, ...]
    plans: tuple[Path, ...]
    profiles: tuple[Path, ...]


def history_files(places: Iterable[Path]) -> HistoryFiles:
    """The recordings, session plans and profiles under folders; a file that is named stands for itself.

    Args:
        places: folders or files.

    Raises:
        UnusableFileError: there is no such folder or file, or it cannot be read.
    """
    paths = sorted({path.resolve(): path for place in places for path in _under(place)}.values())
    return HistoryFiles(
        recordings=tuple(path for path in paths if path.suffix.lower() == ".mcap"),
        plans=tuple(path for path in paths if path.name.endswith(PLAN_END)),
        profiles=tuple(path for path in paths if path.suffix == ".toml" and not path.name.endswith(PLAN_END)),
    )


def _under(place: Path) -> Iterator[Path]:
    def fail(error: OSError) -> None:
        raise UnusableFileError(f"{error.filename}: {error.strerror}")

    if place.is_dir():
        for here, _, names in os.walk(place, onerror=fail):
            yield from (Path(here, name) for name in names)
    elif place.exists():
        yield place
    else:
        raise UnusableFileError(f"{place}: no such file or folder")


def fill(store: HistoryStore, files: HistoryFiles, *, again: bool = False) -> Filled:
    """Add everything in these files; what the store has already is left as it is.

    Args:
        store: an open store.
        files: what to add.
        again: make rows again even if the store has them.

    Raises:
        StoreError: the database cannot be used.
    """
    return _fill(store, files, Filled(), again=again)


def rebuild(url: str, files: HistoryFiles) -> Filled:
    """Make a store again from these files, whatever is in it now.

    Args:
        url: of the store.
        files: everything that there is.

    Raises:
        StoreError: the database cannot be used, and is no file that could be set aside; one of a later version of
            ebbset, and a database of something else, are left alone.
    """
    filled = Filled()
    try:
        store = HistoryStore.open(url)
        with contextlib.ExitStack() as opened:
            opened.callback(store.close)
            store.check()
            opened.pop_all()
    except BrokenStoreError as error:
        filled.set_aside = _set_aside(url, error)
        store = HistoryStore.open(url)
    with store:
        recordings: dict[str, str] = {}
        for path in sorted(files.recordings, key=lambda one: one.name, reverse=True):
            recordings |= dict.fromkeys(_usable([path], file_digest), path.name)
        sessions = _usable(files.plans, _session_key)
        profiles = _usable(files.profiles, _profile_digest)
        # First, so that a fuller recording that is gone does not stand in the way of one that is there.
        store.keep_only(recordings, sessions, profiles)
        return _fill(store, files, filled, again=True)


def read_session(plan: Path) -> tuple[SessionPlanFile, tuple[SessionEvent, ...], str]:
    """A session's plan, its journal and the name of its files.

    Args:
        plan: the file of the plan; the journal lies beside it.

    Raises:
        UnusableFileError: one of the files cannot be read.
        BadDocumentError: the plan is not valid.
    """
    name = plan.name.removesuffix(PLAN_END)
    found = SessionPlanFile.from_toml(read_document(plan), what=str(plan))
    return found, read_journal(plan.with_name(name + JOURNAL_END)).events, name


def _fill(store: HistoryStore, files: HistoryFiles, filled: Filled, *, again: bool) -> Filled:
    for path in files.recordings:
        with _noted(filled):
            added = store.add_recording(path, again=again)
            if added.left_out:
                raise UnusableFileError(f"{path}: {added.left_out}")
            filled.recordings += 1
            filled.sets += added.sets
    for path in files.plans:
        with _noted(filled):
            filled.sessions += store.add_session(*read_session(path)) is not None
    for path in files.profiles:
        with _noted(filled):
            profile = _profile(path)
            if profile is not None:
                store.add_profile(profile)
                filled.profiles += 1
    return filled


@contextlib.contextmanager
def _noted(filled: Filled) -> Iterator[None]:
    """Note a file that cannot be used and go on; a database that cannot be used ends it."""
    try:
        yield
    except StoreError:
        raise
    except (UnusableFileError, BadDocumentError) as error:
        filled.left_out.append(str(error))


def _profile(path: Path) -> LifterProfile | None:
    """The profile in a file; None for another document."""
    text = read_document(path)
    # A prescription, a study or a session file says nothing about velocity at no load.
    return LifterProfile.from_toml(text, what=str(path)) if "velocity_at_zero_m_s" in text else None


def _usable(paths: Iterable[Path], key_of: Callable[[Path], str | None]) -> set[str]:
    """Keys of the files that can be read and have one; the others are told of when the store is filled.

    Args:
        paths: the files.
        key_of: by which the store knows what is in a file.
    """
    found = set()
    for path in paths:
        with contextlib.suppress(UnusableFileError, BadDocumentError):
            found.add(key_of(path))
    return {key for key in found if key is not None}


def _session_key(path: Path) -> str | None:
    rows = session_rows(*read_session(path))
    return None if rows is None else rows.key


def _profile_digest(path: Path) -> str | None:
    profile = _profile(path)
    return None if profile is None else str(profile_row(profile)["digest"])


def _set_aside(url: str, error: BrokenStoreError) -> Path:
    """Give a broken store another name, with the files beside it; returns the new name.

    Args:
        url: of the store.
        error: by which it was found to be broken.

    Raises:
        StoreError: it is no file.
    """
    address = databases.parsed(url)
    path = Path(address.database or "")
    if address.get_backend_name() != "sqlite":
        raise error
    number = 1
    while (aside := path.with_name(f"{path.name}.broken-{number}")).exists():
        number += 1
    for end in _SIDE_FILES:
        if path.with_name(path.name + end).exists():
            path.with_name(path.name + end).rename(aside.with_name(aside.name + end))
    return aside
