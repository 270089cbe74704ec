"""What a search for one lifter comes to: the files that concern the lifter, and those that could not be searched."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from pathlib import Path
from typing import Final

INDEX: Final = "index.json"
"""The list of contents in the archive that is handed over."""
UNFINISHED: Final = ".ebbset-unfinished"
"""Ends the name of a table that is being written anew."""


class Kind(StrEnum):
    """How a file relates to the lifter."""

    PROFILE = "profile"
    RECORDING = "recording"
    ORDER = "prescription"
    PAGE = "page"
    ROWS = "table"
    STORE = "store"
    SESSION = "session"
    UNFINISHED = "unfinished"
    SHARED = "shared"
    ARCHIVE = "archive"
    MENTION = "mention"
    NAME = "name"


WHOLE: Final = frozenset({Kind.PROFILE, Kind.RECORDING, Kind.ORDER, Kind.SESSION, Kind.PAGE, Kind.UNFINISHED})
"""Files that concern nobody else, or can be made again without this lifter: deleted as a whole."""

MEANINGS: Final[dict[Kind, str]] = {
    Kind.PROFILE: "the lifter's profile; deleted as a whole",
    Kind.RECORDING: "a recorded set of this lifter, damaged ones included; deleted as a whole",
    Kind.ORDER: "the prescription of a session of this lifter; deleted as a whole",
    Kind.PAGE: "a report made from recordings; deleted as a whole; make it again from what is left",
    Kind.ROWS: "a table of an export; only this lifter's rows are taken out",
    Kind.STORE: "a history's store; only this lifter's rows are taken out",
    Kind.SESSION: "a session of this lifter: the wish, the plan or its journal; deleted as a whole",
    Kind.UNFINISHED: "left by a deletion that was interrupted; deleted as a whole",
    Kind.SHARED: "a recording that names another lifter too; left alone, since one cannot be taken out of it",
    Kind.ARCHIVE: "what was exported for this lifter; left alone, remove it by hand once it is handed over",
    Kind.MENTION: "names the lifter or a set, and is no file that ebbset may change; left alone, edit it by hand",
    Kind.NAME: "its name contains the pseudonym, and what is in it was not recognised; left alone, look at it",
}


@dataclass(frozen=True, slots=True)
class Found:
    """One file that concerns the lifter; ``rows`` is the number of the lifter's rows in a table or store, else 0."""

    path: Path
    kind: Kind
    rows: int = 0


@dataclass(frozen=True, slots=True)
class Unsearched:
    """One file that could not be searched, and why."""

    path: Path
    why: str


@dataclass(frozen=True, slots=True)
class StoreFound:
    """A store named by URL that holds rows of the lifter; ``shown`` is the URL without its password."""

    url: str
    shown: str
    rows: int


@dataclass(frozen=True, slots=True)
class Search:
    """The outcome.

    Attributes:
        lifter: the pseudonym.
        found: files that concern the lifter, in order of their paths.
        unsearched: files about which nothing can be said.
        nonces: the lifter's sets, by which tables and pages were searched too.
        stores: stores that were named by URL and hold rows of the lifter.
    """

    lifter: str
    found: tuple[Found, ...]
    unsearched: tuple[Unsearched, ...]
    nonces: frozenset[str]
    stores: tuple[StoreFound, ...] = ()
