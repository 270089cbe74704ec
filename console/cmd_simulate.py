"""``ebbset simulate``: a prescription on one simulated lifter or on a population, faster than real time."""

from __future__ import annotations

import datetime
import json
import os
from collections import Counter
from pathlib import Path
from typing import Any

import click

from ebbset.console.exits import CommandError, Exit


@click.command(name="simulate")
@click.argument("prescription", type=click.Path(path_type=Path))
@click.option(
    "--persons",
    type=click.IntRange(1, 1_000_000),
    help="Simulate so many drawn people; left out, one set of the average trained man, shown whole.",
)
@click.option("--seed", type=click.IntRange(0), default=1, show_default=True, help="Same seed, same results.")
@click.option(
    "--workers",
    type=click.IntRange(1, 256),
    default=lambda: os.cpu_count() or 1,
    show_default="one a core",
    help="Processes; the results are the same for any number.",
)
@click.option(
    "--as-written",
    is_flag=True,
    help="Loads as the file has them; left out, scaled to each person's 1RM, taking them as written for the average.",
)
@click.option(
    "--out", type=click.Path(path_type=Path, file_okay=False), help="Folder for sets.csv and repetitions.csv."
)
@click.option("--record", type=click.Path(path_type=Path, dir_okay=False), help="One set only: write a recording.")
@click.option("--json", "as_json", is_flag=True, help="Summary as JSON.")
def command(
    prescription: Path,
    persons: int | None,
    seed: int,
    workers: int,
    as_written: bool,
    out: Path | None,
    record: Path | None,
    as_json: bool,
) -> int:
    """Run a prescription on simulated lifters, with the same controller that runs live.

    Results are simulated. What the simulator was held against, and with what error, is shown by `ebbset validate`.

    \b
    Examples:
      ebbset simulate row.toml
      ebbset simulate row.toml --record row.mcap && ebbset report row.mcap
      ebbset simulate row.toml --persons 10000 --out population/
    """
    from ebbset.console.documents import read_prescription
    from ebbset.console.simulation import known_exercise
    from ebbset.simulators.closed_loop import SetNotRunError

    order = read_prescription(prescription)
    known_exercise(order)
    if persons is not None and record is not None:
        raise click.UsageError("--record goes with one set, not with --persons.")
    try:
        if persons is None:
            return _one(order, seed, out, record, as_json)
        return _many(order, persons, seed, workers, as_written, out, as_json)
    except SetNotRunError as error:
        raise CommandError(f"the simulated rig cannot run this prescription: {error}", Exit.NO) from None


def _one(order: Any, seed: int, out: Path | None, record: Path | None, as_json: bool) -> int:
    from rich.console import Console

    from ebbset.console.cmd_report import plain_set
    from ebbset.console.report_data import recorded_sets
    from ebbset.console.simulation import RecordedRun, run_average

    run: RecordedRun = run_average(order, seed=seed, record=record)
    items = recorded_sets(run.handled, source=str(record or "simulation"), clock_zero=datetime.datetime.now())
    if out is not None:
        run.write(out)
    if as_json:
        click.echo(json.dumps([plain_set(item) for item in items], ensure_ascii=False, indent=2))
    else:
        from ebbset.console.sources import SIMULATED
        from ebbset.console.terminal_report import show

        console = Console(highlight=False)
        for item in items:
            show(item, console, simulated=SIMULATED)
    _say_where(out, record, quiet=as_json)
    return int(Exit.OK if not run.done.violations else Exit.NO)


def _many(order: Any, persons: int, seed: int, workers: int, as_written: bool, out: Path | None, as_json: bool) -> int:
    from rich.console import Console
    from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn, TimeRemainingColumn

    from ebbset.console.simulation import TidyFiles, reference_one_rm_n, simulate_population

    reference_n = None if as_written else reference_one_rm_n(order)
    files = None if out is None else TidyFiles(out)
    counted = _Tally()
    columns = (TextColumn("simulated sets"), BarColumn(), MofNCompleteColumn(), TimeRemainingColumn())
    try:
        with Progress(*columns, console=Console(stderr=True), transient=True) as progress:
            task = progress.add_task("sets", total=persons)
            rows = simulate_population(order, persons=persons, seed=seed, workers=workers, reference_n=reference_n)
            for found, repetitions in rows:
                counted.add(found)
                if files is not None:
                    files.add(found, repetitions)
                progress.advance(task)
    finally:
        if files is not None:
            files.close()
    told = counted.summary(order, seed)
    if as_json:
        click.echo(json.dumps(told, ensure_ascii=False, indent=2))
    else:
        _show_summary(told, Console(highlight=False))
    _say_where(out, None, quiet=as_json)
    return int(Exit.OK if not counted.broken else Exit.NO)


class _Tally:
    """Running sums, so that memory does not grow with the number of sets."""

    def __init__(self) -> None:
        self.sets = 0
        self.broken = 0
        self.reasons: Counter[str] = Counter()
        self._sums: dict[str, tuple[float, float]] = {}

    def add(self, row: Any) -> None:
        """Take one set in."""
        self.sets += 1
        self.broken += row.broken_invariants
        self.reasons[row.reason] += 1
        for name in ("true_repetitions", "drops", "duration_s", "true_capacity_lost"):
            total, squares = self._sums.get(name, (0.0, 0.0))
            value = float(getattr(row, name))
            self._sums[name] = (total + value, squares + value * value)

    def summary(self, order: Any, seed: int) -> dict[str, Any]:
        """Means, standard deviations between people, reasons."""
        means = {}
        for name, (total, squares) in self._sums.items():
            mean = total / self.sets
            variance = max(squares / self.sets - mean * mean, 0.0) * self.sets / max(self.sets - 1, 1)
            means[name] = {"mean": mean, "sd": variance**0.5}
        return {
            "simulated": True,
            "prescription": order.name,
            "prescription_hash": order.digest(),
            "seed": seed,
            "sets": self.sets,
            "measures": means,
            "ended_by": dict(self.reasons.most_common()),
            "broken_invariants": self.broken,
        }


def _show_summary(told: dict[str, Any], console: Any) -> None:
    from rich.table import Table

    console.print(f"{told['prescription']}: {told['sets']} simulated sets, seed {told['seed']}. Nobody lifted.")
    table = Table(box=None, pad_edge=False, header_style="dim")
    for head in ("", "mean", "SD between people"):
        table.add_column(head, justify="left" if not head else "right")
    labels = {
        "true_repetitions": "completed repetitions",
        "drops": "drops",
        "duration_s": "duration, s",
        "true_capacity_lost": "capacity lost, part of fresh (true)",
    }
    for name, label in labels.items():
        measure = told["measures"][name]
        table.add_row(label, f"{measure['mean']:.2f}", f"{measure['sd']:.2f}")
    console.print(table)
    ended = ", ".join(f"{reason.replace('_', ' ')} {count}" for reason, count in told["ended_by"].items())
    console.print(f"Ended by: {ended}. Broken invariants: {told['broken_invariants']}.")


def _say_where(out: Path | None, record: Path | None, *, quiet: bool) -> None:
    if out is not None:
        click.echo(f"Tables are in {out}", err=quiet)
    if record is not None:
        click.echo(f"The recording is in {record}", err=quiet)
