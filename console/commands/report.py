"""``ebbset report``: show recordings as tables in the terminal and as one page for the browser."""

from __future__ import annotations

import datetime
import json
from pathlib import Path
from typing import Any

import click

from ebbset.console.exits import CommandError, Exit


@click.command(name="report")
@click.argument("files", nargs=-1, required=True, type=click.Path(path_type=Path), metavar="FILE…")
@click.option(
    "--page",
    type=click.Path(path_type=Path, dir_okay=False),
    help="Page to write; by default, next to the first recording, with the suffix .html.",
)
@click.option("--no-page", is_flag=True, help="Tables only.")
@click.option("--json", "as_json", is_flag=True, help="JSON instead of tables, and no page unless --page names one.")
def command(files: tuple[Path, ...], page: Path | None, no_page: bool, as_json: bool) -> int:
    """Show what happened in recorded sets, why, what it was probably worth, and what to do next.

    The terminal shows a table of repetitions, each decision with the numbers behind it, why the set ended, and advice
    for the next set. The page shows the trace with its stalls, the velocity of each repetition, capacity and loss of
    capacity with their ranges, and the same tables. It is a single file that needs no network and can be printed.

    Several recordings of one lifter also show the course over days.

    \b
    Examples:
      ebbset report set.mcap
      ebbset report --page november.html recordings/*.mcap
      ebbset report --json set.mcap | jq '.[0].result'
    """
    from ebbset.console.report.page import render
    from ebbset.console.report.sources import read_sources
    from ebbset.models.contract.formatting import visible

    if page is not None and no_page:
        raise click.UsageError("--page and --no-page cannot be used together.")
    sources = read_sources(files)
    if as_json:
        told = [plain_set(item) for source in sources for item in source.sets]
        click.echo(visible(json.dumps(told, ensure_ascii=False, indent=2)))
    else:
        _show(sources)
    if no_page or (as_json and page is None):
        return int(Exit.OK)
    target = page if page is not None else files[0].with_suffix(".html")
    try:
        target.write_text(render(sources, made_at=datetime.datetime.now()), encoding="utf-8")
    except OSError as error:
        raise CommandError(f"{target}: {error.strerror}", Exit.BAD_INPUT) from None
    click.echo(f"The page is in {target}", err=as_json)
    return int(Exit.OK)


def _show(sources: Any) -> None:
    from ebbset.console.report.terminal_report import show
    from ebbset.console.terminal import Terminal

    console = Terminal()
    for source in sources:
        for sentence in source.missing:
            console.print(f"{source.name}: {sentence}", style="italic")
        for item in source.sets:
            show(item, console)


def plain_set(item: Any) -> dict[str, Any]:
    """Convert a recorded set to plain JSON data, for scripts."""
    from ebbset.coaching.next_set import advice
    from ebbset.coaching.worth import estimated
    from ebbset.controller.recording.reader import as_plain

    worth = estimated(item)
    return {
        "source": item.source,
        "rig": item.rig,
        "simulated": item.simulated,
        "nonce": item.nonce,
        "prescription": item.prescription.model_dump(mode="json"),
        "lifter": item.person,
        "begun_at": None if item.begun_at is None else item.begun_at.isoformat(),
        "result": None if item.result is None else as_plain(item.result),
        "spent_budget": item.spent_budget,
        "repetitions": [
            {**as_plain(tried), "ended_load_n": record.load_n}
            for record, tried in zip(item.repetitions, item.attempts.records, strict=True)
        ],
        "decisions": [{"t_s": moment.t_s, **as_plain(moment.decision)} for moment in item.moments],
        "worth_relative_estimated": None
        if worth is None
        else {
            "total": [worth.total.low, worth.total.middle, worth.total.high],
            "repetitions": [[r.relative.low, r.relative.middle, r.relative.high] for r in worth.repetitions],
            "coverage": 0.8,
        },
        "next": [{"about": a.about, "answer": a.answer, "because": a.because} for a in advice(item)],
    }
