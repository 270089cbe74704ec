"""Plans a session from its files, and shows the plan."""

from __future__ import annotations

import datetime
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

from rich.table import Table

from ebbset.coaching.assumptions import report_draws
from ebbset.coaching.sessions.next_load import last_of
from ebbset.coaching.sessions.session_file import SessionFile
from ebbset.coaching.sessions.session_options import options, with_last_session
from ebbset.coaching.sessions.session_plan import PlannedSession, SessionTwins, plan_session, planned_file
from ebbset.coaching.sessions.session_reasons import reasons
from ebbset.coaching.sessions.session_steps import SessionPlanFile
from ebbset.coaching.worth import Range
from ebbset.console.exits import CommandError, Exit
from ebbset.console.progress import counted, progress
from ebbset.console.session_commands.documents import named_files, read_session
from ebbset.console.session_home import last_sets_of
from ebbset.console.terminal import Terminal
from ebbset.models.contract import formatting
from ebbset.models.contract.profile import LifterProfile
from ebbset.simulators.closed_loop.parallel import Mapper
from ebbset.simulators.plant.rig_parameters import RigParameters
from ebbset.simulators.population.twin import NoTwinError, draw_twins

DRAWS: Final = 400
_FOR_NOBODY: Final = "A profile was made from simulated sets: a plan for nobody."


@dataclass(frozen=True, slots=True)
class MadePlan:
    """A plan as it was found.

    Attributes:
        session: what a coach wrote.
        planned: what was compared.
        why: sentences that explain it.
        file: the plan to run; None when nothing fits.
    """

    session: SessionFile
    planned: PlannedSession
    why: tuple[str, ...]
    file: SessionPlanFile | None


def made_plan(
    path: Path, home: Path, name: str, *, twins: int, seed: int, mapper: Mapper = map, cables: int, simulated: bool
) -> MadePlan:
    """Plan a session.

    Args:
        path: the session file.
        home: the home folder, whose earlier sessions count.
        name: of the session.
        twins: how many simulated twins.
        seed: of all randomness.
        mapper: `map`, or a parallel version that keeps the order.
        cables: of the rigs.
        simulated: profiles made from simulated sets are allowed.

    Raises:
        CommandError: the session cannot be planned; says why.
        BadDocumentError: a file is not usable.
    """
    session = read_session(path)
    named = named_files(path, session)
    now = datetime.datetime.now(datetime.UTC)
    known, why = last_sets_of(home, session.lifter, but=name)
    rig = RigParameters(n_cables=cables)
    profiles: list[LifterProfile] = []
    for k, (_, profile) in enumerate(named):
        if profile is None:
            raise CommandError(
                f"{path}: exercises[{k}].profile is missing; allowed: the file of a profile, since a session is "
                "planned on simulated twins of its lifter",
                Exit.BAD_INPUT,
            )
        if profile.simulated and not simulated:
            raise CommandError(
                f"{path}: exercises[{k}].profile is {session.exercises[k].profile!r}; allowed: one of a person's sets, "
                "or --simulated-profile, since it was made from simulated ones",
                Exit.BAD_INPUT,
            )
        newer, sentence = with_last_session(profile, last_of(profile.exercise, known), now.date())
        profiles.append(newer)
        why += [sentence] if sentence else []
    try:
        found = [options(session, k, profiles[k], rig, prescription=order) for k, (order, _) in enumerate(named)]
        with progress("fitting twins"):
            bodies = {one.exercise: draw_twins(one, rig, seed, twins) for one in profiles}
    except (NoTwinError, ValueError) as error:
        raise CommandError(f"{path}: {error}", Exit.BAD_INPUT) from None
    with progress("simulated sessions of twins") as show:
        planned = plan_session(
            session,
            found,
            SessionTwins(bodies, rig, seed, now.timestamp()),
            report_draws(DRAWS),
            mapper=counted(mapper, show),
        )
    why = [*reasons(planned), *why]
    if any(profile.simulated for profile in profiles):
        why.append(_FOR_NOBODY)
    choice = planned.plan.suggestion
    file = None if choice is None else planned_file(session, choice, why)
    return MadePlan(session, planned, tuple(why), file)


def show_plan(made: MadePlan) -> None:
    """Show a plan in the terminal."""
    console = Terminal()
    plan = made.planned.plan
    table = Table(box=None, pad_edge=False, header_style="dim")
    table.add_column("session", overflow="fold")
    for head in ("minutes", "reps", "net stimulus"):
        table.add_column(head, justify="right", no_wrap=True)
    for one in plan.judged:
        table.add_row(
            one.title + "".join(f"; {text}" for text in one.obstacles),
            f"{one.minutes.middle:.1f}",
            f"{one.repetitions.middle:.0f}",
            f"{one.net.middle:.1f} ({one.net.low:.1f} to {one.net.high:.1f})",
            style="bold" if one is plan.suggestion else "dim" if one.obstacles else "",
        )
    console.print(table)
    console.print()
    for sentence in made.why:
        console.print(sentence + "\n")
    if made.file is None:
        console.print("Nothing was written, because nothing fits into the minutes.")
        return
    for step in made.file.steps:
        low_n, high_n = step.bounds_n
        unit = made.file.units
        console.print(
            f"{step.step}. {step.title} on {step.rig}: rest {step.rest_before_s:.0f} s, start "
            f"{formatting.load(step.prescription.load.start_n, unit)} (allowed {formatting.bare_load(low_n, unit)} to "
            f"{formatting.load(high_n, unit)}), about {step.likely_s:.0f} s"
        )


def as_plain(made: MadePlan) -> dict[str, Any]:
    """A plan as plain data, for scripts."""

    def interval(found: Range) -> list[float]:
        return [found.low, found.middle, found.high]

    plan = made.planned.plan
    return {
        "reason": plan.reason,
        "why": list(made.why),
        "winner": None if plan.winner is None else plan.winner.title,
        "chosen": None if plan.suggestion is None else plan.suggestion.title,
        "twins": plan.twins,
        "expected_losses": list(plan.losses),
        "sessions": [
            {
                "title": one.title,
                "minutes": interval(one.minutes),
                "repetitions": interval(one.repetitions),
                "net_stimulus_relative_estimated": interval(one.net),
                "stimulus_before_the_bound_on_weekly_sets": interval(one.unbounded),
                "obstacles": list(one.obstacles),
                "broken_invariants": one.breaches,
            }
            for one in plan.judged
        ],
        "plan": None if made.file is None else made.file.model_dump(mode="json"),
    }
