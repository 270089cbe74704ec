"""Writing everything about a lifter into one archive: the same files and rows that a deletion takes."""

from __future__ import annotations

import hashlib
import io
import json
import zipfile
from pathlib import Path
from typing import Any

from ebbset.coaching.privacy.found import INDEX, MEANINGS, WHOLE, Found, Kind, Search
from ebbset.coaching.privacy.packages import ExportedTable, Owner, header, write_rows


def export(search: Search, target: Path) -> int:
    """Write everything about the lifter into a new zip file, with an index that says where each file came from.

    Tables are written with this lifter's rows only, as CSV. What names others too is in the index but not copied.

    Args:
        search: what `find` returned.
        target: zip file to create.

    Returns:
        Number of files in the index.

    Raises:
        OSError: the target exists, or a file cannot be read or written; then no target is left behind.
        UnreadableTableError: a table has changed since the search.
    """
    index: list[dict[str, Any]] = []
    with target.open("xb") as stream:
        try:
            with zipfile.ZipFile(stream, "w", zipfile.ZIP_DEFLATED) as archive:
                for number, one in enumerate(search.found):
                    index.append(_added(archive, search, one, number))
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
    else:
        return entry
    name = f"{number:04d}-{one.path.name}" + (".csv" if one.path.suffix.lower() == ".parquet" else "")
    archive.writestr(name, data)
    return entry | {"file": name, "sha256": hashlib.sha256(data).hexdigest()}
