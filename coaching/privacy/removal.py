"""Deleting what a search found, so that an interruption at any point leaves something that a second run finishes.

First every table is written anew beside the old one; whatever goes wrong there has changed nothing. Then files are
replaced and deleted in an order in which what identifies the rest goes last: tables that only refer to sets, tables
that say whose they are, stores, pages, and the recordings and profiles that name the lifter.
"""

from __future__ import annotations

import os
import shutil
from pathlib import Path
from typing import Final

from ebbset.coaching.privacy.found import UNFINISHED, WHOLE, Found, Kind, Search
from ebbset.coaching.privacy.packages import ExportedTable, Owner, header, write_rows
from ebbset.coaching.privacy.stores import take_out, take_out_of_file

_ORDER: Final = (
    Kind.UNFINISHED,
    Kind.ROWS,
    Kind.PAGE,
    Kind.ORDER,
    # By its path a journal goes before its plan, which says whose it is.
    Kind.SESSION,
    Kind.RECORDING,
    Kind.PROFILE,
)


def delete(search: Search) -> None:
    """Delete what is stored about the lifter: whole files, and this lifter's rows of exported tables and of stores.

    Args:
        search: what `find` returned.

    Raises:
        OSError: a file cannot be read, written or removed; run it again to go on.
        UnreadableTableError: a table has changed since the search; nothing was changed.
        UnusableFileError: a store cannot be written, or another program reads it; run it again to go on.
    """
    for one in search.found:
        if one.kind is Kind.UNFINISHED:
            one.path.unlink(missing_ok=True)
    owner = Owner(search.lifter, search.nonces)
    tables = [ExportedTable(one.path, header(one.path)) for one in search.found if one.kind is Kind.ROWS]
    beside: dict[Path, Path] = {}
    try:
        for table in tables:
            beside[table.path] = table.path.with_name(table.path.name + UNFINISHED)
            _write_others(table, owner, beside[table.path])
    except BaseException:
        for path in beside.values():
            path.unlink(missing_ok=True)
        raise
    for table in sorted(tables, key=lambda table: (table.names_lifters, str(table.path))):
        beside[table.path].replace(table.path)
        _settle(table.path.parent)
    _take_out_of_stores(search)
    for one in sorted((one for one in search.found if one.kind in WHOLE), key=_place):
        one.path.unlink(missing_ok=True)
        _settle(one.path.parent)


def _take_out_of_stores(search: Search) -> None:
    for one in search.found:
        if one.kind is Kind.STORE:
            take_out_of_file(one.path, search.lifter, search.nonces)
    for store in search.stores:
        take_out(store.url, search.lifter, search.nonces)


def _place(one: Found) -> tuple[int, str]:
    return _ORDER.index(one.kind), str(one.path)


def _write_others(table: ExportedTable, owner: Owner, path: Path) -> None:
    with path.open("wb") as file:
        write_rows(table, owner, file, theirs=False)
        file.flush()
        os.fsync(file.fileno())
    shutil.copymode(table.path, path)


def _settle(folder: Path) -> None:
    """Make sure that a replacement or removal is on the disk before the next one, where folders can be synchronised."""
    if os.name != "posix":
        return
    handle = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)
