"""Exported tables: which files are tables that ebbset wrote, and which of their rows belong to a lifter.

A table is ours when it stands beside a package descriptor that ebbset wrote, is named in it, and has exactly the
columns that it lists. A row belongs to a lifter when a column that names a lifter holds the pseudonym, or when its set
is one of the lifter's. All tables of an export carry the set, so that no row is left that refers to one taken out.
Tables are read row by row or batch by batch, since samples may be many.
"""

from __future__ import annotations

import csv
import json
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import IO, Any, Final

DESCRIPTOR: Final = "datapackage.json"
PACKAGE_NAME: Final = "ebbset-export"
LIFTER_COLUMNS: Final = ("participant", "lifter")
SET_COLUMN: Final = "set"
_LARGEST_DESCRIPTOR_BYTES: Final = 16 * 1024 * 1024


class UnreadableTableError(ValueError):
    """A table that cannot be read; the text says why."""


@dataclass(frozen=True, slots=True)
class ExportedTable:
    """One file of an export, with the columns that its descriptor lists."""

    path: Path
    columns: tuple[str, ...]

    @property
    def is_parquet(self) -> bool:
        """Parquet, not CSV."""
        return self.path.suffix.lower() == ".parquet"

    @property
    def names_lifters(self) -> bool:
        """Some column names a lifter, so that other tables are found through this one."""
        return any(name in self.columns for name in LIFTER_COLUMNS)


def exported_tables(descriptor: Path) -> list[ExportedTable]:
    """The tables that a descriptor of ours names and that are there.

    Args:
        descriptor: a file called `DESCRIPTOR`.

    Returns:
        The tables; none where the descriptor is not ours.
    """
    try:
        if descriptor.stat().st_size > _LARGEST_DESCRIPTOR_BYTES:
            return []
        told = json.loads(descriptor.read_text(encoding="utf-8"))
        if told["name"] != PACKAGE_NAME:
            return []
        listed = [
            (
                descriptor.parent / str(resource[key]),
                tuple(str(field["name"]) for field in resource["schema"]["fields"]),
            )
            for resource in told["resources"]
            for key in ("path", "parquet")
            if key in resource
        ]
    except (OSError, ValueError, KeyError, TypeError, RecursionError):
        return []
    return [ExportedTable(path, columns) for path, columns in listed if _is_ours(path, columns, descriptor.parent)]


def _is_ours(path: Path, columns: tuple[str, ...], folder: Path) -> bool:
    if path.parent != folder or path.is_symlink() or not path.is_file():
        return False
    try:
        return header(path) == columns
    except (OSError, UnreadableTableError):
        return False


def header(path: Path) -> tuple[str, ...]:
    """Names of the columns of a CSV or Parquet file.

    Raises:
        UnreadableTableError: neither can be read in it.
        OSError: the file cannot be read.
    """
    if path.suffix.lower() == ".parquet":
        return tuple(opened(path).schema_arrow.names)
    with path.open("rb") as file:
        return next((tuple(row) for _, row in csv_rows(file)), ())


def opened(path: Path) -> Any:
    """A Parquet file.

    Raises:
        UnreadableTableError: it cannot be read as Parquet, or the library for it is not installed.
    """
    try:
        import pyarrow.parquet as parquet
    except ModuleNotFoundError:
        raise UnreadableTableError("Parquet needs pyarrow: pip install 'ebbset[study]'") from None
    import pyarrow

    try:
        return parquet.ParquetFile(path, memory_map=False)
    except (pyarrow.ArrowException, OSError) as error:
        raise UnreadableTableError(f"not readable as Parquet ({str(error)[:120]})") from None


def csv_rows(file: IO[bytes]) -> Iterator[tuple[bytes, list[str]]]:
    """Rows of a CSV file, each with the very bytes that it stands in.

    Args:
        file: opened for reading bytes.

    Raises:
        UnreadableTableError: not CSV in UTF-8.
    """
    raw: list[bytes] = []

    def lines() -> Iterator[str]:
        for line in file:
            raw.append(line)
            yield line.decode("utf-8")

    try:
        for row in csv.reader(lines(), strict=True):
            yield b"".join(raw), row
            raw.clear()
    except (csv.Error, UnicodeDecodeError) as error:
        raise UnreadableTableError(f"not readable as CSV in UTF-8 ({error})") from None


@dataclass(frozen=True, slots=True)
class Owner:
    """Whose rows: a pseudonym and the nonces of that lifter's sets."""

    lifter: str
    nonces: frozenset[str]

    def owns(self, columns: tuple[str, ...], row: list[str]) -> bool:
        """Whether a row of a CSV table is this lifter's.

        Args:
            columns: names of the columns.
            row: the cells; as many, in a table that is whole.
        """
        return any(
            (name in LIFTER_COLUMNS and cell == self.lifter) or (name == SET_COLUMN and cell in self.nonces)
            for name, cell in zip(columns, row, strict=False)
        )

    def mask(self, batch: Any) -> Any:
        """Which rows of a batch of a Parquet table are this lifter's, as an Arrow array of booleans."""
        import pyarrow
        from pyarrow import compute

        found = pyarrow.array([False] * batch.num_rows, pyarrow.bool_())
        for name in (*LIFTER_COLUMNS, SET_COLUMN):
            if name in batch.schema.names:
                values = compute.cast(batch.column(name), pyarrow.string())
                wanted = [self.lifter] if name != SET_COLUMN else sorted(self.nonces)
                here = compute.is_in(values, value_set=pyarrow.array(wanted, pyarrow.string()))
                found = compute.or_(found, here)
        return found


def nonces_of(table: ExportedTable, lifter: str) -> set[str]:
    """Nonces of the sets that a table says are this lifter's.

    Args:
        table: one that names lifters and sets; any other gives none.
        lifter: pseudonym.

    Raises:
        UnreadableTableError: the table cannot be read.
        OSError: likewise.
    """
    if not table.names_lifters or SET_COLUMN not in table.columns:
        return set()
    owner = Owner(lifter, frozenset())
    if table.is_parquet:
        return {
            str(nonce)
            for batch in opened(table.path).iter_batches()
            for nonce in batch.filter(owner.mask(batch)).column(SET_COLUMN).to_pylist()
        }
    at = table.columns.index(SET_COLUMN)
    with table.path.open("rb") as file:
        return {row[at] for _, row in csv_rows(file) if owner.owns(table.columns, row) and len(row) > at}


def count(table: ExportedTable, owner: Owner) -> int:
    """How many rows of a table belong to a lifter.

    Args:
        table: the table.
        owner: whose rows.

    Raises:
        UnreadableTableError: the table cannot be read.
        OSError: likewise.
    """
    if table.is_parquet:
        return sum(int(owner.mask(batch).true_count) for batch in opened(table.path).iter_batches())
    with table.path.open("rb") as file:
        rows = csv_rows(file)
        next(rows, None)
        return sum(owner.owns(table.columns, row) for _, row in rows)


def write_rows(table: ExportedTable, owner: Owner, target: IO[bytes], *, theirs: bool) -> None:
    """Write the head of a table and either this lifter's rows or all others, in the order and bytes they stand in.

    Args:
        table: the table.
        owner: whose rows.
        target: opened for writing bytes; Parquet stays Parquet, with its schema, where others' rows are kept, and
            becomes CSV where the lifter's are handed over.
        theirs: this lifter's rows; else all others.

    Raises:
        UnreadableTableError: the table cannot be read.
        OSError: a file cannot be read or written.
    """
    if not table.is_parquet:
        with table.path.open("rb") as file:
            for number, (raw, row) in enumerate(csv_rows(file)):
                if number == 0 or owner.owns(table.columns, row) is theirs:
                    target.write(raw)
        return
    from pyarrow import compute, parquet
    from pyarrow import csv as arrow_csv

    file = opened(table.path)
    schema = file.schema_arrow
    with arrow_csv.CSVWriter(target, schema) if theirs else parquet.ParquetWriter(target, schema) as writer:
        for batch in file.iter_batches():
            mask = owner.mask(batch)
            kept = batch.filter(mask if theirs else compute.invert(mask))
            if kept.num_rows:
                writer.write_batch(kept)
