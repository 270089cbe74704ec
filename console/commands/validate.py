"""``ebbset validate``: compare the simulator with published figures, in a table and on one page of plots."""

from __future__ import annotations

import dataclasses
import json
from pathlib import Path
from typing import Any

import click

from ebbset.console.commands.pictures import draw_page, page_option
from ebbset.console.exits import Exit
from ebbset.console.progress import counted, progress
from ebbset.console.shared_options import dask_option, shared_out, workers_option


@click.command(name="validate")
@click.option("--short", is_flag=True, help="Use fewer simulated people for each figure, for a quick look.")
@click.option("--seed", type=click.IntRange(0), default=0, show_default=True, help="Seed of the simulated people.")
@workers_option(most=256)
@dask_option
@page_option
@click.option("--json", "as_json", is_flag=True, help="The table as JSON.")
def command(short: bool, seed: int, workers: int, cluster: str | None, plot: Path | None, as_json: bool) -> int:
    """Compare simulated lifters with published figures, and say which comparisons could have failed.

    Every row says what it can show. "fitted": the fit was given this figure. "follows": it follows from a fitted
    figure, or was in view when something was set by hand. "code": code against other code. "unseen": neither fitted
    nor in view; only these say anything about people, and the last lines count them.

    \b
    Exit code 0 when every figure is within its width or known to be outside, 1 when one is not.
    """
    from ebbset.simulators.validation import validate
    from ebbset.simulators.validation.comparison import headline

    with shared_out(workers, cluster) as mapper, progress("simulated groups of figures") as show:
        report = validate.run(short=short, seed=seed, mapper=counted(mapper, show))
    if plot is not None:
        draw_page(validate.plot, report, plot)
    if as_json:
        told = {
            "passed": report.passed,
            "people": report.people,
            "seed": report.seed,
            "headline": dataclasses.asdict(headline(report.results)),
            "results": [dataclasses.asdict(result) for result in report.results],
        }
        click.echo(json.dumps(told, ensure_ascii=False, indent=2))
    else:
        _show(report)
    if plot is not None:
        click.echo(f"The plots are in {plot}", err=as_json)
    return int(Exit.OK if report.passed else Exit.NO)


def _verdict(row: Any) -> str:
    if row.passed is None:
        return "not judged"
    if row.distance is not None:
        named = {"standard error": "within SE", "standard deviation": "within SD", "outside": "OUTSIDE"}[row.distance]
        return f"{named}, expected" if row.distance == "outside" and row.expected_outside else named
    return "within" if row.passed else "OUTSIDE"


def _show(report: Any) -> None:
    from rich.table import Table
    from rich.text import Text

    from ebbset.console.terminal import Terminal
    from ebbset.simulators.validation.comparison import KINDS, headline

    console = Terminal()
    for kind, meaning in KINDS.items():
        rows = [row for row in report.results if row.kind == kind]
        console.print(f"{kind}: {meaning} ({len(rows)} figures)", style="bold")
        table = Table(box=None, pad_edge=False, header_style="dim")
        for head in ("", "figure, source, width", "published", "simulated", "error", ""):
            table.add_column(head, justify="right" if head in ("published", "simulated", "error") else "left")
        for row in rows:
            notes = [row.source, f"width: {row.width}"]
            if row.expected_outside:
                notes.append(f"why outside: {row.expected_outside}")
            table.add_row(
                str(row.number),
                Text.assemble(row.name, ("\n" + "\n".join(notes), "dim")),
                row.published,
                row.simulated,
                row.error,
                _verdict(row),
                style="bold" if not row.as_expected else "",
            )
        console.print(table)
        console.print()
    others = [row for row in report.results if row.kind != "unseen" and row.passed is not None]
    console.print(str(headline(report.results)), style="bold")
    console.print(
        f"The other {len(others)} judged figures were fitted, follow from what was, or compare code with code: "
        f"{sum(bool(row.passed) for row in others)} within their width. At least {report.people // 2} simulated people "
        f"behind each figure of a population, seed {report.seed}. Nothing here was measured on people by us."
    )
