"""``ebbset plan``: find the best set for the time available, on simulated twins of this lifter."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any, get_args

import click

from ebbset.console.commands.pictures import svg_option
from ebbset.console.exits import CommandError, Exit
from ebbset.console.progress import counted, progress
from ebbset.console.shared_options import dask_option, seed_option, shared_out, workers_option
from ebbset.models.contract.units import LoadUnit

DRAWS = 400


@click.command(name="plan")
@click.argument("profile", type=click.Path(path_type=Path))
@click.option("--minutes", required=True, type=click.FloatRange(0.5, 60), help="Time available, rests included.")
@click.option(
    "--fatigue-left",
    type=click.FloatRange(0.02, 0.99),
    help="Greatest loss of capacity afterwards, 0 to 1. It is the budget of every candidate, which ends a set with the "
    "repetition that spends it.",
)
@click.option(
    "--exceeding",
    type=click.FloatRange(0, 0.99),
    default=0.2,
    show_default=True,
    help="Share of the twins that may lose more than --fatigue-left.",
)
@click.option(
    "--later-sets", type=click.IntRange(0, 20), default=0, help="Sets for these muscles later in the session."
)
@click.option(
    "--later-break",
    type=click.FloatRange(0, 7200),
    default=180.0,
    show_default=True,
    help="Break before them, seconds.",
)
@click.option("--twins", type=click.IntRange(4, 500), default=16, show_default=True, help="Simulated twins.")
@seed_option
@workers_option(most=256)
@dask_option
@click.option("--cables", type=click.Choice(["1", "2"]), default="1", show_default=True, help="Cables of the rig.")
@click.option(
    "--units", type=click.Choice(get_args(LoadUnit)), default="kg", show_default=True, help="Unit of the loads."
)
@click.option(
    "--simulated-profile", is_flag=True, help="Plan on a profile that was made from simulated sets, for nobody."
)
@click.option("--choose", metavar="KEY", help="Write this candidate instead of the suggested one.")
@click.option("-o", "--output", type=click.Path(path_type=Path, dir_okay=False), help="Prescription to write (TOML).")
@svg_option
@click.option("--json", "as_json", is_flag=True, help="Everything as JSON.")
def command(
    profile: Path,
    minutes: float,
    fatigue_left: float | None,
    exceeding: float,
    later_sets: int,
    later_break: float,
    twins: int,
    seed: int,
    workers: int,
    cluster: str | None,
    cables: str,
    units: LoadUnit,
    simulated_profile: bool,
    choose: str | None,
    output: Path | None,
    plot: Path | None,
    as_json: bool,
) -> int:
    """Compare straight sets, rest-pause, drop sets and mixtures for a lifter and the time available.

    Every candidate runs through the real controller on simulated twins of the lifter, drawn from what the profile
    leaves uncertain. Stimulus is relative and estimated, with its range over twins and assumptions. What another
    candidate beats in nine pairs of twin and assumptions out of ten is never suggested; of the others, the one with
    the least expected loss is, if the twins can tell. If not, the plan says that there is no clear winner. With
    --later-sets, the plan subtracts what those sets lose to the fatigue left behind.

    A profile that was made from simulated sets is refused without --simulated-profile, because it describes nobody.

    The chosen candidate is written as a prescription that `ebbset serve` can run. All candidates go to failure: the
    cautions in safety.md apply, and a person decides.

    \b
    Examples:
      ebbset plan a7-row.toml --minutes 6 -o set.toml
      ebbset plan a7-row.toml --minutes 8 --later-sets 3 --fatigue-left 0.4 --plot plan.svg
    """
    from ebbset.coaching.candidates import Wishes
    from ebbset.coaching.plan import chosen_prescription
    from ebbset.controller.service.documents import read_profile
    from ebbset.simulators.population.twin import NoTwinError

    lifter = read_profile(profile)
    if lifter.simulated and not simulated_profile:
        raise CommandError(
            f"{profile}: made from simulated sets, so it says nothing about a person; allowed: a profile of a person's "
            "sets, or --simulated-profile",
            Exit.BAD_INPUT,
        )
    wishes = Wishes(minutes, fatigue_left, later_sets, later_break, exceeding)
    try:
        plan = _planned(lifter, wishes, int(cables), units, twins, seed, workers, cluster)
    except (NoTwinError, ValueError) as error:
        raise CommandError(f"{profile}: {error}", Exit.BAD_INPUT) from None
    choice = plan.suggestion
    if choose is not None:
        choice = next((j for j in plan.judged if j.candidate.key == choose), None)
        if choice is None:
            keys = ", ".join(j.candidate.key for j in plan.judged)
            raise click.UsageError(f"--choose is {choose!r}; allowed: {keys}.")
    if plot is not None:
        from ebbset.console.report.plan_figures import draw_plan

        draw_plan(plan, wishes, plot)
    if as_json:
        told = {"simulated_profile": lifter.simulated, **_plain(plan, choice)}
        click.echo(json.dumps(told, ensure_ascii=False, indent=2))
    else:
        _show(plan, choice)
        if lifter.simulated:
            click.echo("The profile was made from simulated sets: a plan for nobody.")
    if output is not None and choice is not None:
        chosen = chosen_prescription(choice, simulated_profile=lifter.simulated)
        output.write_text(chosen.to_toml(), encoding="utf-8")
        click.echo(f"{choice.candidate.title}: written to {output}", err=as_json)
    elif output is not None:
        raise CommandError("nothing was written: no candidate fits; use --choose to take one anyway", Exit.NO)
    return int(Exit.OK if plan.suggestion is not None else Exit.NO)


def _planned(
    lifter: Any, wishes: Any, cables: int, units: LoadUnit, twins: int, seed: int, workers: int, cluster: str | None
) -> Any:
    from ebbset.coaching.assumptions import report_draws
    from ebbset.coaching.candidates import candidates
    from ebbset.coaching.plan import make_plan
    from ebbset.simulators.plant.rig_parameters import RigParameters
    from ebbset.simulators.population.twin import draw_twins

    rig = RigParameters(n_cables=cables)
    found = candidates(lifter, wishes, rig, units=units)
    with progress("fitting twins"):
        people = draw_twins(lifter, rig, seed, twins)
    with shared_out(workers, cluster) as mapper, progress("simulated sets") as show:
        return make_plan(
            lifter,
            wishes,
            found,
            people,
            report_draws(DRAWS),
            rig=rig,
            seed=seed,
            mapper=counted(mapper, show),
        )


def _show(plan: Any, choice: Any) -> None:
    from rich.table import Table

    from ebbset.console.terminal import Terminal
    from ebbset.models.physiology.stimulus import ASSUMPTIONS

    console = Terminal()
    console.print(
        f"Simulated on {plan.twins} twins. Medians, with 80 % ranges.\n"
        "Stimulus is relative, estimated: 1 = a fresh repetition at failure.\n"
    )
    later = any(j.net != j.stimulus for j in plan.judged)
    table = Table(box=None, pad_edge=False, header_style="dim")
    table.add_column("key", no_wrap=True)
    for head in ("minutes", "reps", "hard", "capacity lost, %", "net stimulus" if later else "stimulus"):
        table.add_column(head, justify="right", no_wrap=True)
    for j in plan.judged:
        left = j.fatigue_left
        table.add_row(
            j.candidate.key,
            f"{j.minutes.middle:.1f}",
            f"{j.repetitions.middle:.0f}",
            f"{j.hard_repetitions.middle:.0f}",
            f"{100 * left.middle:.0f} ({100 * left.low:.0f} to {100 * left.high:.0f})",
            _range(j.net),
            style="bold" if j is choice else "dim" if j.obstacles else "",
        )
    console.print(table)
    console.print("Net: minus what the later sets lose to the fatigue left behind.\n" if later else "")
    for j in plan.judged:
        obstacles = "".join(f"; {text}" for text in j.obstacles)
        console.print(f"{j.candidate.key}: {j.candidate.title}{obstacles}", style="dim")
    console.print(f"\n{plan.reason}")
    ranked = plan.judged[0].moved_by.items()
    moved = [f"{ASSUMPTIONS[name].label} ({share:.0%})" for name, share in ranked if share > 0.02]
    console.print("What moves the estimate most: " + "; ".join(moved[:3]) + ".")


def _range(found: Any) -> str:
    return f"{found.middle:.1f} ({found.low:.1f} to {found.high:.1f})"


def _plain(plan: Any, choice: Any) -> dict[str, Any]:
    def interval(found: Any) -> list[float]:
        return [found.low, found.middle, found.high]

    return {
        "reason": plan.reason,
        "winner": None if plan.winner is None else plan.winner.candidate.key,
        "level": [j.candidate.key for j in plan.level],
        "expected_losses": list(plan.losses),
        "chosen": None if choice is None else choice.candidate.key,
        "twins": plan.twins,
        "candidates": [
            {
                "key": j.candidate.key,
                "title": j.candidate.title,
                "sets": j.candidate.sets,
                "rest_between_s": j.candidate.rest_between_s,
                "minutes": interval(j.minutes),
                "repetitions": interval(j.repetitions),
                "hard_repetitions": interval(j.hard_repetitions),
                "fatigue_left": interval(j.fatigue_left),
                "share_of_twins_exceeding": j.exceeding,
                "stimulus_relative_estimated": interval(j.stimulus),
                "net_stimulus_relative_estimated": interval(j.net),
                "moved_by": j.moved_by,
                "obstacles": list(j.obstacles),
                "broken_invariants": j.breaches,
            }
            for j in plan.judged
        ],
    }
