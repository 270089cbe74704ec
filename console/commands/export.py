"""``ebbset export``: export recordings as tidy tables, Parquet and CSV, described as a data package."""

from __future__ import annotations

import json
from pathlib import Path

import click

from ebbset.console.exits import CommandError, Exit


@click.command(name="export")
@click.argument("recordings", nargs=-1, required=True, type=click.Path(path_type=Path), metavar="RECORDING…")
@click.option("-o", "--output", required=True, type=click.Path(path_type=Path, file_okay=False), help="Folder to fill.")
@click.option("--study", type=click.Path(path_type=Path), help="Study file: adds the condition of each session.")
@click.option("--json", "as_json", is_flag=True, help="Rows per table and remarks as JSON.")
def command(recordings: tuple[Path, ...], output: Path, study: Path | None, as_json: bool) -> int:
    """Write sets, repetitions, decisions and samples as tables.

    Each table is written as Parquet and as CSV. datapackage.json describes the CSV files by the Data Package
    specification (frictionlessdata.io); dictionary.md describes every column, its unit and its meaning, for people.
    Figures of worth are relative, estimated.

    Without --study the tables name no condition. They still show what was prescribed and done, so remove columns
    before you pass them to anyone who must stay blinded.

    \b
    Exit code 0 when every recording was complete, 1 when something was missing from one (the tables hold the rest).

    \b
    Examples:
      ebbset export *.mcap -o tables
      ebbset export recordings/*.mcap --study study.toml -o tables
    """
    from ebbset.coaching.worth import estimated
    from ebbset.models.contract.formatting import plural
    from ebbset.study.export import export
    from ebbset.study.study_file import read_study

    try:
        found = export(recordings, output, study=None if study is None else read_study(study), estimate=estimated)
    except OSError as error:
        raise CommandError(f"{error.filename or output}: {error.strerror or error}", Exit.BAD_INPUT) from None
    if as_json:
        told = {"folder": str(output), "rows": found.rows, "remarks": found.remarks, "notes": found.notes}
        click.echo(json.dumps(told, ensure_ascii=False, indent=2))
    else:
        counts = [plural(count, table.removesuffix("s"), table) for table, count in found.rows.items()]
        click.echo(f"{output}: " + ", ".join(counts))
        for remark in (*found.remarks, *found.notes):
            click.echo(f"note: {remark}")
    return int(Exit.NO if found.remarks else Exit.OK)
