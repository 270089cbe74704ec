"""``ebbset profile``: a lifter profile from a few submaximal sets, recorded or typed."""

from __future__ import annotations

import datetime
import json
from pathlib import Path
from typing import Any

import click

from ebbset.console.exits import CommandError, Exit


@click.command(name="profile")
@click.argument("recordings", nargs=-1, type=click.Path(path_type=Path), metavar="[RECORDING…]")
@click.option("--lifter", required=True, help="Pseudonym; never a name.")
@click.option("--exercise", help="Exercise; left out, the one of the recordings.")
@click.option(
    "--set",
    "velocities",
    multiple=True,
    metavar="'LOAD VELOCITY'",
    help="A set by hand: load and mean velocity in m/s of its fastest fresh repetition, e.g. '40 kg 0.71'.",
)
@click.option(
    "--failure",
    "failures",
    multiple=True,
    metavar="'LOAD REPS'",
    help="A set to failure by hand: load with unit and completed repetitions, e.g. '60 kg 9'.",
)
@click.option("--one-rm", metavar="LOAD", help="A 1RM that was lifted, e.g. '82.5 kg'.")
@click.option("--date", type=click.DateTime(["%Y-%m-%d"]), help="Of the sets; left out, the recordings' or today.")
@click.option("-o", "--output", type=click.Path(path_type=Path, dir_okay=False), help="Profile file to write (TOML).")
@click.option("--json", "as_json", is_flag=True, help="Profile, residuals and remarks as JSON.")
def command(
    recordings: tuple[Path, ...],
    lifter: str,
    exercise: str | None,
    velocities: tuple[str, ...],
    failures: tuple[str, ...],
    one_rm: str | None,
    date: datetime.datetime | None,
    output: Path | None,
    as_json: bool,
) -> int:
    """Build a lifter profile: load–velocity line, velocity at 1RM, 1RM and ROM, each with its spread.

    Lift with maximal intent and stop well short of failure; loads far apart tell most. One set already gives a
    profile, with wide intervals, because what is known of the exercise in general stands in for the rest; the remarks
    say what is weak and which set would help most. Loads are per cable.

    From a recording only the first load of the first bout is used, before fatigue.

    \b
    Examples:
      ebbset profile --lifter a7 --exercise row --set '30 kg 0.98' --set '50 kg 0.61' -o a7-row.toml
      ebbset profile --lifter a7 monday.mcap thursday.mcap -o a7-row.toml
    """
    from ebbset.simulators.profile_fit import fit_profile

    seen, used, days = _recorded(recordings)
    names = used | ({exercise} if exercise else set())
    if len(names) != 1:
        found = ", ".join(sorted(names)) or "none"
        raise click.UsageError(f"exercise is {found}; allowed: exactly one, by --exercise or the recordings.")
    day = date.date() if date is not None else max(days, default=datetime.datetime.now(datetime.UTC).date())
    try:
        sets = [
            *seen,
            *(_typed(text, failure=False) for text in velocities),
            *(_typed(t, failure=True) for t in failures),
        ]
        fit = fit_profile(
            sets,
            lifter=lifter,
            exercise=names.pop(),
            date=day,
            one_rm_n=None if one_rm is None else _load(one_rm, "--one-rm"),
        )
    except ValueError as error:
        raise CommandError(_allowed(error), Exit.USAGE) from None
    if output is not None:
        output.write_text(fit.profile.to_toml(), encoding="utf-8")
    if as_json:
        told = {
            "profile": fit.profile.model_dump(mode="json"),
            "residuals_m_s": list(fit.residuals_m_s),
            "remarks": list(fit.remarks),
        }
        click.echo(json.dumps(told, ensure_ascii=False, indent=2))
    else:
        _show(fit, len(sets), output)
    return int(Exit.OK)


def _allowed(error: ValueError) -> str:
    """The sentence of an error, pydantic's many lines made one."""
    from pydantic import ValidationError

    from ebbset.models.problems import problems_of

    if isinstance(error, ValidationError):
        return "; ".join(str(problem) for problem in problems_of(error))
    return str(error)


def _recorded(paths: tuple[Path, ...]) -> tuple[list[Any], set[str], list[datetime.date]]:
    if not paths:
        return [], set(), []
    from ebbset.console.sources import read_source
    from ebbset.simulators.profile_fit import sets_seen

    seen: list[Any] = []
    used, days = set(), []
    for path in paths:
        for item in read_source(path).sets:
            found = sets_seen(item.repetitions, [moment.decision for moment in item.moments])
            seen += found
            if found:
                used.add(item.prescription.exercise)
            if found and item.begun_at is not None:
                days.append(item.begun_at.date())
    return seen, used, days


def _typed(text: str, *, failure: bool) -> Any:
    """One set as typed: everything but the last word is the load."""
    from ebbset.simulators.profile_fit import ObservedSet

    load, _, figure = text.strip().rpartition(" ")
    try:
        number = int(figure) if failure else float(figure)
    except ValueError:
        form = "'60 kg 9'" if failure else "'40 kg 0.71'"
        option = "--failure" if failure else "--set"
        raise click.UsageError(f"{option} is {text!r}; allowed: load, unit and figure, such as {form}.") from None
    load_n = _load(load, "--failure" if failure else "--set")
    if failure:
        return ObservedSet(load_n=load_n, repetitions_to_failure=int(number))
    return ObservedSet(load_n=load_n, velocity_m_s=float(number))


def _load(text: str, option: str) -> float:
    from ebbset.models.units import parse_load

    try:
        return parse_load(text)
    except ValueError as error:
        raise click.UsageError(f"{option}: {error}.") from None


def _show(fit: Any, count: int, output: Path | None) -> None:
    from ebbset.console import words

    p = fit.profile
    click.echo(f"{p.lifter}, {p.exercise}, {p.date}, from {words.plural(count, 'set')}; mean ± standard deviation")
    if p.one_rm_n is not None:
        low, high = p.one_rm_n.mean - 1.2816 * p.one_rm_n.sd, p.one_rm_n.mean + 1.2816 * p.one_rm_n.sd
        click.echo(
            f"  1RM                   {p.one_rm_n.mean:.0f} ± {p.one_rm_n.sd:.0f} N   "
            f"({words.load(p.one_rm_n.mean, 'kg')}; four times out of five {words.load(low, 'kg')} to "
            f"{words.load(high, 'kg')})"
        )
    click.echo(f"  velocity at 1RM       {p.velocity_at_1rm_m_s.mean:.2f} ± {p.velocity_at_1rm_m_s.sd:.2f} m/s")
    click.echo(f"  velocity at no load   {p.velocity_at_zero_m_s.mean:.2f} ± {p.velocity_at_zero_m_s.sd:.2f} m/s")
    if p.rom_m is not None:
        click.echo(f"  ROM                   {p.rom_m.mean:.2f} ± {p.rom_m.sd:.2f} m")
    for remark in fit.remarks:
        click.echo(f"note: {remark}")
    if output is not None:
        click.echo(f"Written to {output}")
