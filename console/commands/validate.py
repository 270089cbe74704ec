"""``ebbset validate``: compare the simulator with published figures, in a table and on one page of plots."""

from __future__ import annotations

import dataclasses
import json
from pathlib import Path
from typing import Any

import click

from ebbset.console.commands.pictures import draw_page, page_option
from ebbset.console.exits import Exit
from ebbset.console.progress import progress


@click.command(name="validate")
@click.option("--short", is_flag=True, help="Use fewer simulated people for each figure, for a quick look.")
@click.option("--seed", type=click.IntRange(0), default=0, show_default=True, help="Seed of the simulated people.")
@page_option
@click.option("--json", "as_json", is_flag=True, help="The table as JSON.")
def command(short: bool, seed: int, plot: Path | None, as_json: bool) -> int:
    """Compare simulated lifters with published figures: source, published, simulated, error, pass.

    The exercises' parameters were fitted to the figures marked "fitted", not to those marked "unseen". Known limits of
    the models are shown with their size and are not judged.

    \b
    Exit code 0 when every judged figure is within the published range, 1 when one is not.
    """
    from ebbset.simulators.validation import validate

    with progress("simulating") as say:
        report = validate.run(short=short, seed=seed, progress=lambda section: say(f"simulating {section}"))
    if plot is not None:
        draw_page(validate.plot, report, plot)
    if as_json:
        told = {
            "passed": report.passed,
            "people": report.people,
            "seed": report.seed,
            "results": [dataclasses.asdict(result) for result in report.results],
        }
        click.echo(json.dumps(told, ensure_ascii=False, indent=2))
    else:
        _show(report)
    if plot is not None:
        click.echo(f"The plots are in {plot}", err=as_json)
    return int(Exit.OK if report.passed else Exit.NO)


def _show(report: Any) -> None:
    from rich.table import Table
    from rich.text import Text

    from ebbset.console.terminal import Terminal

    console = Terminal()
    table = Table(box=None, pad_edge=False, header_style="dim")
    for head in ("", "check and its source", "published", "simulated", "error", "", ""):
        table.add_column(head, justify="right" if head in ("published", "simulated", "error") else "left")
    verdicts = {True: "pass", False: "FAIL", None: ""}
    for row in report.results:
        table.add_row(
            str(row.number),
            Text.assemble(row.name, (f"\n{row.source}", "dim")),
            row.published,
            row.simulated,
            row.error,
            row.fitted_or_unseen,
            verdicts[row.passed],
            style="bold" if row.passed is False else "",
        )
    console.print(table)
    judged = [row for row in report.results if row.passed is not None]
    unseen = sum(row.fitted_or_unseen == "unseen" for row in judged)
    passed = sum(bool(row.passed) for row in judged)
    console.print(
        f"{passed} of {len(judged)} figures within the published range; {unseen} of the {len(judged)} were not used in "
        f"the fit; {report.people} simulated people for each population figure, seed {report.seed}."
    )
