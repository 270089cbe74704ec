"""``ebbset family``: which families of simulated lifters there are, and whether one keeps the protocol."""

from __future__ import annotations

import inspect
import json

import click

from ebbset.console.exits import CommandError, Exit
from ebbset.console.progress import tracked
from ebbset.console.shared_options import FamilyName, seed_option
from ebbset.console.suggestions import SuggestingGroup
from ebbset.models.contract import formatting


@click.group(name="family", cls=SuggestingGroup)
def command() -> None:
    """List families of simulated lifters, and check one of your own.

    A family draws people of one structure: muscles, joints, statistics, whatever moves a handle. `simulate`, `compare`
    and `evaluate` take any by its name, or by MODULE:FACTORY. Write your own: docs/lifters.md.
    """


@command.command(name="list")
def list_families() -> int:
    """List the installed families."""
    from ebbset.simulators.population.families import COMPILED, FamilyError, family, family_names

    for name in family_names():
        try:
            # What a family is made of stands at the top of its module.
            told = inspect.getdoc(inspect.getmodule(family(name).factory)) or "says nothing about itself"
        except FamilyError as error:
            told = str(error)
        if name == COMPILED:
            told = "Hill's muscle with either law of fatigue, compiled; what is drawn when no family is named."
        click.echo(f"{name}: {told.splitlines()[0]}")
    return int(Exit.OK)


@command.command(name="check")
@click.argument("name", type=FamilyName(), metavar="NAME|MODULE:FACTORY")
@click.option("--exercise", help="Exercise to ask for; by default, it is left to the family.")
@click.option("--persons", type=click.IntRange(1, 1000), default=3, show_default=True, help="People to draw and check.")
@seed_option
@click.option("--json", "as_json", is_flag=True, help="The findings as JSON.")
def check(name: str, exercise: str | None, persons: int, seed: int, as_json: bool) -> int:
    """Check that a family's people do what the protocol of a lifter promises.

    Each person is drawn and lifts at a simulated rig: light loads and one far too great, one and two cables, a load
    that vanishes, copies in mid-lift, the same again from the same seed. Takes about five seconds a person.

    \b
    Exit code 0 when nothing was found, 1 when a rule is broken.
    """
    from ebbset.simulators.population.families import COMPILED, family
    from ebbset.simulators.population.lifter_checker import check_lifter

    if name == COMPILED:
        raise CommandError(
            f"lifters {name!r} live in the rig's compiled loop and keep no protocol; allowed: any other family",
            Exit.USAGE,
        )
    seeds = range(seed, seed + persons)
    found = [
        (one, finding)
        for one in tracked(seeds, "people checked", persons)
        for finding in check_lifter(family(name).factory, one, exercise)
    ]
    if as_json:
        told = [{"seed": one, "rule": finding.rule, "detail": finding.detail} for one, finding in found]
        click.echo(json.dumps({"family": name, "persons": persons, "findings": told}, ensure_ascii=False, indent=2))
    else:
        for one, finding in found:
            click.echo(f"person of seed {one}: {finding.rule}: {finding.detail}")
        people = formatting.plural(persons, "person", "people")
        click.echo(f"{name}: {people} checked, {formatting.plural(len(found), 'finding')}")
    return int(Exit.NO if found else Exit.OK)
