"""Writing everything about a lifter into one archive: the same files and rows that a deletion takes."""

from __future__ import annotations

import hashlib
import io
import json
import zipfile
from pathlib import Path
from typing import Any

from ebbset.coaching.privacy.found import INDEX, MEANINGS, WHOLE, Found, Kind, Search, StoreFound
from ebbset.coaching.privacy.packages import ExportedTable, Owner, header, write_rows
from ebbset.coaching.privacy.stores import as_document, rows_in, rows_in_file


def export(search: Search, target: Path) -> int:
    """Write everything about the lifter into a new zip file, with an index that says where each file came from.

    Tables are written with this lifter's rows only, as CSV, and stores as JSON. What names others too is in the index
    but not copied.

    Args:
        search: what `find` returned.
        target: zip file to create.

    Returns:
        Number of files in the index.

    Raises:
        OSError: the target exists, or a file cannot be read or written; then no target is left behind.
        UnreadableTableError: a table has changed since the search.
        UnusableFileError: a store cannot be opened.
    """
    index: list[dict[str, Any]] = []
    with target.open("xb") as stream:
        try:
            with zipfile.ZipFile(stream, "w", zipfile.ZIP_DEFLATED) as archive:
                for number, one in enumerate(search.found):
                    index.append(_added(archive, search, one, number))
                index += [
                    _added_store(archive, search, store, number)
                    for number, store in enumerate(search.stores, len(search.found))
                ]
                told = {
                    "version": 2,
                    "lifter": search.lifter,
                    "files": index,
                    "not_searched": [{"file": str(one.path), "why": one.why} for one in search.unsearched],
                }
                archive.writestr(INDEX, json.dumps(told, indent=2))
        except BaseException:
            target.unlink(missing_ok=True)
            raise
    return len(index)


def _added(archive: zipfile.ZipFile, search: Search, one: Found, number: int) -> dict[str, Any]:
    """Copy one file into the archive, where it is the lifter's; its entry in the index either way."""
    entry = {"from": str(one.path), "kind": one.kind.value, "rows": one.rows, "what": MEANINGS[one.kind]}
    if one.kind in WHOLE and one.kind is not Kind.UNFINISHED:
        data = one.path.read_bytes()
    elif one.kind is Kind.ROWS:
        rows = io.BytesIO()
        owner = Owner(search.lifter, search.nonces)
        write_rows(ExportedTable(one.path, header(one.path)), owner, rows, theirs=True)
        data = rows.getvalue()
    elif one.kind is Kind.STORE:
        data = as_document(rows_in_file(one.path, search.lifter, search.nonces) or {})
    else:
        return entry
    end = ".json" if one.kind is Kind.STORE else ".csv" if one.path.suffix.lower() == ".parquet" else ""
    name = f"{number:04d}-{one.path.name}{end}"
    archive.writestr(name, data)
    return entry | {"file": name, "sha256": hashlib.sha256(data).hexdigest()}


def _added_store(archive: zipfile.ZipFile, search: Search, store: StoreFound, number: int) -> dict[str, Any]:
    """Copy the lifter's rows of a store that is named by URL into the archive; its entry in the index."""
    data = as_document(rows_in(store.url, search.lifter, search.nonces))
    name = f"{number:04d}-store.json"
    archive.writestr(name, data)
    return {
        "from": store.shown,
        "kind": Kind.STORE.value,
        "rows": store.rows,
        "what": MEANINGS[Kind.STORE],
        "file": name,
        "sha256": hashlib.sha256(data).hexdigest(),
    }
