"""``ebbset study``: check, schedule, carry out, rehearse and judge a study."""

from __future__ import annotations

import csv
import io
import json
import sys
from pathlib import Path
from typing import Any

import click

from ebbset.console.exits import CommandError, Exit
from ebbset.console.progress import tracked
from ebbset.console.shared_options import dask_option, seed_option, shared_out, workers_option
from ebbset.console.study_commands.concealment import list_places, open_session, seal
from ebbset.console.study_commands.output import write_text
from ebbset.console.study_commands.power import power
from ebbset.console.suggestions import SuggestingGroup
from ebbset.models.contract import formatting

_FILE = click.argument("study", type=click.Path(path_type=Path))


@click.group(name="study", cls=SuggestingGroup)
def command() -> None:
    """Run a study: conditions as prescriptions, a balanced schedule, blinded sessions, a report of fidelity.

    A study file names its conditions (each a prescription next to it), its participants by pseudonym, the design
    (crossover or parallel), blocks, washout, the site's time zone and what screens hide. Its seed determines the order
    of conditions. Whoever joins or withdraws later does so by an amendment with a date and a reason. The hash of the
    design and all prescriptions, and the number of the amendment, are in every session's prescription, and so in every
    recording.

    This is not an ethics or safety review: sets to failure need screening and supervision. Read safety.md.
    """


@command.command(name="check")
@_FILE
@click.option("--json", "as_json", is_flag=True, help="As JSON.")
def check(study: Path, as_json: bool) -> int:
    """Check a study file and count the balance of its schedule.

    \b
    Exit code 0 when the schedule is exactly balanced, 1 when it is only nearly balanced.
    """
    from ebbset.study.study_file import read_study

    found = read_study(study)
    balance = found.balance
    if as_json:
        told = {
            "name": found.file.name,
            "version": found.file.version,
            "hash": found.hash,
            "history": list(found.history),
            "time_zone": found.file.time_zone,
            "participants": len(found.people),
            "withdrawn": sum(person.withdrawn is not None for person in found.people),
            "sessions": len(found.schedule),
            "exact": balance.exact,
            "per_period": [list(spread) for spread in balance.per_period],
            "per_pair": list(balance.per_pair),
            "per_condition": list(balance.per_condition),
        }
        click.echo(json.dumps(told, ensure_ascii=False, indent=2))
    else:
        _tell_check(found)
    return int(Exit.OK if balance.exact else Exit.NO)


def _tell_check(found: Any) -> None:
    from ebbset.study.checked import balance_sentences, people_sentence

    file = found.file
    click.echo(f"{file.name}: {file.design}, {len(file.conditions)} conditions, {people_sentence(found)}, "
               f"{formatting.plural(len(found.schedule), 'session')}")  # fmt: skip
    click.echo(f"hash {found.hash}")
    if file.version == 1:
        click.echo(
            "A file of version 1: allocated as by ebbset 0.1, and nobody can be added. A new study names a time_zone."
        )
    else:
        click.echo(f"dates are those of {file.time_zone}")
    for number, amendment in enumerate(file.amendments, start=1):
        click.echo(f"amendment {number} of {amendment.date}, history {found.history[number]}: {amendment.reason}")
    click.echo(f"sessions of a condition: {_from_to(found.balance.per_condition)}")
    for period, spread in enumerate(found.balance.per_period, start=1):
        click.echo(f"a condition in period {period}: {_from_to(spread)}")
    if file.design == "crossover":
        click.echo(f"one condition straight after another: {_from_to(found.balance.per_pair)}")
    for sentence in balance_sentences(found):
        click.echo(sentence)


def _from_to(spread: tuple[int, int]) -> str:
    if spread[0] == spread[1]:
        return formatting.plural(spread[0], "time")
    return f"{spread[0]} to {spread[1]} times"


@command.command(name="schedule")
@_FILE
@click.option("--conditions", is_flag=True, help="Show the conditions; only for people who are not blinded.")
@click.option(
    "-o", "--output", type=click.Path(path_type=Path, dir_okay=False), help="CSV file; by default, standard output."
)
def schedule(study: Path, conditions: bool, output: Path | None) -> int:
    """Write who is due when, as CSV.

    Participant, period and earliest day at the site, of everybody who takes part.
    """
    from ebbset.study.study_file import read_study

    found = read_study(study)
    head = ["participant", "period", "earliest", *(["condition"] if conditions else [])]
    rows: list[list[Any]] = [
        [s.participant, s.period, s.earliest.isoformat(), *([s.condition] if conditions else [])]
        for s in found.expected
    ]
    text = io.StringIO()
    csv.writer(text, lineterminator="\n").writerows([head, *rows])
    if output is None:
        click.echo(text.getvalue(), nl=False)
    else:
        write_text(output, text.getvalue())
        click.echo(f"{formatting.plural(len(rows), 'session')} written to {output}")
    return int(Exit.OK)


@command.command(name="session")
@_FILE
@click.argument("participant")
@click.argument("period", type=click.IntRange(1))
@click.option(
    "-o", "--output", type=click.Path(path_type=Path, dir_okay=False), help="File; by default, standard output."
)
def session(study: Path, participant: str, period: int, output: Path | None) -> int:
    """Write the prescription of one session.

    For `ebbset serve` or `ebbset request arm`: this person's loads, blinded, with the study's hash.
    """
    from ebbset.study.study_file import read_study

    found = read_study(study)
    planned = session_of(found, participant, period)
    if output is None and found.file.blinding.condition and sys.stdout.isatty():
        raise CommandError(
            "output is missing; allowed: --output FILE, since the prescription on a screen would show the condition",
            Exit.USAGE,
        )
    text = found.order_of(planned).to_toml()
    if output is None:
        click.echo(text, nl=False)
    else:
        write_text(output, text)
        click.echo(f"Written to {output}")
    return int(Exit.OK)


def session_of(study: Any, participant: str, period: int) -> Any:
    """A session that is to be carried out.

    Args:
        study: the study.
        participant: pseudonym.
        period: session number, from 1.

    Raises:
        CommandError: there is no such session, or the participant has withdrawn.
    """
    planned = study.session(participant, period)
    person = study.person(participant)
    if planned is None or person is None:
        people = ", ".join(p.id for p in study.people if p.withdrawn is None)
        last = max(s.period for s in study.schedule)
        raise CommandError(
            f"session {period} of {participant!r} is not in the schedule; allowed: {people}, periods 1 to {last}",
            Exit.USAGE,
        )
    if person.withdrawn is not None:
        raise CommandError(
            f"participant is {participant!r}, withdrawn on {person.withdrawn.date}; allowed: somebody who takes part",
            Exit.USAGE,
        )
    return planned


@command.command(name="rehearse")
@_FILE
@click.argument("folder", type=click.Path(path_type=Path, file_okay=False))
@seed_option
@workers_option(most=1024)
@dask_option
def rehearse(study: Path, folder: Path, seed: int, workers: int, cluster: str | None) -> int:
    """Run every session on simulated lifters.

    Each is recorded in the folder, and its recording says that nobody lifted.
    """
    from ebbset.simulators.closed_loop.simulated_set import SetNotRunError
    from ebbset.study.rehearsal import due
    from ebbset.study.rehearsal import rehearse as carry_out
    from ebbset.study.study_file import read_study

    found = read_study(study)
    try:
        with shared_out(workers, cluster) as mapper:
            steps = carry_out(found, folder, seed=seed, mapper=mapper)
            for _ in tracked(steps, "simulated sessions", len(due(found))):
                pass
    except SetNotRunError as error:
        raise CommandError(f"a session cannot be run on the simulated rig: {error}", Exit.NO) from None
    except ValueError as error:
        raise CommandError(str(error), Exit.BAD_INPUT) from None
    click.echo(f"{formatting.plural(len(due(found)), 'simulated session')} recorded in {folder}")
    return int(Exit.OK)


@command.command(name="fidelity")
@_FILE
@click.argument("recordings", nargs=-1, required=True, type=click.Path(path_type=Path), metavar="RECORDING…")
@click.option("--json", "as_json", is_flag=True, help="Every set and deviation as JSON.")
def fidelity(study: Path, recordings: tuple[Path, ...], as_json: bool) -> int:
    """Compare what was done with what was prescribed.

    Deviations are in milliseconds and newtons, departures in words. What was prescribed is the schedule's own
    prescription of each session, whatever was armed. Dates are those of the site, in the study's time zone.

    \b
    Exit code 0 when every session was recorded as prescribed, 1 when something departs from the study.
    """
    from ebbset.controller.recording.selection import counted_once
    from ebbset.controller.recording.sources import read_source
    from ebbset.study.departures import departures_of, remarks_on
    from ebbset.study.fidelity import fidelity_of, summary_of
    from ebbset.study.study_file import read_study

    found = read_study(study)
    sets, notes = counted_once(item for path in recordings for item in read_source(path).sets)
    notes += remarks_on(sets, found)
    judged = [fidelity_of(item, found) for item in sets]
    departures = [*(f"{one.source}: {text}" for one in judged for text in one.departures), *departures_of(sets, found)]
    if as_json:
        click.echo(json.dumps({**_plain(judged, departures), "notes": notes}, ensure_ascii=False, indent=2))
    else:
        sets_told = formatting.plural(len(judged), "recorded set")
        click.echo(f"{found.file.name}: {sets_told} of {formatting.plural(len(found.schedule), 'session')}")
        _summary(summary_of(judged))
        for text in notes:
            click.echo(f"note: {text}")
        for text in departures:
            click.echo(f"departure: {text}")
        if not departures:
            click.echo("Every session was recorded as the study prescribes.")
    return int(Exit.NO if departures else Exit.OK)


def _plain(judged: list[Any], departures: list[str]) -> dict[str, Any]:
    return {
        "departures": departures,
        "sets": [
            {
                "recording": one.source,
                "set": one.nonce,
                "participant": one.participant,
                "period": one.period,
                "condition": one.condition,
                "deviations": [
                    {
                        "what": d.what,
                        "place": d.place,
                        "prescribed": d.prescribed,
                        "done": d.done,
                        "deviation": d.deviation,
                        "unit": d.unit,
                    }
                    for d in one.deviations
                ],
            }
            for one in judged
        ],
    }


def _summary(rows: list[Any]) -> None:
    from rich.table import Table

    from ebbset.console.terminal import Terminal

    table = Table(box=None, pad_edge=False, header_style="dim")
    for head in ("done minus prescribed", "times", "median", "largest"):
        table.add_column(head, justify="left" if head.startswith("done") else "right")
    for row in rows:
        table.add_row(row.what, str(row.count), f"{row.median:+.1f} {row.unit}", f"{row.worst:+.1f} {row.unit}")
    Terminal().print(table)


for _further in (list_places, seal, open_session, power):
    command.add_command(_further)
