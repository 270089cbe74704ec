"""``ebbset compare``: compare policies or prescriptions on a simulated population, paired by lifter."""

from __future__ import annotations

import csv
import json
from collections.abc import Iterable, Iterator, Sequence
from contextlib import ExitStack, contextmanager
from pathlib import Path
from typing import IO, TYPE_CHECKING, Any

import click

from ebbset.console.commands.pictures import svg_option
from ebbset.console.exits import CommandError, Exit
from ebbset.console.progress import tracked
from ebbset.console.shared_options import dask_option, lifters_option, seed_option, shared_out, workers_option

if TYPE_CHECKING:
    from ebbset.coaching.compare import ComparedCondition, Row
    from ebbset.models.contract.prescription import Prescription


_SAME = "the same in every pair"


@click.command(name="compare")
@click.argument("prescriptions", nargs=-1, required=True, type=click.Path(path_type=Path), metavar="PRESCRIPTION…")
@click.option(
    "--policy",
    "policies",
    multiple=True,
    metavar="NAME[:PARAMETER=VALUE,…]",
    help="With one prescription: run it with this drop policy; repeat for each further policy.",
)
@click.option("--persons", type=click.IntRange(2, 1_000_000), default=100, show_default=True, help="Simulated people.")
@lifters_option(help_text="Family that the people are drawn from; by default, the compiled one.")
@seed_option
@click.option(
    "--start-share",
    type=click.FloatRange(0.2, 1.0),
    default=0.75,
    show_default=True,
    help="Start load as a part of each lifter's 1RM; all other loads scale with it.",
)
@click.option("--known", is_flag=True, help="Give the controller a profile of each lifter.")
@workers_option(most=1024)
@dask_option
@click.option("--table", type=click.Path(path_type=Path, dir_okay=False), help="Tidy CSV file, one row a set.")
@svg_option
@click.option("--json", "as_json", is_flag=True, help="Summary as JSON.")
def command(
    prescriptions: tuple[Path, ...],
    policies: tuple[str, ...],
    persons: int,
    lifters: str | None,
    seed: int,
    start_share: float,
    known: bool,
    workers: int,
    cluster: str | None,
    table: Path | None,
    plot: Path | None,
    as_json: bool,
) -> int:
    """Compare prescriptions, or drop policies in one prescription, on the same simulated lifters.

    Every lifter does every condition fresh and with the same random numbers, so differences are paired. Means come
    with 95 % confidence intervals over lifters; stimulus is relative, estimated, and also shown with its range over
    the assumptions. Results are simulated: `ebbset validate` shows how the simulator compares with published figures.

    \b
    Exit code 0 when every set kept every invariant, 1 when one did not.

    \b
    Examples:
      ebbset compare straight.toml drops.toml --persons 200 --table sets.csv
      ebbset compare row.toml --policy fixed_fraction:fraction=0.2 --policy force_at_stall:part=0.85
      ebbset compare a.toml b.toml --persons 10000 --dask tcp://scheduler:8786
    """
    from ebbset.coaching.compare import Population
    from ebbset.controller.service.documents import sentence_of
    from ebbset.simulators.closed_loop.simulated_set import SetNotRunError
    from ebbset.simulators.population.families import COMPILED

    read = _read(prescriptions, any_exercise=lifters is not None)
    try:
        conditions = _conditions(read, policies)
        if len(conditions) < 2:
            raise click.UsageError(
                f"only {conditions[0].name!r} was given; allowed: two or more prescriptions, or --policy twice or more."
            )
        _refuse_unsound(conditions)
        population = Population(persons, seed, start_share, known, lifters or COMPILED)
        found = _compared(conditions, population, workers, cluster, table)
    except SetNotRunError as error:
        raise CommandError(f"a set cannot be run on the simulated rig: {error}", Exit.NO) from None
    except ValueError as error:
        raise CommandError(sentence_of(error), Exit.USAGE) from None
    if plot is not None:
        from ebbset.console.report.plan_figures import draw_comparison

        draw_comparison(found, plot)
    if as_json:
        click.echo(json.dumps(plain(found), ensure_ascii=False, indent=2))
    else:
        _show(found, persons, seed)
    for path in (table, plot):
        if path is not None:
            click.echo(f"Written to {path}", err=as_json)
    return int(Exit.OK if all(one.mean == 0.0 for one in found.means["breaches"]) else Exit.NO)


def _read(paths: Sequence[Path], *, any_exercise: bool) -> list[Prescription]:
    from ebbset.console.commands.simulation import known_exercise
    from ebbset.controller.service.documents import read_prescription

    read = [read_prescription(path) for path in paths]
    for prescription in () if any_exercise else read:
        known_exercise(prescription)
    return read


def _conditions(read: Sequence[Prescription], policies: Sequence[str]) -> list[ComparedCondition]:
    """One condition per prescription, or per policy in the one prescription."""
    from ebbset.coaching.compare import ComparedCondition, named_apart, with_policy

    if policies and len(read) != 1:
        raise click.UsageError("--policy goes with exactly one prescription.")
    if policies:
        return named_apart([_checked(with_policy(read[0], text)) for text in policies])
    return named_apart([ComparedCondition(each.name, each) for each in read])


def _checked(condition: Any) -> Any:
    """Check that the policy exists and takes its parameters, before workers start.

    Raises:
        BadDocumentError: the policy is unknown or refuses its parameters.
    """
    from ebbset.controller.service.policy_registry import load_policies
    from ebbset.models.contract.problems import BadDocumentError, Problem, shorten

    drop, known = condition.prescription.drop, load_policies()
    if drop.policy not in known:
        problem = Problem("policy", shorten(drop.policy), "one of " + ", ".join(sorted(known)), "unknown")
        raise BadDocumentError("--policy", [problem])
    known[drop.policy].from_parameters(drop.parameters)
    return condition


def _refuse_unsound(conditions: Sequence[ComparedCondition]) -> None:
    """Refuse a policy that breaks the rules for policies: its runs could not be compared.

    Raises:
        CommandError: names each policy with the rules it breaks.
    """
    from ebbset.controller.policies.checker import check_policy
    from ebbset.controller.service.policy_registry import load_policies

    known = load_policies()
    broken = []
    for condition in conditions:
        drop = condition.prescription.drop
        findings = check_policy(known[drop.policy], drop.parameters)
        broken += [f"{condition.name}: {drop.policy} breaks a rule: {one.rule} ({one.detail})" for one in findings]
    if broken:
        why = "not compared, a drop policy is refused by its checker (`ebbset policy check` says what to do)\n  "
        raise CommandError(why + "\n  ".join(broken), Exit.NO)


def _compared(conditions: Any, population: Any, workers: int, cluster: str | None, table: Path | None) -> Any:
    from ebbset.coaching.compare import compared, jobs, run_job

    with shared_out(workers, cluster) as mapper, ExitStack() as stack:
        results = tracked(mapper(run_job, jobs(conditions, population)), "simulated lifters", population.lifters)
        if table is not None:
            results = _written(results, stack.enter_context(_opened(table)))
        return compared(results, conditions)


@contextmanager
def _opened(path: Path) -> Iterator[IO[str]]:
    try:
        with path.open("w", encoding="utf-8", newline="") as file:
            yield file
    except OSError as error:
        raise CommandError(f"{path}: {error.strerror}", Exit.BAD_INPUT) from None


def _written(results: Iterable[Sequence[Row]], file: IO[str]) -> Iterator[Sequence[Row]]:
    """Pass the rows of each lifter on, and write them down on the way."""
    from ebbset.coaching.compare import MEASURES

    writer = csv.writer(file, lineterminator="\n")
    writer.writerow(["person", "condition", *MEASURES, "ended_by"])
    for rows in results:
        for row in rows:
            writer.writerow([row.person, row.condition, *map(repr, row.values), row.ended_by])
        yield rows


def plain(found: Any) -> dict[str, Any]:
    """The summary as plain values."""

    def interval(one: Any) -> dict[str, float]:
        return {"mean": one.mean, "low": one.low, "high": one.high}

    return {
        "conditions": list(found.conditions),
        "means": {name: [interval(one) for one in row] for name, row in found.means.items()},
        "differences_to_the_first": {name: [interval(one) for one in row] for name, row in found.differences.items()},
        "stimulus_over_assumptions": [[r.low, r.middle, r.high] for r in found.stimulus_ranges],
        "stimulus_ratio_to_the_first": [[r.low, r.middle, r.high] for r in found.stimulus_ratios],
    }


def _show(found: Any, lifters: int, seed: int) -> None:
    from ebbset.coaching.compare import MEASURES
    from ebbset.console.terminal import Terminal

    console = Terminal()
    letters = [chr(ord("A") + k % 26) * (1 + k // 26) for k in range(len(found.conditions))]
    console.print(f"{lifters} simulated lifters, seed {seed}; mean (95 % confidence interval). Nobody lifted.")
    for letter, name in zip(letters, found.conditions, strict=True):
        console.print(f"  {letter}  {name}")
    console.print(_table(letters, found.means, found.stimulus_ranges, signed=False))
    if len(letters) > 1:
        console.print(f"Difference to {letters[0]}, paired by lifter; the last row is a ratio:")
        apart = {name: row[1:] for name, row in found.differences.items()}
        console.print(_table(letters[1:], apart, found.stimulus_ratios[1:], signed=True))
    for name, label in MEASURES.items():
        console.print(f"{name.replace('_', ' ')}: {label}", style="dim")


def _table(heads: list[str], rows: Any, assumed: Any, *, signed: bool) -> Any:
    from rich.table import Table

    form = "+.2f" if signed else ".2f"
    table = Table(box=None, pad_edge=False, header_style="dim")
    table.add_column("", no_wrap=True)
    for head in heads:
        table.add_column(head, justify="right")
    for name, row in rows.items():
        table.add_row(
            name.replace("_", " "),
            *(
                _SAME if signed and i.low == i.high == 0.0 else f"{i.mean:{form}} ({i.low:{form}} to {i.high:{form}})"
                for i in row
            ),
        )
    shown = [_SAME if signed and spread.low == spread.high == 1.0 else str(spread) for spread in assumed]
    table.add_row("over assumptions, 80 %", *shown, style="dim")
    return table
