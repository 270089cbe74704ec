"""Everything stored about one lifter: found, exported, deleted.

A lifter is known by a pseudonym only; there is no field for a name, birth date or address anywhere. The pseudonym
appears in profile files, in each recording made with such a profile or in a session of a study, and in what was made
from recordings: tables and report pages. This module finds all of these files under some folders by the pseudonym
alone. Who is behind a pseudonym is known to the site, on paper, and not to this software. Nothing here prints or asks.
"""

from __future__ import annotations

import csv
import hashlib
import io
import json
import re
import zipfile
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from enum import StrEnum
from pathlib import Path
from typing import Final

from ebbset.models.contract.problems import BadDocumentError
from ebbset.models.contract.profile import LifterProfile

INDEX: Final = "index.json"
_LARGEST_TEXT_BYTES: Final = 64 * 1024 * 1024
_TEXTS: Final = frozenset({".toml", ".json", ".jsonl", ".html", ".md", ".txt"})


class Kind(StrEnum):
    """How a file relates to the lifter."""

    PROFILE = "profile"
    RECORDING = "recording"
    PAGE = "page"
    TABLE = "table"
    COLUMNS = "columns"
    MENTION = "mention"


WHOLE: Final = frozenset({Kind.PROFILE, Kind.RECORDING, Kind.PAGE})
"""Files that concern nobody else, or can be made again without this lifter: deleted as a whole."""

MEANINGS: Final[dict[Kind, str]] = {
    Kind.PROFILE: "the lifter's profile; deleted as a whole",
    Kind.RECORDING: "a recorded set of this lifter, damaged ones included; deleted as a whole",
    Kind.PAGE: "a page made from recordings; deleted as a whole; make it again from what is left",
    Kind.TABLE: "a table that may hold others too; only this lifter's rows are taken out",
    Kind.COLUMNS: "a Parquet table that may hold others too; only this lifter's rows are taken out",
    Kind.MENTION: "only mentions the pseudonym, as a study's list of participants does; not changed, edit it by hand",
}


@dataclass(frozen=True, slots=True)
class Found:
    """One file that concerns the lifter; ``rows`` is the number of the lifter's rows in a table, else 0."""

    path: Path
    kind: Kind
    rows: int = 0


def find(lifter: str, folders: Iterable[Path]) -> list[Found]:
    """Every file under the folders in which this pseudonym appears, in a fixed order.

    Args:
        lifter: pseudonym.
        folders: folders or single files; symbolic links are not followed.

    Args:
        lifter: pseudonym.
        folders: where to search.

    Raises:
        OSError: a folder or file cannot be read; an empty answer must always mean that nothing is stored.
    """
    found = []
    for path in sorted(set(_files(folders))):
        one = _look(lifter, path)
        if one is not None:
            found.append(one)
    return found


def _files(folders: Iterable[Path]) -> Iterator[Path]:
    for folder in folders:
        if folder.is_file():
            yield folder
        for path in folder.rglob("*") if folder.is_dir() else ():
            if path.is_file() and not path.is_symlink():
                yield path
        if not folder.exists():
            raise FileNotFoundError(2, "no such file or folder", str(folder))


def _look(lifter: str, path: Path) -> Found | None:
    suffix = path.suffix.lower()
    if suffix == ".mcap":
        return Found(path, Kind.RECORDING) if _in_recording(lifter, path.read_bytes()) else None
    if suffix == ".parquet":
        rows = len(_parquet_rows(lifter, path))
        return Found(path, Kind.COLUMNS, rows) if rows else None
    if suffix == ".csv":
        rows = sum(lifter in row for row in _csv_rows(path))
        return Found(path, Kind.TABLE, rows) if rows else None
    if suffix not in _TEXTS or path.stat().st_size > _LARGEST_TEXT_BYTES:
        return None
    text = path.read_text(encoding="utf-8", errors="replace")
    if suffix == ".toml" and _is_profile_of(lifter, text):
        return Found(path, Kind.PROFILE)
    if re.search(_whole_word(lifter), text) is None:
        return None
    return Found(path, Kind.PAGE if suffix == ".html" else Kind.MENTION)


def _whole_word(lifter: str) -> str:
    return rf"(?<![A-Za-z0-9_.\-]){re.escape(lifter)}(?![A-Za-z0-9_\-]|\.[A-Za-z0-9_])"


def _in_recording(lifter: str, data: bytes) -> bool:
    """Whether the pseudonym is in the profile that the set was armed with, or in the mark of a study session.

    Searches the raw bytes, which hold plain JSON, so that a damaged recording is found too.
    """
    name = re.escape(lifter.encode())
    return re.search(rb'"lifter":\s?"' + name + rb'"|session:' + name + rb"/\d", data) is not None


def _is_profile_of(lifter: str, text: str) -> bool:
    try:
        return LifterProfile.from_toml(text).lifter == lifter
    except BadDocumentError:
        # A profile that a person broke while editing is still theirs.
        return re.search(rf'^\s*lifter\s*=\s*"{re.escape(lifter)}"', text, re.MULTILINE) is not None


def _csv_rows(path: Path) -> list[list[str]]:
    with path.open(encoding="utf-8", errors="replace", newline="") as file:
        return list(csv.reader(file))


def _parquet_rows(lifter: str, path: Path) -> list[int]:
    import pyarrow.parquet as parquet

    table = parquet.read_table(path)
    rows: set[int] = set()
    for name in table.column_names:
        values = table[name].to_pylist()
        rows |= {number for number, value in enumerate(values) if value == lifter}
    return sorted(rows)


def export(lifter: str, found: Iterable[Found], target: Path) -> int:
    """Write everything about the lifter into a new zip file, with an index that says where each file came from.

    Tables are written with this lifter's rows only. Mentions are listed in the index but not copied.

    Args:
        lifter: pseudonym.
        found: the files, from `find`.
        target: zip file to create.

    Returns:
        Number of files in the index.

    Args:
        lifter: pseudonym.
        found: what `find` returned.
        target: zip file to write.

    Raises:
        OSError: the target exists, or a file cannot be read or written.
    """
    index = []
    with zipfile.ZipFile(target, "x", zipfile.ZIP_DEFLATED) as archive:
        for number, one in enumerate(found):
            entry = {"from": str(one.path), "kind": one.kind.value, "rows": one.rows, "what": MEANINGS[one.kind]}
            if one.kind is not Kind.MENTION:
                data = _their_part(lifter, one)
                name = f"{number:04d}-{one.path.name}" + (".csv" if one.kind is Kind.COLUMNS else "")
                archive.writestr(name, data)
                entry |= {"file": name, "sha256": hashlib.sha256(data).hexdigest()}
            index.append(entry)
        archive.writestr(INDEX, json.dumps({"version": 1, "lifter": lifter, "files": index}, indent=2))
    return len(index)


def _their_part(lifter: str, one: Found) -> bytes:
    if one.kind in WHOLE:
        return one.path.read_bytes()
    if one.kind is Kind.TABLE:
        head, *rows = _csv_rows(one.path)
        return _as_csv([head, *(row for row in rows if lifter in row)])
    import pyarrow.parquet as parquet

    table = parquet.read_table(one.path).take(_parquet_rows(lifter, one.path))
    return _as_csv([table.column_names, *([str(v) for v in row.values()] for row in table.to_pylist())])


def _as_csv(rows: Iterable[Iterable[str]]) -> bytes:
    text = io.StringIO()
    csv.writer(text, lineterminator="\n").writerows(rows)
    return text.getvalue().encode()


def delete(lifter: str, found: Iterable[Found]) -> None:
    """Delete what is stored about the lifter: whole files, and this lifter's rows of tables. Mentions stay.

    Args:
        lifter: pseudonym.
        found: the files, from `find`.

    Args:
        lifter: pseudonym.
        found: what `find` returned.

    Raises:
        OSError: a file cannot be removed or written.
    """
    for one in found:
        if one.kind in WHOLE:
            one.path.unlink()
        elif one.kind is Kind.TABLE:
            _replace(one.path, _as_csv(row for row in _csv_rows(one.path) if lifter not in row))
        elif one.kind is Kind.COLUMNS:
            _without_rows(lifter, one.path)


def _replace(path: Path, data: bytes) -> None:
    """Replace a file in one step, so that a crash leaves either the old or the new contents."""
    beside = path.with_name(path.name + ".new")
    beside.write_bytes(data)
    beside.replace(path)


def _without_rows(lifter: str, path: Path) -> None:
    import pyarrow.parquet as parquet

    table = parquet.read_table(path)
    theirs = set(_parquet_rows(lifter, path))
    beside = path.with_name(path.name + ".new")
    parquet.write_table(table.take([row for row in range(table.num_rows) if row not in theirs]), beside)
    beside.replace(path)
