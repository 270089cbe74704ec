"""``ebbset evaluate``: compare the controller's judgement with what only the simulator can know."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any, Final

import click

from ebbset.console.commands.pictures import draw_page, page_option
from ebbset.console.exits import CommandError, Exit
from ebbset.console.progress import counted, progress
from ebbset.console.shared_options import dask_option, lifters_option, shared_out, workers_option

_MOST_COLUMNS: Final = 6
_FIGURE_WIDTH: Final = 7
_Draw = Callable[[Any, Path], None]
_WORDY: Final = ("name", "rule", "setting", "asked")


@click.command(name="evaluate")
@click.option("--short", is_flag=True, help="Run few sets, for a quick look.")
@click.option(
    "--seed", type=click.IntRange(0), help="One seed; by default, the package's seeds that tuning never used."
)
@click.option("--seeds", type=click.Path(path_type=Path, dir_okay=False), help="Another file of unseen seeds.")
@lifters_option(
    multiple=True,
    help_text="Judge on this family of lifters only; repeat for more. By default, on every installed one.",
)
@workers_option(most=256)
@dask_option
@page_option
@click.option(
    "--recordings",
    type=click.Path(path_type=Path, file_okay=False),
    help="Judge these labelled recordings instead of simulated sets; with --labels.",
)
@click.option("--labels", type=click.Path(path_type=Path, dir_okay=False), help="Table of labels for --recordings.")
@click.option("--json", "as_json", is_flag=True, help="The tables as JSON.")
def command(
    short: bool,
    seed: int | None,
    seeds: Path | None,
    lifters: tuple[str, ...],
    workers: int,
    cluster: str | None,
    plot: Path | None,
    recordings: Path | None,
    labels: Path | None,
    as_json: bool,
) -> int:
    """Judge stall detection, drop sizes, estimates and budgets on simulated sets whose truth is known.

    For each repetition that slows, the simulator also runs what would have happened without a drop. The tables show
    false, missed and late drops next to the best velocity threshold and to perfect knowledge; repetitions per step
    next to the number wanted; errors of the estimates and how often their intervals contain the truth; and whether
    each target is met.

    Then the same for each family of lifters: people of other structures, habits and exercises, who have never been
    seen. With --lifters, only the families named; NAME is an installed one, MODULE:FACTORY one of your own.

    With --recordings and --labels, judge what ebbset said of sets whose attempts somebody labelled, with the same
    statistics and with intervals over people; docs/measuring-people.md explains the table and how to make one. Sets
    that came in by `ebbset import` are run through the detector open loop.

    \b
    Exit code 0 when every target is met, 1 when one is not; with --recordings 0 when the sets were judged. The long
    form takes some minutes.

    \b
    Example:
      ebbset evaluate --recordings recordings --labels labels.csv
    """
    if recordings is not None or labels is not None:
        if recordings is None or labels is None or short or lifters or seeds is not None or plot is not None:
            raise click.UsageError("--recordings and --labels go together, and with --seed and --json only.")
        from ebbset.console.people_commands.evaluate_recordings import evaluate_recordings

        return evaluate_recordings(recordings, labels, seed=seed, as_json=as_json)
    if seed is not None and seeds is not None:
        raise click.UsageError("--seed and --seeds cannot be used together.")
    with shared_out(workers, cluster) as mapper:
        judged = _judged(lifters, plot, mapper, {"short": short, "seed": seed if seed is not None else seeds})
    for report, draw, path in judged:
        if path is not None:
            draw_page(draw, report, path)
    if as_json:
        _tell([report for report, _, _ in judged])
    else:
        for report, _, _ in judged:
            _show(report)
    for _, _, path in judged:
        if path is not None:
            click.echo(f"The plots are in {path}", err=as_json)
    return int(Exit.OK if all(target.met for report, _, _ in judged for target in report.targets) else Exit.NO)


def _judged(
    lifters: tuple[str, ...], plot: Path | None, mapper: Any, asked: dict[str, Any]
) -> list[tuple[Any, _Draw, Path | None]]:
    """The reports asked for, each with what draws it and where to."""
    from ebbset.simulators.closed_loop.simulated_set import SetNotRunError
    from ebbset.simulators.evaluation import evaluate, family_report
    from ebbset.simulators.population.families import FamilyError

    reports: list[tuple[Any, _Draw, Path | None]] = []
    try:
        with progress("simulating") as say:
            asked |= {"mapper": counted(mapper, say), "progress": lambda what: say(f"simulating {what}")}
            if not lifters:
                reports.append((evaluate.run(**asked), evaluate.plot, plot))
            beside = plot if plot is None or lifters else plot.with_stem(f"{plot.stem}-families")
            reports.append((family_report.run(lifters, **asked), family_report.plot, beside))
    except (evaluate.SeedsError, FamilyError) as error:
        raise CommandError(str(error), Exit.BAD_INPUT) from None
    except SetNotRunError as error:
        raise CommandError(f"the simulated rig cannot run a set of these lifters: {error}", Exit.NO) from None
    return reports


def _tell(reports: list[Any]) -> None:
    from ebbset.simulators.evaluation.report_parts import as_json

    told = reports[0].plain()
    if len(reports) > 1:
        told["families"] = reports[1].plain()
    click.echo(as_json(told))


def _show(report: Any) -> None:
    from rich.table import Table
    from rich.text import Text

    from ebbset.console.terminal import Terminal

    console = Terminal()
    for title, rows in report.tables():
        heads = list(dict.fromkeys(name for row in rows for name in row))
        counts = {head for head in heads if all(_whole(row.get(head)) for row in rows)}
        console.print(Text(f"\n{title}", style="bold"))
        if len(heads) <= _MOST_COLUMNS:
            table = Table(box=None, pad_edge=False, header_style="dim")
            for head in heads:
                left = head in _WORDY
                table.add_column(_words(head), justify="left" if left else "right", no_wrap=head == "name")
            for row in rows:
                cells = (_cell(row.get(head), whole=head in counts) for head in heads)
                table.add_row(*cells, style="bold" if row.get("met") is False else "")
            console.print(table)
            continue
        # Too many columns for one line: transpose the table, and split its rows over as many tables as needed.
        label = heads[0]
        for part in _parts(rows, label, console.width - max(len(_words(head)) for head in heads)):
            table = Table(box=None, pad_edge=False, header_style="dim")
            table.add_column("", no_wrap=True)
            for row in part:
                table.add_column(str(row[label]), justify="right", no_wrap=True)
            for head in heads[1:]:
                table.add_row(_words(head), *(_cell(row.get(head), whole=head in counts) for row in part))
            console.print(table)
            console.print()
    met = sum(target.met for target in report.targets)
    console.print(
        f"\n{met} of {len(report.targets)} targets met, on {report.sets} simulated sets of known truth and "
        f"{report.people} simulated people; seeds {', '.join(map(str, report.seeds))}. Nobody lifted."
    )


def _words(head: str) -> str:
    return head.removesuffix("_s").replace("_", " ") + (", s" if head.endswith("_s") else "")


def _parts(rows: list[dict[str, Any]], label: str, width: int) -> Iterator[list[dict[str, Any]]]:
    """Split the rows into groups whose words fit side by side in ``width`` characters, at least one row each."""
    part: list[dict[str, Any]] = []
    used = 0
    for row in rows:
        words = (len(value) for value in (str(row[label]), *row.values()) if isinstance(value, str))
        needed = max(_FIGURE_WIDTH, *words) + 2
        if part and used + needed > width:
            yield part
            part, used = [], 0
        part.append(row)
        used += needed
    yield part


def _whole(value: Any) -> bool:
    return value is None or (isinstance(value, int | float) and float(value).is_integer())


def _cell(value: Any, *, whole: bool) -> str:
    if value is None:
        return ""
    if isinstance(value, bool):
        return "met" if value else "NOT MET"
    if isinstance(value, int | float):
        if not math.isfinite(value):
            return "never"
        return f"{value:.0f}" if whole else f"{value:.3f}"
    return str(value)
