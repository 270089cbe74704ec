"""``ebbset policy``: which drop policies are installed, whether one keeps the rules, and a package to start from."""

from __future__ import annotations

import json
import sys
import traceback
from dataclasses import fields
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from ebbset.console.exits import CommandError, Exit
from ebbset.console.suggestions import SuggestingGroup
from ebbset.models.contract import formatting

if TYPE_CHECKING:
    from ebbset.controller.policies.case_replay import Asked
    from ebbset.controller.policies.checker import PolicyFinding
    from ebbset.controller.policies.policy import DropPolicy, PolicyFactory


@click.group(name="policy", cls=SuggestingGroup)
def command() -> None:
    """List drop policies, check one of your own, or start one.

    A drop policy says at each stall which load comes next. Floor, ramp, budget and stop rules are applied after it.
    Write your own: docs/policies.md.
    """


@command.command(name="list")
@click.option("--json", "as_json", is_flag=True, help="The list as JSON.")
def list_policies(as_json: bool) -> int:
    """List the installed policies: what each does, and which package it comes from.

    A package that is installed but whose policy does not load is listed with the reason.
    """
    from ebbset.controller.service.policy_registry import discover

    registry = discover()
    told = {
        name: {
            "from": registry.origins[name],
            "entry_point": registry.entry_points[name],
            "does": (getattr(factory, "__doc__", None) or "says nothing about itself").splitlines()[0],
        }
        for name, factory in sorted(registry.policies.items())
    }
    if as_json:
        click.echo(json.dumps({"policies": told, "left_out": registry.left_out}, ensure_ascii=False, indent=2))
        return int(Exit.OK)
    for name, one in told.items():
        click.echo(f"{name}: {one['does']}\n    from {one['from']}, {one['entry_point']}")
    for name, why in registry.left_out.items():
        click.echo(f"{name}: left out: {why}")
    return int(Exit.OK)


@command.command(name="check")
@click.argument("name", metavar="NAME|MODULE:CLASS")
@click.option("--parameter", "given", multiple=True, metavar="NAME=VALUE", help="A parameter; repeat for more.")
@click.option("--case", metavar="N[/K]", help="Show one case of the check instead: what was asked and answered.")
@click.option("--json", "as_json", is_flag=True, help="The findings as JSON.")
def check(name: str, given: tuple[str, ...], case: str | None, as_json: bool) -> int:
    """Check that a drop policy keeps the rules for policies.

    It is asked about stalls of every kind, light and heavy, with everything known and with nothing known, alone and a
    dozen in a row. Each finding says which rule it broke, why the rule holds, how to put it right, and the command
    that shows the case again. Whether a policy is good is another question: `ebbset compare`.

    \b
    Exit code 0 when nothing was found, 1 when a rule is broken.

    \b
    Examples:
      ebbset policy check fixed_fraction --parameter fraction=0.25
      ebbset policy check my_module:MyPolicy
      ebbset policy check my_module:MyPolicy --case 17
    """
    from ebbset.controller.policies.checker import check_policy
    from ebbset.controller.policies.policy import parameters_from_text
    from ebbset.controller.service.policy_registry import NoSuchPolicyError, policy_named

    # A module in this folder is found, as with `python -m`.
    if "" not in sys.path:
        sys.path.insert(0, "")
    try:
        factory = policy_named(name)
        parameters = {key: value for text in given for key, value in parameters_from_text(text).items()}
    except NoSuchPolicyError as error:
        raise CommandError(str(error), Exit.USAGE) from None
    except ValueError as error:
        raise CommandError(str(error), Exit.USAGE) from None
    if case is not None:
        return _show_case(_built(factory, parameters), case)
    findings = check_policy(factory, parameters)
    if as_json:
        told = [{one.name: getattr(finding, one.name) for one in fields(finding)} for finding in findings]
        click.echo(json.dumps({"policy": name, "findings": told}, ensure_ascii=False, indent=2))
    else:
        again = " ".join(["ebbset policy check", name, *(f"--parameter {text}" for text in given)])
        for finding in findings:
            _tell(finding, again)
        click.echo(f"{name}: {formatting.plural(len(findings), 'finding')}")
    return int(Exit.NO if findings else Exit.OK)


def _tell(finding: PolicyFinding, again: str) -> None:
    from ebbset.controller.policies.rules import RULES

    rule = RULES[finding.rule]
    click.echo(f"It must hold that a policy {_clause(finding.rule)}. Here it does not:\n    {finding.detail}")
    click.echo(f"    why:  {rule.why}\n    fix:  {rule.fix}")
    if finding.case:
        click.echo(f"    see:  {again} --case {finding.case}")


def _clause(rule: str) -> str:
    """A rule as the end of "a policy …"."""
    if rule.startswith("its state "):
        return f"has a state that {rule.removeprefix('its state ')}"
    return f"gives for the {rule}" if rule.startswith("same state") else rule


def _built(factory: PolicyFactory, parameters: dict[str, Any]) -> DropPolicy:
    from ebbset.controller.service.documents import sentence_of

    try:
        return factory.from_parameters(parameters)
    except ValueError as error:
        raise CommandError(sentence_of(error), Exit.NO) from None
    except Exception as error:
        # Third-party code may fail in any way; whoever wrote it wants to see how.
        raise CommandError(f"from_parameters raises {_told(error)}", Exit.NO) from None


def _show_case(policy: DropPolicy, case: str) -> int:
    from ebbset.controller.policies.case_replay import UnknownCaseError, asked_in

    try:
        found = asked_in(policy, case)
    except UnknownCaseError as error:
        raise CommandError(str(error), Exit.USAGE) from None
    for number, asked in enumerate(found):
        _show_asked(number, asked)
    return int(Exit.NO if any(asked.error is not None for asked in found) else Exit.OK)


def _show_asked(number: int, asked: Asked) -> None:
    view = asked.view
    click.echo(f"question {number + 1}, with state {asked.state!r:.200}:")
    for one in fields(view):
        value = getattr(view, one.name)
        shown = getattr(value, "value", f"{value:g}" if isinstance(value, float) else value)
        if one.name == "forecast" and value is not None:
            shown = f"{value.repetitions_at(view.load_n):.1f} repetitions at this load"
        click.echo(f"    {one.name:<24} {'not known' if value is None else shown}")
    if asked.error is not None:
        click.echo(f"raised: {_told(asked.error)}")
    else:
        click.echo(f"answered: {asked.answer!r:.400}")


def _told(error: Exception) -> str:
    """An error with the line of the policy that raised it."""
    last = traceback.extract_tb(error.__traceback__)[-1]
    return f"{type(error).__name__}: {error} (line {last.lineno} of {Path(last.filename).name})"


@command.command(name="new")
@click.argument("name")
@click.option(
    "--into", type=click.Path(path_type=Path, file_okay=False), help="Folder to make; by default, the name itself."
)
def new(name: str, into: Path | None) -> int:
    """Write a package to start from: a policy, its registration, and a test that checks it.

    NAME is what a prescription will say, in small letters: drop.policy = "NAME".
    """
    from ebbset.console.policy_commands.policy_package import PackageNameError, write_package

    folder = Path(name) if into is None else into
    try:
        written = write_package(name, folder)
    except PackageNameError as error:
        raise CommandError(str(error), Exit.USAGE) from None
    except FileExistsError:
        raise CommandError(f"{folder} is there already; allowed: a folder that is not", Exit.USAGE) from None
    for path in written:
        click.echo(path)
    click.echo(f"Now: pip install -e {folder} pytest && python -m pytest {folder}")
    return int(Exit.OK)
