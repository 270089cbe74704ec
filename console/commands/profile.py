"""``ebbset profile``: build a lifter profile from a few submaximal sets, and update it from later ones."""

from __future__ import annotations

import datetime
import json
from dataclasses import replace
from pathlib import Path
from typing import Any, Final

import click

from ebbset.console.exits import CommandError, Exit

_MOST_N: Final = 5_000.0


@click.command(name="profile")
@click.argument("recordings", nargs=-1, type=click.Path(path_type=Path), metavar="[RECORDING…]")
@click.option("--lifter", help="Pseudonym, never a name. Required, except with --update.")
@click.option(
    "--update",
    "known",
    type=click.Path(path_type=Path, dir_okay=False),
    help="Profile file to update from recordings of whole sets of any kind.",
)
@click.option("--exercise", help="Exercise; by default, that of the recordings.")
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
@click.option(
    "--date", type=click.DateTime(["%Y-%m-%d"]), help="Date of the sets; by default, that of the recordings, or today."
)
@click.option("-o", "--output", type=click.Path(path_type=Path, dir_okay=False), help="Profile file to write (TOML).")
@click.option("--overwrite", is_flag=True, help="Replace the file if it exists.")
@click.option("--json", "as_json", is_flag=True, help="Profile, residuals and remarks as JSON.")
def command(
    recordings: tuple[Path, ...],
    lifter: str | None,
    known: Path | None,
    exercise: str | None,
    velocities: tuple[str, ...],
    failures: tuple[str, ...],
    one_rm: str | None,
    date: datetime.datetime | None,
    output: Path | None,
    overwrite: bool,
    as_json: bool,
) -> int:
    """Build a lifter profile: load–velocity line, velocity at 1RM, 1RM and ROM, each with its spread.

    Lift with maximal intent and stop well short of failure; loads far apart are the most informative. One set is
    enough for a profile with wide intervals, because general knowledge of the exercise fills in the rest. The remarks
    say what is weak and which set would help most. Loads are per cable.

    From a recording, only the first load of the first bout is used, before fatigue. The profile keeps the origin of
    every set, so that one made from simulated sets is never taken for a person's, and the same set never counts twice.
    A set of another lifter, by its profile or its study, is refused, and so are simulated and real sets together.
    Sets that make no profile are refused too, with exit code 3: velocities that do not fall as the load grows, a set
    that contradicts the others, a 1RM that they leave open.

    With --update, an existing profile learns from whole recorded sets, including sets to failure and with drops. Each
    figure is shown before, after, and by how much it changed. The profile is called stale when the sets do not fit it
    or when it is more than twelve weeks old. Without -o nothing is written; without --overwrite no existing file is
    replaced.

    \b
    Examples:
      ebbset profile --lifter a7 --exercise row --set '30 kg 0.98' --set '50 kg 0.61' -o a7-row.toml
      ebbset profile --lifter a7 monday.mcap thursday.mcap -o a7-row.toml
      ebbset profile --update a7-row.toml december/*.mcap -o a7-row-december.toml
    """
    if output is not None and output.exists() and not overwrite:
        raise click.UsageError(f"-o is {str(output)!r}, which exists; allowed: a new file, or --overwrite.")
    if known is not None:
        others = {"--lifter": lifter, "--exercise": exercise, "--one-rm": one_rm, "--set": velocities}
        given = [name for name, value in (others | {"--failure": failures}).items() if value]
        if given or not recordings:
            said = f"comes with {', '.join(given)}" if given else "comes without recordings"
            raise click.UsageError(f"--update {said}; allowed: recordings, --date, -o, --overwrite and --json.")
        return _update(known, recordings, None if date is None else date.date(), output, as_json=as_json)
    if lifter is None:
        raise click.UsageError("--lifter is missing; allowed: a pseudonym, or --update with a profile file.")
    from ebbset.coaching.profile_doubts import NoProfileError
    from ebbset.coaching.profile_fit import fit_profile
    from ebbset.controller.service.documents import sentence_of

    seen, used, origins, notes = _recorded(recordings, lifter)
    names = used | ({exercise} if exercise else set())
    if len(names) != 1:
        found = ", ".join(sorted(names)) or "none"
        raise click.UsageError(f"exercise is {found}; allowed: exactly one, by --exercise or the recordings.")
    _refuse_typed_beside_simulated(origins, len(velocities) + len(failures))
    today = datetime.datetime.now(datetime.UTC).date()
    day = date.date() if date is not None else max((one.date for one in origins), default=today)
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
    except NoProfileError as error:
        raise CommandError(f"no profile: {error}", Exit.BAD_INPUT) from None
    except ValueError as error:
        raise CommandError(sentence_of(error), Exit.USAGE) from None
    fit = _with_origins(fit, origins, len(velocities) + len(failures), notes)
    if output is not None:
        output.write_text(fit.profile.to_toml(), encoding="utf-8")
    if as_json:
        told = {
            "simulated": fit.profile.simulated,
            "profile": fit.profile.model_dump(mode="json"),
            "one_rm_80_percent_range_n": list(fit.one_rm_range_n),
            "residuals_m_s": list(fit.residuals_m_s),
            "remarks": list(fit.remarks),
        }
        click.echo(json.dumps(told, ensure_ascii=False, indent=2))
    else:
        _show(fit, len(sets), output)
    return int(Exit.OK)


def _update(
    known: Path, recordings: tuple[Path, ...], date: datetime.date | None, output: Path | None, *, as_json: bool
) -> int:
    """Update an existing profile from recorded sets."""
    from ebbset.coaching.learning import changes, learn
    from ebbset.controller.recording.sources import read_source
    from ebbset.controller.service.documents import read_profile

    profile = read_profile(known)
    sets = [item for path in recordings for item in read_source(path).sets]
    learned = learn(profile, sets, today=datetime.datetime.now(datetime.UTC).date(), date=date)
    if not learned.taken:
        raise CommandError("nothing was learned: " + "; ".join(learned.remarks), Exit.NO)
    if output is not None:
        output.write_text(learned.after.to_toml(), encoding="utf-8")
    if as_json:
        told = {
            "simulated": learned.after.simulated,
            "profile": learned.after.model_dump(mode="json"),
            "stale": learned.stale,
            "changes": {
                name: {
                    "before": None if before is None else before.model_dump(),
                    "after": None if after is None else after.model_dump(),
                }
                for name, before, after in changes(learned)
            },
            "sets": [
                {
                    "recordings": names,
                    "date": seen.date.isoformat(),
                    "one_rm_n": seen.one_rm_n.model_dump(),
                    "doubts_the_profile": seen.doubted,
                }
                for names, seen in learned.taken
            ],
            "remarks": list(learned.remarks),
        }
        click.echo(json.dumps(told, ensure_ascii=False, indent=2))
    else:
        _show_changes(learned, output)
    return int(Exit.OK)


def _recorded(paths: tuple[Path, ...], lifter: str) -> tuple[list[Any], set[str], list[Any], list[str]]:
    """What recordings showed: observed sets, their exercises, what the profile keeps of each set, and notes."""
    if not paths:
        return [], set(), [], []
    from ebbset.coaching.learning import profile_set, refuse_mixed, refuse_other_people
    from ebbset.coaching.profile_fit import sets_seen
    from ebbset.controller.recording.selection import counted_once
    from ebbset.controller.recording.sources import read_source

    items, notes = counted_once(item for path in paths for item in read_source(path).sets)
    seen: list[Any] = []
    used, origins, counted = set(), [], []
    for item in items:
        refuse_other_people(item, lifter)
        found = sets_seen(item.repetitions, [moment.decision for moment in item.moments])
        if not found:
            notes.append(f"{item.source}: no repetition at its first load was completed; left out")
            continue
        if item.person is None:
            notes.append(f"{item.source}: names no lifter; taken as a set of {lifter}")
        seen += found
        counted.append(item)
        used.add(item.prescription.exercise)
        day = datetime.datetime.now(datetime.UTC) if item.begun_at is None else item.begun_at
        origins.append(profile_set(item, day.date()))
    refuse_mixed(counted)
    return seen, used, origins, notes


def _refuse_typed_beside_simulated(recorded: list[Any], typed: int) -> None:
    """Refuse a mixture before anything is fitted to it."""
    if typed and any(one.origin == "simulated" for one in recorded):
        raise CommandError(
            "--set and --failure come with simulated recordings; allowed: only simulated sets, or none", Exit.BAD_INPUT
        )


def _with_origins(fit: Any, recorded: list[Any], typed: int, notes: list[str]) -> Any:
    """Note in the profile where each set came from.

    Args:
        fit: the fit.
        recorded: what the profile keeps of each recorded set.
        typed: how many sets were typed in.
        notes: what was noticed about the recordings.
    """
    from ebbset.models.contract.profile import ProfileSet

    by_hand = [ProfileSet(origin="typed", date=fit.profile.date) for _ in range(typed)]
    made = fit.profile.with_sets([*recorded, *by_hand])
    said = ["simulated: these figures come from a simulated rig and lifter, not from a person"]
    return replace(fit, profile=made, remarks=(*notes, *(said if made.simulated else ()), *fit.remarks))


def _typed(text: str, *, failure: bool) -> Any:
    """Parse a set typed by hand: the last word is the figure, everything before it the load."""
    from ebbset.coaching.profile_fit import ObservedSet

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
    from ebbset.models.contract.problems import shorten
    from ebbset.models.contract.units import parse_load

    try:
        load_n = parse_load(text)
    except ValueError as error:
        raise click.UsageError(f"{option}: {error}.") from None
    if not 0.0 < load_n <= _MOST_N:
        raise click.UsageError(f"{option} is {shorten(text)}; allowed: above 0 and at most {_MOST_N:g} N.")
    return load_n


def _show(fit: Any, count: int, output: Path | None) -> None:
    from ebbset.controller.estimation.profile_velocity import velocity_at_one_rm
    from ebbset.models.contract import formatting

    p = fit.profile
    click.echo(f"{p.lifter}, {p.exercise}, {p.date}, from {formatting.plural(count, 'set')}; mean ± standard deviation")
    if p.one_rm_n is not None:
        low, high = fit.one_rm_range_n
        click.echo(
            f"  1RM                   {formatting.spread(p.one_rm_n.mean, p.one_rm_n.sd, 'kg')}; "
            f"80 % range {formatting.bare_load(low, 'kg')} to {formatting.load(high, 'kg')}"
        )
    at_1rm = velocity_at_one_rm(p)
    click.echo(f"  velocity at 1RM       {at_1rm.mean:.2f} ± {at_1rm.sd:.2f} m/s")
    click.echo(f"  velocity at no load   {p.velocity_at_zero_m_s.mean:.2f} ± {p.velocity_at_zero_m_s.sd:.2f} m/s")
    if p.rom_m is not None:
        click.echo(f"  ROM                   {p.rom_m.mean:.2f} ± {p.rom_m.sd:.2f} m")
    for remark in fit.remarks:
        click.echo(formatting.visible(f"note: {remark}"))
    if output is not None:
        click.echo(f"Written to {output}")


def _show_changes(learned: Any, output: Path | None) -> None:
    from ebbset.coaching.learning import FIGURES, changes
    from ebbset.models.contract import formatting

    before, after = learned.before, learned.after
    click.echo(
        f"{after.lifter}, {after.exercise}, {before.date} to {after.date}, "
        f"{formatting.plural(after.sets_used - before.sets_used, 'set')} more; mean ± standard deviation"
    )
    if learned.stale:
        click.echo("The profile was stale; the notes below say why.")
    click.echo(f"  {'':<26}{'before':>16}{'after':>16}   change")
    for name, was, now in changes(learned):
        label, places = FIGURES[name]
        cells = [
            formatting.NONE if one is None else f"{one.mean:.{places}f} ± {one.sd:.{places}f}" for one in (was, now)
        ]
        moved = ""
        if was is not None and now is not None:
            by = now.mean - was.mean
            moved = f"{by:+.{places}f} ({by / was.mean:+.1%})".replace("-", "−").replace("%", " %")
            if abs(by) < 0.5 * 10.0**-places:
                moved = "none"
        click.echo(f"  {label:<26}{cells[0]:>16}{cells[1]:>16}   {moved}".rstrip())
    for names, seen in learned.taken:
        click.echo(
            f"  {names}, {seen.date}: 1RM of the day " + formatting.spread(seen.one_rm_n.mean, seen.one_rm_n.sd, "kg")
        )
    for remark in learned.remarks:
        click.echo(formatting.visible(f"note: {remark}"))
    click.echo(f"Written to {output}" if output is not None else "Nothing written; -o names a file to write.")
