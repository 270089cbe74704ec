"""Finding every file that concerns one lifter, and naming every file that cannot be searched."""

from __future__ import annotations

import contextlib
import json
import os
import re
import stat
import zipfile
from collections.abc import Iterable, Iterator
from pathlib import Path
from typing import Final

from pydantic import TypeAdapter

from ebbset.coaching.history.session_files import JOURNAL_END, PLAN_END
from ebbset.coaching.privacy.found import INDEX, UNFINISHED, Found, Kind, Search, Unsearched
from ebbset.coaching.privacy.packages import (
    DESCRIPTOR,
    LIFTER_COLUMNS,
    ExportedTable,
    Owner,
    UnreadableTableError,
    count,
    exported_tables,
    nonces_of,
    opened,
)
from ebbset.coaching.privacy.stores import (
    SIDE_FILES,
    UnsearchableStoreError,
    is_sqlite,
    named_store,
    nonces_in,
    rows_in,
    rows_in_file,
)
from ebbset.models.contract.field_types import Name
from ebbset.models.contract.problems import BadDocumentError
from ebbset.models.contract.study_mark import SEALED_FORM
from ebbset.models.contract.toml_text import read_toml

_LARGEST_BYTES: Final = 1024 * 1024 * 1024
_COMPRESSED: Final = (
    b"\x1f\x8b",
    b"BZh",
    b"\xfd7zXZ\x00",
    b"\x28\xb5\x2f\xfd",
    b"7z\xbc\xaf\x27\x1c",
    b"Rar!",
    b"PK\x03\x04",
)
_WIDE: Final = (b"\xff\xfe", b"\xfe\xff")
_MCAP: Final = b"\x89MCAP0\r\n"
_FOOTER: Final = b"Made with ebbset "
_NONCE: Final = re.compile(rb'"fresh_nonce":\s?"([A-Za-z0-9_\-]{8,64})"')
_JOURNAL_NONCE: Final = re.compile(rb'"nonce":\s?"([A-Za-z0-9_\-]{8,64})"')
_JOURNAL: Final = b'{"at_s":'
_SESSION: Final = re.compile(rb"^\s*(?:\[\[(?:steps|exercises)\]\]|(?:steps|exercises)\s*=)", re.MULTILINE)
_PROFILE: Final = re.compile(rb"velocity_at|exercise")
_LIFTER: Final = re.compile(rb'"lifter":\s?"([A-Za-z0-9_.\-]{1,64})"|session:([A-Za-z0-9_.\-]{1,64})/\d')
_BEFORE_NUMBER: Final = rb"(?:lifter|participant|subject|pseudonym|id|session)[\"']?\s*[:=]?\s*[\"']?"


def find(
    lifter: str,
    folders: Iterable[Path],
    *,
    known_nonces: frozenset[str] = frozenset(),
    stores: Iterable[str] = (),
) -> Search:
    """Every file under the folders that concerns this lifter, in a fixed order.

    Args:
        lifter: pseudonym.
        folders: folders or single files; symbolic links are not followed.
        known_nonces: sets known to be this lifter's, e.g. from an earlier search.
        stores: URLs of stores that are no files in the folders.

    Raises:
        ValueError: ``lifter`` is no pseudonym that could be stored.
        UnusableFileError: a store that is named by its URL cannot be opened.
        OSError: a folder or file cannot be read; an empty answer must always mean that nothing is stored.
    """
    TypeAdapter(Name).validate_python(lifter)
    # One file under two spellings of its folder is one file.
    paths = sorted({Path(path.parent.resolve(), path.name): path for path in _files(folders)}.values())
    beside = {path.parent / DESCRIPTOR for path in paths}
    tables = {
        table.path: table
        for descriptor in sorted(beside)
        if descriptor.is_file() and not descriptor.is_symlink()
        for table in exported_tables(descriptor)
    }
    urls = tuple(stores)
    nonces = set(known_nonces)
    for url in urls:
        nonces |= nonces_in(rows_in(url, lifter, ()))
    for path in paths:
        # What cannot be read is named below, where everything is looked at.
        with contextlib.suppress(UnreadableTableError, UnsearchableStoreError):
            nonces |= _nonces_of(path, lifter, tables)
    looking = _Looking(lifter, Owner(lifter, frozenset(nonces)), tables)
    found: list[Found] = []
    unsearched: list[Unsearched] = []
    for path in paths:
        one = looking.look(path)
        if isinstance(one, Found):
            found.append(one)
        elif one is not None:
            unsearched.append(one)
    named = [hit for url in urls if (hit := named_store(url, lifter, nonces)) is not None]
    return Search(lifter, tuple(found), tuple(unsearched), frozenset(nonces), tuple(named))


def _nonces_of(path: Path, lifter: str, tables: dict[Path, ExportedTable]) -> set[str]:
    """Sets that a file says are this lifter's."""
    if path in tables:
        return nonces_of(tables[path], lifter)
    if not stat.S_ISREG(path.lstat().st_mode):
        return set()
    if path.name.endswith(JOURNAL_END) and _is_session_of(_plan_of(path), lifter):
        return {found.decode() for found in _JOURNAL_NONCE.findall(path.read_bytes())}
    if is_sqlite(path):
        return nonces_in(rows_in_file(path, lifter, ()) or {"sets": [], "session_sets": []})
    if path.suffix.lower() == ".mcap" and _is_readable(path):
        data = path.read_bytes()
        if _lifters_in(data) == {lifter}:
            return {found.decode() for found in _NONCE.findall(data)}
    return set()


def _plan_of(journal: Path) -> Path:
    return journal.with_name(journal.name.removesuffix(JOURNAL_END) + PLAN_END)


def _is_session_of(path: Path, lifter: str) -> bool:
    """Whether a file is the plan of a session of this lifter."""
    return path.is_file() and not path.is_symlink() and _names_in(path.read_bytes(), lifter, _SESSION)


def _names_in(document: bytes, lifter: str, kind: re.Pattern[bytes]) -> bool:
    """Whether a document of a kind says whose it is, and it is this lifter's."""
    whose = rb"^\s*lifter\s*=\s*[\"']" + re.escape(lifter.encode()) + rb"[\"']"
    return re.search(whose, document, re.MULTILINE) is not None and kind.search(document) is not None


def _files(folders: Iterable[Path]) -> Iterator[Path]:
    def fail(error: OSError) -> None:
        raise error

    for folder in folders:
        if folder.is_dir():
            for here, folders_in, names in os.walk(folder, onerror=fail):
                yield from (Path(here, name) for name in names)
                yield from (path for name in folders_in if (path := Path(here, name)).is_symlink())
        elif folder.exists() or folder.is_symlink():
            yield folder
        else:
            raise FileNotFoundError(2, "no such file or folder", str(folder))


def _is_readable(path: Path) -> bool:
    status = path.lstat()
    return stat.S_ISREG(status.st_mode) and status.st_size <= _LARGEST_BYTES


def _lifters_in(recording: bytes) -> set[str]:
    """Who is named in a recording: in the profile that a set was armed with, or in the mark of a study's session.

    Searches the raw bytes, which hold plain JSON, so that a damaged recording is found too.
    """
    return {(profile or session).decode() for profile, session in _LIFTER.findall(recording)}


class _Looking:
    """Looks at one file after another.

    Args:
        lifter: pseudonym.
        owner: the lifter with the nonces known.
        tables: tables of exports, by path.
    """

    def __init__(self, lifter: str, owner: Owner, tables: dict[Path, ExportedTable]) -> None:
        self._lifter = lifter
        self._owner = owner
        self._tables = tables
        name = re.escape(lifter.encode())
        whole = rb"(?<![A-Za-z0-9_.\-])" + name + rb"(?![A-Za-z0-9_\-]|\.[A-Za-z0-9_])"
        # A number stands in every table and page, so it counts only where something says that it names somebody.
        number = rb"[\"']" + name + rb"[\"']|" + _BEFORE_NUMBER + whole.partition(b")")[2]
        self._mention = re.compile(number if lifter.isdigit() else whole, re.IGNORECASE if lifter.isdigit() else 0)
        self._shown = re.compile(
            rb"(?:lifter |Session \d+ of |name=\"ebbset-lifter\" content=\")" + whole.partition(b")")[2]
        )
        self._in_name = re.compile(rf"(?<![A-Za-z0-9]){re.escape(lifter)}(?![A-Za-z0-9])")

    def look(self, path: Path) -> Found | Unsearched | None:
        """What a file has to do with the lifter; None for nothing."""
        mode = path.lstat().st_mode
        if not stat.S_ISREG(mode):
            what = "a symbolic link" if stat.S_ISLNK(mode) else "a pipe, socket or device"
            return Unsearched(path, f"{what}, which is not followed")
        if path.name.endswith(UNFINISHED):
            return Found(path, Kind.UNFINISHED)
        try:
            found = self._look_inside(path)
        except UnreadableTableError as error:
            return Unsearched(path, str(error))
        if isinstance(found, Found) or not self._in_name.search(path.name):
            return found
        if isinstance(found, Unsearched) or not self._names_somebody_else(path):
            return Found(path, Kind.NAME)
        return None

    def _look_inside(self, path: Path) -> Found | Unsearched | None:
        if path in self._tables:
            rows = count(self._tables[path], self._owner)
            return Found(path, Kind.ROWS, rows) if rows else None
        if path.stat().st_size > _LARGEST_BYTES:
            return Unsearched(path, f"larger than {_LARGEST_BYTES} bytes")
        if path.suffix.lower() == ".parquet":
            return self._foreign_parquet(path)
        if is_sqlite(path):
            return self._store(path)
        if self._is_beside_a_store(path):
            # It is a part of the store, and searched with it.
            return None
        data = path.read_bytes()
        if data.startswith(_MCAP) or path.suffix.lower() == ".mcap":
            return self._recording(path, data)
        if data.startswith(_COMPRESSED):
            return self._archive(path)
        if data.startswith(_WIDE) or b"\0" in data:
            return Unsearched(path, "not text")
        return self._text(path, data)

    def _recording(self, path: Path, data: bytes) -> Found | Unsearched | None:
        named = _lifters_in(data)
        # Damage may have taken the name and left the nonce.
        if self._lifter in named or any(nonce.encode() in data for nonce in self._owner.nonces):
            return Found(path, Kind.RECORDING if named <= {self._lifter} else Kind.SHARED)
        if not named and _is_compressed(data):
            return Unsearched(path, "a recording that another program has compressed")
        return None

    def _store(self, path: Path) -> Found | Unsearched | None:
        try:
            rows = rows_in_file(path, self._lifter, self._owner.nonces)
        except UnsearchableStoreError as error:
            return Unsearched(path, str(error))
        if rows is None:
            return Unsearched(path, "not text")
        count = sum(len(of_table) for of_table in rows.values())
        data = path.read_bytes()
        # Pages that are free may hold what another program deleted.
        left = any(nonce.encode() in data for nonce in self._owner.nonces)
        return Found(path, Kind.STORE, count) if count or left else None

    @staticmethod
    def _is_beside_a_store(path: Path) -> bool:
        for end in SIDE_FILES:
            beside = path.with_name(path.name.removesuffix(end))
            if path.name.endswith(end) and beside.is_file() and is_sqlite(beside):
                with contextlib.suppress(UnsearchableStoreError):
                    return rows_in_file(beside, "", ()) is not None
        return False

    def _archive(self, path: Path) -> Found | Unsearched | None:
        try:
            with zipfile.ZipFile(path) as archive:
                told = json.loads(archive.read(INDEX))
            if told["lifter"] == self._lifter and "files" in told:
                return Found(path, Kind.ARCHIVE)
        except (zipfile.BadZipFile, KeyError, ValueError, TypeError, OSError):
            pass
        return Unsearched(path, "compressed")

    def _text(self, path: Path, data: bytes) -> Found | None:
        by_nonce = any(nonce.encode() in data for nonce in self._owner.nonces)
        if _FOOTER in data and path.suffix.lower() in (".html", ".htm"):
            return Found(path, Kind.PAGE) if by_nonce or self._shown.search(data) else None
        suffix = path.suffix.lower()
        if suffix == ".toml":
            kind = self._document(data)
            if kind is not None:
                return Found(path, kind)
        if suffix == ".json" and self._is_report_of(data):
            return Found(path, Kind.PAGE)
        if path.name.endswith(JOURNAL_END) and data.startswith(_JOURNAL):
            return Found(path, Kind.SESSION) if by_nonce or _is_session_of(_plan_of(path), self._lifter) else None
        if SEALED_FORM.encode() in data and f'"session": "{self._lifter}/'.encode() in data:
            return Found(path, Kind.ORDER)
        return Found(path, Kind.MENTION) if by_nonce or self._mention.search(data) else None

    def _document(self, data: bytes) -> Kind | None:
        """A profile of this lifter, or the prescription of one of this lifter's sessions."""
        if _names_in(data, self._lifter, _SESSION):
            return Kind.SESSION
        # A profile that a person broke while editing is still theirs.
        if _names_in(data, self._lifter, _PROFILE):
            return Kind.PROFILE
        try:
            told = read_toml(data.decode("utf-8"), what="document")
        except (UnicodeDecodeError, BadDocumentError):
            return None
        mark = re.search(rf"^study:[0-9a-f]{{64}} session:{re.escape(self._lifter)}/\d+ ", str(told.get("notes", "")))
        return Kind.ORDER if mark is not None and "load" in told else None

    def _is_report_of(self, data: bytes) -> bool:
        """JSON that `ebbset report` wrote, with a set of this lifter."""
        if b'"worth_relative_estimated"' not in data:
            return False
        try:
            sets = json.loads(data)
            return any(
                one["lifter"] == self._lifter
                or one["nonce"] in self._owner.nonces
                or f" session:{self._lifter}/" in one["prescription"]["notes"]
                for one in sets
                if "worth_relative_estimated" in one
            )
        except (ValueError, KeyError, TypeError, RecursionError):
            return False

    def _foreign_parquet(self, path: Path) -> Found | None:
        file = opened(path)
        import pyarrow

        rows = 0
        for batch in file.iter_batches():
            for name, column in zip(batch.schema.names, batch.columns, strict=True):
                if not (pyarrow.types.is_string(column.type) or pyarrow.types.is_large_string(column.type)):
                    continue
                named = name in LIFTER_COLUMNS or not self._lifter.isdigit()
                rows += sum(
                    (named and value == self._lifter) or value in self._owner.nonces for value in column.to_pylist()
                )
        return Found(path, Kind.MENTION, rows) if rows else None

    def _names_somebody_else(self, path: Path) -> bool:
        """A profile or recording of another lifter, whose pseudonym contains this one."""
        if path.suffix.lower() == ".mcap":
            return bool(_lifters_in(path.read_bytes()))
        return re.search(rb"^\s*lifter\s*=\s*[\"']", path.read_bytes(), re.MULTILINE) is not None


def _is_compressed(data: bytes) -> bool:
    """A recording has a chunk whose records are compressed, as those of ebbset never are."""
    at = len(_MCAP)
    while at + 9 <= len(data):
        opcode, length = data[at], int.from_bytes(data[at + 1 : at + 9], "little")
        if opcode == 0x06 and int.from_bytes(data[at + 9 + 28 : at + 9 + 32], "little") > 0:
            return True
        at += 9 + length
    return False
