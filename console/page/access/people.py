"""The people who may log in to the page: roles, and a file of names with hashed passwords, mode 0600.

Passwords are hashed with argon2id and its library's own parameters (RFC 9106, second recommended option, as argon2-cffi
documents them).
"""

from __future__ import annotations

import contextlib
import fcntl
import os
import stat
import tempfile
from collections.abc import Iterator
from enum import StrEnum
from functools import lru_cache
from pathlib import Path
from typing import Annotated, Final, Literal

import argon2
import structlog
from pydantic import BaseModel, ConfigDict, Field, TypeAdapter, ValidationError

from ebbset.console.exits import CommandError, Exit
from ebbset.controller.recording.regular_files import read_document
from ebbset.models.contract.field_types import Name
from ebbset.models.contract.toml_text import read_model, write_model

LEAST_PASSWORD: Final = 12
"""Characters; a phrase is easily longer (our judgement)."""
MOST_PASSWORD: Final = 256
_HASHER: Final = argon2.PasswordHasher()
_log = structlog.get_logger(__name__)


class Role(StrEnum):
    """What a person may do on the page; each may do what the one before may."""

    OBSERVER = "observer"
    COACH = "coach"
    SITE = "site"

    def covers(self, needed: Role) -> bool:
        """Whether this role may do what needs the other.

        Args:
            needed: the least role that may.
        """
        order = list(Role)
        return order.index(self) >= order.index(needed)


class PagePerson(BaseModel):
    """One person who may log in."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    role: Role
    password: Annotated[str, Field(pattern=r"^\$argon2id\$", max_length=500)]


class PagePeople(BaseModel):
    """The file of people who may log in to the page."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    version: Literal[1] = 1
    people: dict[Name, PagePerson] = Field(default_factory=dict)


@lru_cache(maxsize=1)
def _nobody() -> str:
    """Hash that an unknown name is compared with, so that it takes as long as a known one."""
    return _HASHER.hash("nobody has this password")


def verified(people: PagePeople, name: str, password: str) -> PagePerson | None:
    """The person of that name if the password is right; takes as long for a name that nobody has.

    Args:
        people: who may log in.
        name: as typed.
        password: as typed.
    """
    person = people.people.get(name)
    with contextlib.suppress(argon2.exceptions.VerificationError, argon2.exceptions.InvalidHashError):
        _HASHER.verify(_nobody() if person is None else person.password, password[: MOST_PASSWORD + 1])
        return person
    return None


def read_people(path: Path) -> PagePeople:
    """Read the file; without one, nobody may log in.

    Args:
        path: the file.

    Raises:
        CommandError: others than its owner may read or write it.
        BadDocumentError: a field in it is wrong.
        UnusableFileError: it cannot be read.
    """
    if not path.exists():
        return PagePeople()
    mode = path.stat().st_mode
    if mode & (stat.S_IRWXG | stat.S_IRWXO):
        raise CommandError(
            f"{path}: mode is {stat.S_IMODE(mode):04o}; allowed: 0600, for its owner only (chmod 600 {path.name})",
            Exit.BAD_INPUT,
        )
    return read_model(PagePeople, read_document(path), what=str(path))


def add_person(path: Path, name: str, role: Role, password: str) -> bool:
    """Add a person, or give one a new role and password.

    Args:
        path: the file; made if missing.
        name: letters, digits, dot, hyphen and underscore; recorded as operator with what the person asks for.
        role: what the person may do.
        password: in plain; only its hash is kept.

    Returns:
        whether the name is new.

    Raises:
        CommandError: a name or password that is not allowed.
    """
    try:
        TypeAdapter(Name).validate_python(name)
    except ValidationError:
        raise CommandError(
            f"name is {name[:80]!r}; allowed: up to 64 letters, digits, dots, hyphens and underscores", Exit.USAGE
        ) from None
    if not LEAST_PASSWORD <= len(password) <= MOST_PASSWORD:
        raise CommandError(
            f"password is {len(password)} characters long; allowed: {LEAST_PASSWORD} to {MOST_PASSWORD}", Exit.USAGE
        )
    with _alone(path):
        people = read_people(path).people
        new = name not in people
        _write(path, PagePeople(people={**people, name: PagePerson(role=role, password=_HASHER.hash(password))}))
    return new


def remove_person(path: Path, name: str) -> None:
    """Remove a person; logins of that name end with the next request.

    Args:
        path: the file.
        name: whom.

    Raises:
        CommandError: nobody has that name.
    """
    with _alone(path):
        people = dict(read_people(path).people)
        if people.pop(name, None) is None:
            known = ", ".join(sorted(people)) or "nobody is listed"
            raise CommandError(f"name is {name[:80]!r}; allowed: {known}", Exit.USAGE)
        _write(path, PagePeople(people=people))


class PeopleFile:
    """The file as a running page sees it: read again when it has changed.

    Args:
        path: the file.
    """

    def __init__(self, path: Path) -> None:
        self._path = path
        self._seen: tuple[int, int] | None = None
        self._people = PagePeople()

    def now(self) -> PagePeople:
        """The people in it; if it can no longer be read, the last: a login that holds must be able to stop."""
        try:
            status = self._path.stat()
        except FileNotFoundError:
            self._seen, self._people = None, PagePeople()
            return self._people
        seen = (status.st_mtime_ns, status.st_ino)
        if seen != self._seen:
            self._seen = seen
            try:
                self._people = read_people(self._path)
            except (CommandError, ValueError) as error:
                _log.error("people_unreadable", error=str(error))
        return self._people


@contextlib.contextmanager
def _alone(path: Path) -> Iterator[None]:
    """Hold a lock beside the file, so that two commands do not undo one another."""
    path.parent.mkdir(parents=True, exist_ok=True)
    handle = os.open(path.with_name(f".{path.name}.lock"), os.O_RDWR | os.O_CREAT, 0o600)
    try:
        fcntl.flock(handle, fcntl.LOCK_EX)
        yield
    finally:
        os.close(handle)


def _write(path: Path, people: PagePeople) -> None:
    """Replace the file as a whole; ``mkstemp`` makes files that only their owner can read."""
    handle, name = tempfile.mkstemp(dir=path.parent, prefix=f".{path.name}.")
    with os.fdopen(handle, "w", encoding="utf-8") as file:
        file.write(write_model(people))
        file.flush()
        os.fsync(file.fileno())
    os.replace(name, path)
