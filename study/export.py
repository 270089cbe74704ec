"""Recordings as tidy tables: Parquet and CSV, described as a Frictionless data package with a data dictionary.

One recording is in memory at a time. Columns and meanings come from `tables_schema`, sets from `sources`; nothing is
estimated here.

Source of the descriptor's form: Data Package and Table Schema specifications, specs.frictionlessdata.io.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Final, Self

import numpy as np
import pyarrow as pa
import pyarrow.csv as pa_csv
import pyarrow.parquet as pa_parquet
import structlog

from ebbset.controller.recording.recorded_set import RecordedSet
from ebbset.controller.recording.selection import contradiction
from ebbset.controller.recording.sources import read_source
from ebbset.study.study_file import Study
from ebbset.study.tables_schema import TABLES, Column, SetWorthLike, rows, sample_columns

_TYPES: Final[Mapping[str, pa.DataType]] = {
    "string": pa.string(),
    "integer": pa.int64(),
    "number": pa.float64(),
    "boolean": pa.bool_(),
    "datetime": pa.timestamp("us", tz="UTC"),
}
_KEYS: Final[Mapping[str, tuple[str, ...]]] = {
    "sets": ("set",),
    "repetitions": ("set", "cable", "repetition"),
    "decisions": ("set", "decision"),
    "samples": (),
}
_SET: Final = ("set", "sets")
_JOINS: Final[Mapping[str, tuple[tuple[str, str], ...]]] = {
    "sets": (),
    "repetitions": (_SET,),
    "decisions": (_SET, ("attempt", "repetitions")),
    "samples": (_SET,),
}
"""Table -> (column, table in which a column of the same name holds each of its values)."""
_CSV: Final = "%Y-%m-%dT%H:%M:%S.%fZ"

_log = structlog.get_logger(__name__)


Estimate = Callable[[RecordedSet], SetWorthLike | None]


@dataclass(slots=True)
class Exported:
    """Outcome of an export: rows per table, a sentence for each incomplete recording, and further notes."""

    folder: Path
    rows: dict[str, int] = field(default_factory=lambda: dict.fromkeys(TABLES, 0))
    remarks: list[str] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)


def export(recordings: Iterable[Path], folder: Path, *, estimate: Estimate, study: Study | None = None) -> Exported:
    """Write all tables of all recordings into a folder.

    Args:
        recordings: files, read one after another.
        folder: made if it is not there; files of an earlier export in it are replaced.
        study: gives the condition of each session, where it is known.
        estimate: what a set was probably worth (`coaching.worth.estimated`); None where it holds no repetition.

    Raises:
        UnusableFileError: a file cannot be read or is no recording.
        OSError: a table cannot be written.
    """
    folder.mkdir(parents=True, exist_ok=True)
    found = Exported(folder)
    exported: dict[str, str] = {}
    with _Writers(folder) as writers:
        for path in recordings:
            source = read_source(path)
            found.remarks += [f"{source.name}: {sentence}" for sentence in source.missing]
            for item in source.sets:
                told = _once(item, exported)
                if told is not None:
                    found.notes.append(told)
                    continue
                found.notes += [text for text in [contradiction(item)] if text is not None]
                for table, made in rows(item, study=study, whole=not source.missing, worth=estimate(item)).items():
                    found.rows[table] += writers.add_rows(table, made)
                for columns in sample_columns(item):
                    found.rows["samples"] += writers.add_columns("samples", columns)
            _log.info("exported", recording=path.name, sets=len(source.sets))
    _describe(folder, study)
    return found


def _once(item: RecordedSet, exported: dict[str, str]) -> str | None:
    """A sentence for a set that was exported before; None for the first of its nonce, which is noted."""
    first = exported.get(item.nonce)
    if first is None:
        exported[item.nonce] = item.source
        return None
    return f"{item.source}: holds the same set as {first} (nonce {item.nonce}); {first} is exported, as it came first"


class _Writers:
    """A CSV and a Parquet writer for each table."""

    def __init__(self, folder: Path) -> None:
        self._csv: dict[str, pa_csv.CSVWriter] = {}
        self._parquet: dict[str, pa_parquet.ParquetWriter] = {}
        for table, columns in TABLES.items():
            schema = arrow_schema(columns)
            text = pa.schema(
                [pa.field(f.name, pa.string() if pa.types.is_timestamp(f.type) else f.type) for f in schema]
            )
            self._csv[table] = pa_csv.CSVWriter(folder / f"{table}.csv", text)
            self._parquet[table] = pa_parquet.ParquetWriter(folder / f"{table}.parquet", schema)

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        for writer in (*self._csv.values(), *self._parquet.values()):
            writer.close()

    def add_rows(self, table: str, made: Sequence[Mapping[str, Any]]) -> int:
        """Append rows; a column that a row leaves out is empty there."""
        return self.add_columns(table, {c.name: [row.get(c.name) for row in made] for c in TABLES[table]})

    def add_columns(self, table: str, columns: Mapping[str, Any]) -> int:
        """Append equally long columns; NaN is empty."""
        schema = arrow_schema(TABLES[table])
        arrays = [
            pa.array(values, type=f.type, from_pandas=isinstance(values, np.ndarray))
            for f, values in ((f, columns[f.name]) for f in schema)
        ]
        batch = pa.table(arrays, schema=schema)
        if batch.num_rows:
            self._parquet[table].write_table(batch)
            self._csv[table].write_table(_as_text(batch))
        return int(batch.num_rows)


def arrow_schema(columns: Sequence[Column]) -> pa.Schema:
    """Arrow schema of a table; unit and meaning are kept as metadata of each field."""
    return pa.schema(
        [
            pa.field(c.name, _TYPES[c.kind], nullable=not c.required, metadata={"unit": c.unit, "meaning": c.meaning})
            for c in columns
        ]
    )


def _as_text(batch: pa.Table) -> pa.Table:
    """Times as ISO 8601 text, which is what the descriptor promises for CSV."""
    for k, column in enumerate(batch.schema):
        if pa.types.is_timestamp(column.type):
            texts = [None if v is None else v.strftime(_CSV) for v in batch.column(k).to_pylist()]
            batch = batch.set_column(k, pa.field(column.name, pa.string()), pa.array(texts, pa.string()))
    return batch


def descriptor(study: Study | None) -> dict[str, Any]:
    """The data package descriptor: one CSV resource a table with its schema; its Parquet twin is named beside it."""
    return {
        "name": "ebbset-export",
        "title": "Recorded sets" if study is None else study.file.name,
        "description": "Sets, repetitions, decisions and samples. Worth figures are relative, estimated.",
        "profile": "tabular-data-package",
        "study_sha256": None if study is None else study.hash,
        "resources": [
            {
                "name": table,
                "path": f"{table}.csv",
                "parquet": f"{table}.parquet",
                "profile": "tabular-data-resource",
                "format": "csv",
                "mediatype": "text/csv",
                "encoding": "utf-8",
                "schema": {
                    "fields": [_field(column) for column in columns],
                    "missingValues": [""],
                    **({"primaryKey": list(_KEYS[table])} if _KEYS[table] else {}),
                    **({"foreignKeys": [_foreign_key(*join) for join in _JOINS[table]]} if _JOINS[table] else {}),
                },
            }
            for table, columns in TABLES.items()
        ],
    }


def _foreign_key(column: str, table: str) -> dict[str, Any]:
    return {"fields": column, "reference": {"resource": table, "fields": column}}


def _field(column: Column) -> dict[str, Any]:
    kind = {"datetime": {"type": "datetime", "format": _CSV}}.get(column.kind, {"type": column.kind})
    return {
        "name": column.name,
        **kind,
        "description": column.meaning,
        **({"unit": column.unit} if column.unit else {}),
        **({"constraints": {"required": True}} if column.required else {}),
    }


def dictionary() -> str:
    """The data dictionary as Markdown."""
    lines = [
        "# Data dictionary",
        "",
        "Empty cells are unknown or do not apply. SI units. Worth is relative, estimated.",
    ]
    for table, columns in TABLES.items():
        lines += ["", f"## {table}", "", *_joins(table), "| column | type | unit | meaning |", "|---|---|---|---|"]
        lines += [f"| {c.name} | {c.kind} | {c.unit} | {c.meaning} |" for c in columns]
    return "\n".join(lines) + "\n"


def _joins(table: str) -> list[str]:
    """Key of a table and its joins, in words."""
    key = f"One row per {', '.join(_KEYS[table])}." if _KEYS[table] else "No key."
    joins = "".join(f" `{column}` joins to `{other}.{column}`." for column, other in _JOINS[table])
    return [key + joins, ""]


def _describe(folder: Path, study: Study | None) -> None:
    text = json.dumps(descriptor(study), ensure_ascii=False, indent=2)
    (folder / "datapackage.json").write_text(text + "\n", encoding="utf-8")
    (folder / "dictionary.md").write_text(dictionary(), encoding="utf-8")
