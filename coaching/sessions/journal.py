"""The journal of a session: what happened, one JSON record a line, in a file that one program at a time may write.

Each record is on the disk before whoever leads goes on, so that a crash loses nothing that was said to have happened. A
line that a crash broke off at the end of the file is dropped and told.
"""

from __future__ import annotations

import os
from dataclasses import dataclass
from pathlib import Path
from typing import IO

from pydantic import ValidationError

from ebbset.coaching.sessions.session_events import EVENT, SessionEvent
from ebbset.models.contract.problems import UnusableFileError, problems_of

try:
    import fcntl
except ModuleNotFoundError:  # Windows, where nothing keeps two programs from leading one session
    fcntl = None  # type: ignore[assignment]


class JournalHeldError(ValueError):
    """Another program leads the session; says which file it holds."""


@dataclass(frozen=True, slots=True)
class JournalRead:
    """What a journal holds.

    Attributes:
        events: the records, in order.
        torn: bytes of a last line that was broken off, and left out.
    """

    events: tuple[SessionEvent, ...]
    torn: int


def read_journal(path: Path) -> JournalRead:
    """The records of a journal, which another program may be writing.

    Args:
        path: the file; one that does not exist holds nothing.

    Raises:
        UnusableFileError: it cannot be read, or a line that is not the last one is no record.
    """
    try:
        data = path.read_bytes()
    except FileNotFoundError:
        return JournalRead((), 0)
    except OSError as error:
        raise UnusableFileError(f"{path}: {error.strerror or error}") from None
    lines = data.split(b"\n")
    found = []
    for number, line in enumerate(lines[:-1], 1):
        try:
            found.append(EVENT.validate_json(line))
        except ValidationError as error:
            problem = problems_of(error, skip=1)[0]
            raise UnusableFileError(f"{path}: line {number}: {problem}") from None
    return JournalRead(tuple(found), len(lines[-1]))


def read_events(path: Path) -> tuple[SessionEvent, ...]:
    """The records of a journal without a last line that was broken off; see `read_journal`."""
    return read_journal(path).events


class Journal:
    """A journal that this program writes; make one with `open`.

    Args:
        file: the open and locked file.
        read: what it held.
    """

    def __init__(self, file: IO[bytes], read: JournalRead) -> None:
        self._file = file
        self.events = read.events
        self.torn = read.torn

    @classmethod
    def open(cls, path: Path) -> Journal:
        """Open or make the file, take its lock, and read what it holds.

        Args:
            path: the file.

        Raises:
            JournalHeldError: another program leads the session.
            UnusableFileError: the file cannot be opened, or holds something else.
        """
        try:
            path.parent.mkdir(parents=True, exist_ok=True)
            file = path.open("ab")
        except OSError as error:
            raise UnusableFileError(f"{path}: {error.strerror or error}") from None
        try:
            if fcntl is not None:
                fcntl.flock(file, fcntl.LOCK_EX | fcntl.LOCK_NB)
            read = read_journal(path)
            if read.torn:
                file.truncate(path.stat().st_size - read.torn)
        except BlockingIOError:
            file.close()
            raise JournalHeldError(f"{path}: another program leads this session; end it there first") from None
        except BaseException:
            file.close()
            raise
        return cls(file, read)

    def append(self, event: SessionEvent) -> None:
        """Write one record; it is on the disk when this returns.

        Args:
            event: what happened.
        """
        self._file.write(event.model_dump_json(exclude_none=True).encode() + b"\n")
        self._file.flush()
        os.fsync(self._file.fileno())

    def close(self) -> None:
        """Give the file and its lock back."""
        self._file.close()


def is_led(path: Path) -> bool:
    """Whether a program leads the session of this journal now.

    Args:
        path: the journal.
    """
    if fcntl is None or not path.is_file():
        return False
    with path.open("rb") as file:
        try:
            fcntl.flock(file, fcntl.LOCK_SH | fcntl.LOCK_NB)
        except BlockingIOError:
            return True
    return False
