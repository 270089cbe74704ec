"""``ebbset simulate``: run a prescription on one simulated lifter or a population, faster than real time."""

from __future__ import annotations

import json
from contextlib import ExitStack
from pathlib import Path
from typing import Any

import click

from ebbset.console.exits import CommandError, Exit
from ebbset.console.progress import tracked
from ebbset.console.shared_options import lifters_option, seed_option, workers_option


@click.command(name="simulate")
@click.argument("prescription", type=click.Path(path_type=Path))
@click.option(
    "--persons",
    type=click.IntRange(1, 1_000_000),
    help="Number of people to draw and simulate; by default, one set of the average trained man, shown in full.",
)
@lifters_option(
    help_text="Family that people are drawn from; loads then scale to 0.75 of each 1RM, and any exercise is allowed."
)
@seed_option
@workers_option(most=256)
@click.option(
    "--as-written",
    is_flag=True,
    help="Use the loads of the file for everybody; by default they scale with each person's strength.",
)
@click.option("--profile", type=click.Path(path_type=Path), help="One set only: the profile to give to the controller.")
@click.option(
    "--table", type=click.Path(path_type=Path, dir_okay=False), help="With --persons: CSV file, one row a set."
)
@click.option("--record", type=click.Path(path_type=Path, dir_okay=False), help="One set only: write a recording.")
@click.option("--json", "as_json", is_flag=True, help="Summary as JSON.")
def command(
    prescription: Path,
    persons: int | None,
    lifters: str | None,
    seed: int,
    workers: int,
    as_written: bool,
    profile: Path | None,
    table: Path | None,
    record: Path | None,
    as_json: bool,
) -> int:
    """Run a prescription on simulated lifters, with the same controller that runs live.

    Results are simulated. `ebbset validate` compares the simulator with published figures and shows its errors. In the
    table, columns that begin with true_ hold what nobody could measure on people; the others hold what the controller
    saw and decided.

    \b
    Exit code 0 when every set ran and kept every invariant, 1 when one did not.

    \b
    Examples:
      ebbset simulate row.toml
      ebbset simulate row.toml --record row.mcap && ebbset report row.mcap
      ebbset simulate row.toml --persons 10000 --table population.csv
    """
    from ebbset.console.commands.simulation import known_exercise
    from ebbset.controller.service.documents import read_prescription, read_profile
    from ebbset.simulators.closed_loop.simulated_set import SetNotRunError
    from ebbset.simulators.population.families import FamilyError

    order = read_prescription(prescription)
    if lifters is None:
        known_exercise(order)
    try:
        if persons is not None:
            if record is not None or profile is not None:
                raise click.UsageError("--record and --profile need a single set; they cannot be used with --persons.")
            return _many(order, persons, lifters, seed, workers, as_written, table, as_json)
        if table is not None:
            raise click.UsageError("--table needs --persons; for one set use --json or --record.")
        known = None if profile is None else read_profile(profile)
        return _one(order, lifters, seed, as_written, known, record, as_json)
    except SetNotRunError as error:
        raise CommandError(f"the simulated rig cannot run this prescription: {error}", Exit.NO) from None
    except FamilyError as error:
        raise CommandError(str(error), Exit.USAGE) from None


def _one(
    order: Any, lifters: str | None, seed: int, as_written: bool, profile: Any, record: Path | None, as_json: bool
) -> int:
    from ebbset.console.commands.report import plain_set
    from ebbset.console.commands.simulation import run_person
    from ebbset.console.report.terminal_report import show
    from ebbset.console.terminal import Terminal
    from ebbset.controller.recording.recorded_set import recorded_sets

    done, handled = run_person(
        order, seed=seed, record=record, profile=profile, family=lifters, relative=not as_written
    )
    items = recorded_sets(handled, source=str(record or "simulation"), simulated=True)
    if as_json:
        click.echo(json.dumps([plain_set(item) for item in items], ensure_ascii=False, indent=2))
    else:
        console = Terminal()
        for item in items:
            show(item, console)
    if record is not None:
        click.echo(f"The recording is in {record}", err=as_json)
    return int(Exit.OK if not done.violations else Exit.NO)


def _many(
    order: Any,
    persons: int,
    lifters: str | None,
    seed: int,
    workers: int,
    as_written: bool,
    table: Path | None,
    as_json: bool,
) -> int:
    from ebbset.console.commands.simulation import Table, Tally, cases, family_cases
    from ebbset.console.terminal import Terminal
    from ebbset.simulators.closed_loop.population_run import run_cases

    tally = Tally()
    with ExitStack() as stack:
        written = None if table is None else stack.enter_context(Table(table))
        relative = not as_written
        if lifters is None:
            people = cases(order, persons=persons, seed=seed, relative=relative)
        else:
            people = family_cases(order, lifters, persons=persons, seed=seed, relative=relative)
        for row in tracked(run_cases(people, seed=seed, workers=workers), "simulated sets", persons):
            tally.add(row)
            if written is not None:
                written.add(row)
    told = tally.summary(order, seed)
    if as_json:
        click.echo(json.dumps(told, ensure_ascii=False, indent=2))
    else:
        _show_summary(told, Terminal())
    if table is not None:
        click.echo(f"The table is in {table}", err=as_json)
    return int(Exit.OK if not tally.broken and not tally.not_run else Exit.NO)


def _show_summary(told: dict[str, Any], console: Any) -> None:
    from rich.table import Table

    from ebbset.console.commands.simulation import MEASURES

    console.print(f"{told['prescription']}: {told['sets']} simulated sets, seed {told['seed']}. Nobody lifted.")
    table = Table(box=None, pad_edge=False, header_style="dim")
    for head in ("", "mean", "SD between people"):
        table.add_column(head, justify="left" if not head else "right")
    for name, measure in told["measures"].items():
        table.add_row(MEASURES[name], f"{measure['mean']:.2f}", f"{measure['sd']:.2f}")
    console.print(table)
    ended = ", ".join(f"{reason.replace('_', ' ')} {count}" for reason, count in told["ended_by"].items())
    console.print(f"Ended by: {ended}. Broken invariants: {told['broken_invariants']}. Not run: {told['not_run']}.")
