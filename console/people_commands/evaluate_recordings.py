"""The half of ``ebbset evaluate`` that judges labelled recordings: its table at the terminal."""

from __future__ import annotations

from pathlib import Path
from typing import Any, Final

import click

from ebbset.console.exits import Exit
from ebbset.console.progress import progress

DRAW_SEED: Final = 1


def evaluate_recordings(recordings: Path, labels: Path, *, seed: int | None, as_json: bool) -> int:
    """Judge labelled recordings and show the tables.

    Args:
        recordings: folder.
        labels: table of labels.
        seed: of the draws of people.
        as_json: print JSON.
    """
    from ebbset.simulators.evaluation.labelled.report import evaluate_labelled

    with progress("judging") as say:
        report = evaluate_labelled(recordings, labels, seed=DRAW_SEED if seed is None else seed, progress=say)
    if as_json:
        click.echo(report.to_json())
    else:
        _show(report)
    return int(Exit.OK)


def _show(report: Any) -> None:
    from rich.table import Table
    from rich.text import Text

    from ebbset.console.terminal import Terminal
    from ebbset.models.contract.constants import INTERVAL_COVERAGE
    from ebbset.models.contract.formatting import plural

    console = Terminal()
    for title, rows in report.tables():
        console.print(Text(f"\n{title}", style="bold"))
        figures = "value" in rows[0]
        table = Table(box=None, pad_edge=False, header_style="dim", show_header=figures)
        if figures:
            for head in _heads(rows):
                table.add_column(head, justify="left" if head in ("exercise", "") else "right", no_wrap=head != "")
            for row in rows:
                table.add_row(*_figure_cells(row))
        else:
            table.add_column("")
            table.add_column("", justify="right", no_wrap=True)
            for head, value in rows[0].items():
                unit = ", s" if head.endswith("_s") else ""
                table.add_row(head.removesuffix("_s").replace("_", " ") + unit, _number(value))
        console.print(table)
    people = plural(report.people, "person", "people")
    simulated, sets = report.simulated_sets, len(report.judged)
    some = f"{people}; {simulated} of {sets} sets are simulated." if simulated else f"{people}."
    who = f"{people}, all simulated. Nobody lifted." if simulated == sets else some
    coverage = f"{100.0 * INTERVAL_COVERAGE:.0f} %"
    console.print(f"\nFrom and to: the {coverage} interval, by drawing people anew. {who}")
    for note in report.notes:
        console.print(Text(f"note: {note}"))


def _heads(rows: list[dict[str, Any]]) -> list[str]:
    return [*(["exercise"] if "exercise" in rows[0] else []), "", "value", "from", "to", "trials"]


def _figure_cells(row: dict[str, Any]) -> list[str]:
    names = [row["exercise"]] if "exercise" in row else []
    return [*names, row["name"], *(_number(row[key]) for key in ("value", "low", "high")), str(row["trials"])]


def _number(value: Any) -> str:
    if isinstance(value, int):
        return str(value)
    return "–" if value != value else f"{value:.3f}"
