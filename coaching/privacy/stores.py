"""Stores of a history among the files: which are ours, what they hold of a lifter, and taking it out.

SQLAlchemy is imported only where there is a store, since most folders hold none.
"""

from __future__ import annotations

import json
from collections.abc import Iterable
from pathlib import Path
from typing import Any, Final

from ebbset.coaching.privacy.found import StoreFound
from ebbset.models.contract.problems import UnusableFileError

SQLITE_HEAD: Final = b"SQLite format 3\0"
SIDE_FILES: Final = ("-wal", "-shm")
"""Ends of the names of files that SQLite keeps beside a database; they hold a part of it."""


class UnsearchableStoreError(ValueError):
    """A store that cannot be searched; the text says why."""


def is_sqlite(path: Path) -> bool:
    """Whether a file is a database of SQLite, of whatever program.

    Args:
        path: a regular file.
    """
    with path.open("rb") as file:
        return file.read(len(SQLITE_HEAD)) == SQLITE_HEAD


def rows_in_file(path: Path, lifter: str, nonces: Iterable[str]) -> dict[str, list[dict[str, Any]]] | None:
    """The lifter's rows in a database file, by table; None for a database of another program.

    Args:
        path: the file.
        lifter: pseudonym.
        nonces: the lifter's sets.

    Raises:
        UnsearchableStoreError: it is a store, or may be one, and cannot be searched.
    """
    try:
        from ebbset.coaching.history.databases import is_store, sqlite_url

        return rows_in(sqlite_url(path), lifter, nonces) if is_store(path) else None
    except ModuleNotFoundError as error:
        raise UnsearchableStoreError(f"a database, and {error.name} is not installed (ebbset[history])") from None
    except UnusableFileError as error:
        raise UnsearchableStoreError(str(error).removeprefix(f"{path}: ")) from None


def rows_in(url: str, lifter: str, nonces: Iterable[str]) -> dict[str, list[dict[str, Any]]]:
    """The lifter's rows in a store, by table.

    Args:
        url: of the store.
        lifter: pseudonym.
        nonces: the lifter's sets.

    Raises:
        UnusableFileError: the store cannot be opened.
    """
    from ebbset.coaching.history.store import HistoryStore

    with HistoryStore.open(url) as store:
        return store.rows_of(lifter, nonces)


def named_store(url: str, lifter: str, nonces: Iterable[str]) -> StoreFound | None:
    """What a store that is named by URL holds of the lifter; None for nothing.

    Args:
        url: of the store.
        lifter: pseudonym.
        nonces: the lifter's sets.

    Raises:
        UnusableFileError: the store cannot be opened.
    """
    from ebbset.coaching.history.databases import parsed, shown

    count = sum(len(rows) for rows in rows_in(url, lifter, nonces).values())
    return StoreFound(url, shown(parsed(url)), count) if count else None


def nonces_in(rows: dict[str, list[dict[str, Any]]]) -> set[str]:
    """Nonces of the lifter's sets, by which other files are searched.

    Args:
        rows: from `rows_in`.
    """
    return {str(row["nonce"]) for table in ("sets", "session_sets") for row in rows[table]}


def take_out(url: str, lifter: str, nonces: Iterable[str]) -> None:
    """Take the lifter's rows out of a store, and overwrite what is left of them in its files.

    Args:
        url: of the store.
        lifter: pseudonym.
        nonces: the lifter's sets.

    Raises:
        UnusableFileError: the store cannot be written, or another program reads it; run it again.
    """
    from ebbset.coaching.history.store import HistoryStore

    with HistoryStore.open(url) as store:
        store.forget(lifter, nonces)


def take_out_of_file(path: Path, lifter: str, nonces: Iterable[str]) -> None:
    """The same for a store in a file.

    Args:
        path: the file.
        lifter: pseudonym.
        nonces: the lifter's sets.

    Raises:
        UnusableFileError: as for `take_out`.
    """
    from ebbset.coaching.history.databases import sqlite_url

    take_out(sqlite_url(path), lifter, nonces)


def as_document(rows: dict[str, list[dict[str, Any]]]) -> bytes:
    """A lifter's rows as JSON, to be handed over.

    Args:
        rows: from `rows_in`.
    """
    return json.dumps(rows, indent=1, ensure_ascii=False).encode()
