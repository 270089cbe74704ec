"""``ebbset study power``: how many participants, by simulated studies, and the plan of analysis beside the answer."""

from __future__ import annotations

import json
import re
from dataclasses import asdict
from pathlib import Path
from typing import Any, Final

import click

from ebbset.console.exits import CommandError, Exit
from ebbset.console.progress import tracked
from ebbset.console.shared_options import dask_option, lifters_option, seed_option, shared_out, workers_option
from ebbset.console.study_commands.output import write_text

_RANGE: Final = re.compile(r"(\d{1,4})-(\d{1,4}):(\d{1,4})")
WANTED: Final = 0.8


@click.command(name="power")
@click.argument("study", type=click.Path(path_type=Path))
@click.option(
    "--participants",
    "sizes",
    default="8-24:4",
    show_default=True,
    metavar="FROM-TO:STEP|N,N,…",
    help="Numbers of participants.",
)
@click.option("--outcome", default="repetitions", show_default=True, help="Outcome of each session.")
@click.option(
    "--effect",
    type=click.FloatRange(-1e6, 1e6),
    help="Effect to be found, in the outcome's unit, on sessions that all follow the first condition. By default, the "
    "difference that the simulation itself produces.",
)
@click.option("--trials", type=click.IntRange(1, 100_000), default=100, show_default=True, help="Simulated studies.")
@lifters_option(help_text="Family of simulated lifters; by default, the one that ebbset was fitted on.")
@seed_option
@workers_option(most=1024)
@dask_option
@click.option(
    "--plan",
    type=click.Path(path_type=Path, dir_okay=False),
    help="Markdown file of the analysis plan; by default, beside the study file.",
)
@click.option("--json", "as_json", is_flag=True, help="As JSON.")
def power(
    study: Path,
    sizes: str,
    outcome: str,
    effect: float | None,
    trials: int,
    lifters: str | None,
    seed: int,
    workers: int,
    cluster: str | None,
    plan: Path | None,
    as_json: bool,
) -> int:
    """Say how many participants are needed.

    The whole study is simulated many times, for several numbers of participants. Every trial draws people from the
    simulated population, runs all their sessions through the real controller, and analyses them with the study's
    mixed model. Beside the answer, a plan of the statistical analysis is written from the study file. --effect 0
    shows how often something is found where nothing is.

    \b
    Outcomes: repetitions, duration_s, budget_spent, mean_velocity_m_s, rom_m.

    \b
    Exit code 0 when a number of participants reaches a power of 0.8, 1 when none does.
    """
    from ebbset.simulators.closed_loop.simulated_set import SetNotRunError
    from ebbset.simulators.population.families import COMPILED
    from ebbset.study.analysis.analysis_plan import analysis_plan
    from ebbset.study.analysis.power import Question, power_of, problem_with, run_trial
    from ebbset.study.study_file import read_study

    found = read_study(study)
    question = Question(outcome, _sizes(sizes), effect, seed, lifters or COMPILED)
    problem = problem_with(found, question)
    if problem is not None:
        raise CommandError(problem, Exit.USAGE)
    jobs = ((found, question, number) for number in range(trials))
    try:
        with shared_out(workers, cluster) as mapper:
            done = list(tracked(mapper(run_trial, jobs), "simulated studies", trials))
    except SetNotRunError as error:
        raise CommandError(f"a session cannot be run on the simulated rig: {error}", Exit.NO) from None
    except ValueError as error:
        raise CommandError(str(error), Exit.BAD_INPUT) from None
    rows = power_of(found, question, done)
    path = study.with_name(f"{study.stem}-analysis-plan.md") if plan is None else plan
    write_text(path, analysis_plan(found, question, rows))
    lost = sum(trial.without_value for trial in done)
    if as_json:
        told = {
            "outcome": outcome,
            "effect": effect,
            "trials": trials,
            "seed": seed,
            "lifters": question.lifters,
            "sessions_without_a_value": lost,
            "plan": str(path),
            "power": [asdict(row) for row in rows],
        }
        click.echo(json.dumps(told, ensure_ascii=False, indent=2))
    else:
        _tell(found, question, rows, lost)
        click.echo(f"Analysis plan written to {path}")
    return int(Exit.OK if any(row.power >= WANTED for row in rows) else Exit.NO)


def _sizes(text: str) -> tuple[int, ...]:
    """Numbers of participants as typed.

    Args:
        text: ``8-24:4`` or ``8,12,16``.

    Raises:
        CommandError: neither form.
    """
    span = _RANGE.fullmatch(text)
    if span is not None and int(span[3]) > 0:
        return tuple(range(int(span[1]), int(span[2]) + 1, int(span[3])))
    parts = text.split(",")
    if all(re.fullmatch(r"\d{1,4}", part.strip()) for part in parts):
        return tuple(int(part) for part in parts)
    raise CommandError(f"participants is {text!r}; allowed: FROM-TO:STEP such as 8-24:4, or N,N,…", Exit.USAGE)


def _tell(study: Any, question: Any, rows: list[Any], lost: int) -> None:
    from rich.table import Table

    from ebbset.console.terminal import Terminal
    from ebbset.models.contract import formatting
    from ebbset.study.analysis.power import OUTCOMES

    console = Terminal()
    what, unit, _ = OUTCOMES[question.outcome]
    first = study.file.conditions[0].code
    studies = formatting.plural(rows[0].trials, "simulated study", "simulated studies")
    console.print(f"{study.file.name}: {what}{f', {unit}' if unit else ''}; {studies} of {question.lifters} "
                  f"lifters, seed {question.seed}. Nobody lifted.")  # fmt: skip
    if question.effect is not None:
        console.print(f"All sessions follow {first}; {question.effect:+g} is added to the others.")
    table = Table(box=None, pad_edge=False, header_style="dim")
    for head in ("participants", "contrast", "power", "95 %", "difference", "± 95 % CI"):
        table.add_column(head, justify="right")
    for row in rows:
        table.add_row(str(row.participants), f"{row.condition} − {first}", f"{row.power:.2f}",
                      f"{row.low:.2f} to {row.high:.2f}", f"{row.effect:+.3g}", f"{row.half_width:.3g}")  # fmt: skip
    console.print(table)
    for condition in study.file.conditions[1:]:
        console.print(_verdict([row for row in rows if row.condition == condition.code], first))
    if lost:
        console.print(f"{formatting.plural(lost, 'session')} gave no value and were left out, as in the analysis.")


def _verdict(rows: list[Any], first: str) -> str:
    """The smallest number that reaches the wanted power, and whether the trials settle it."""
    contrast = f"{rows[0].condition} − {first}"
    enough = next((row for row in rows if row.power >= WANTED), None)
    if enough is None:
        return f"{contrast}: a power of {WANTED:g} is not reached with {rows[-1].participants} participants."
    unsettled = "" if enough.low >= WANTED else "; the interval reaches below, so more trials may say more"
    return f"{contrast}: a power of {WANTED:g} is reached with {enough.participants} participants{unsettled}."
