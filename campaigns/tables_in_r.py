"""The exported tables, read by R and compared with what polars finds in them: rows, sums, texts and missing values.

Needs R (Debian: r-base-core), which the suite does without; `make tables-in-r` installs it and runs this.

    python -m campaigns.tables_in_r
"""

from __future__ import annotations

import datetime
import math
import shutil
import subprocess
import sys
import tempfile
from pathlib import Path
from typing import Final

import click
import polars as pl

from ebbset.coaching.worth import estimated
from ebbset.models.contract.prescription import example
from ebbset.simulators.lifter.exercises import exercise
from ebbset.simulators.plant.rig_parameters import RigParameters
from ebbset.study.export import export
from ebbset.study.rehearsal import record_set
from ebbset.study.tables_schema import TABLES

BEGUN: Final = datetime.datetime(2026, 12, 1, 10, 0, tzinfo=datetime.UTC)
IN_R: Final = r"""
folder <- commandArgs(trailingOnly = TRUE)[1]
for (table in c("sets", "repetitions", "decisions", "samples")) {
  found <- read.csv(file.path(folder, paste0(table, ".csv")), stringsAsFactors = FALSE, na.strings = "")
  for (name in names(found)) {
    column <- found[[name]]
    number <- is.numeric(column)
    total <- if (number) sprintf("%.17g", sum(column, na.rm = TRUE)) else as.character(sum(nchar(column), na.rm = TRUE))
    cat(table, name, nrow(found), sum(is.na(column)), if (number) "number" else "text", total, sep = "\t")
    cat("\n")
  }
}
"""


def exported(folder: Path) -> Path:
    """Tables of two simulated sets, on one and on two cables."""
    recordings = []
    for cables in (1, 2):
        path = folder / f"cables-{cables}.mcap"
        order = example(stop={"max_drops": 2, "max_duration_s": 90.0})
        lifter = exercise("row").mean_lifter()
        record_set(path, order, lifter, seed=cables, begun_at=BEGUN, rig=RigParameters(n_cables=cables))
        recordings.append(path)
    return export(recordings, folder / "tables", estimate=estimated).folder


def seen_by_r(tables: Path, rscript: str) -> dict[tuple[str, str], tuple[int, int, str, float]]:
    """(table, column) to rows, missing values, kind, and sum of the numbers or of the lengths of the texts.

    Args:
        tables: folder of an export.
        rscript: the program.
    """
    done = subprocess.run([rscript, "-e", IN_R, str(tables)], capture_output=True, text=True, check=True)
    rows = [line.split("\t") for line in done.stdout.splitlines()]
    return {(t, name): (int(n), int(gone), kind, float(total)) for t, name, n, gone, kind, total in rows}


def differences(tables: Path, rscript: str) -> list[str]:
    """A sentence for each column in which R and polars differ.

    Args:
        tables: folder of an export.
        rscript: the program.
    """
    told = []
    found = seen_by_r(tables, rscript)
    for table, columns in TABLES.items():
        parquet = pl.read_parquet(tables / f"{table}.parquet")
        for column in columns:
            rows, gone, kind, total = found[table, column.name]
            values = parquet[column.name]
            missing = values.null_count()
            if (rows, gone) != (parquet.height, missing):
                told.append(f"{table}.{column.name}: {rows} rows, {gone} missing; polars: {parquet.height}, {missing}")
            elif column.kind in ("number", "integer") and gone < rows:
                mine = math.fsum(values.drop_nulls().to_list())
                if kind != "number" or not math.isclose(total, mine, rel_tol=1e-9, abs_tol=1e-9):
                    told.append(f"{table}.{column.name}: {kind}, sum {total!r}; polars: {mine!r}")
            elif column.kind == "string" and gone < rows and kind == "text":
                mine = float(values.drop_nulls().str.len_chars().sum())
                if total != mine:
                    told.append(f"{table}.{column.name}: {total:g} characters; polars: {mine:g}")
    return told


def main() -> int:
    """Compare; 0 when R reads what was written."""
    rscript = shutil.which("Rscript")
    if rscript is None:
        click.echo("Rscript is missing; allowed: R (Debian: apt-get install r-base-core)", err=True)
        return 1
    with tempfile.TemporaryDirectory() as folder:
        tables = exported(Path(folder))
        told = differences(tables, rscript)
    click.echo("\n".join(told) or f"R reads every column of {', '.join(TABLES)} as polars does")
    return int(bool(told))


if __name__ == "__main__":
    sys.exit(main())
