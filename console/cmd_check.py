"""``ebbset check``: are these prescriptions and profiles usable, and what do they order?"""

from __future__ import annotations

import dataclasses
import json
from pathlib import Path
from typing import Any

import click

from ebbset.console import words
from ebbset.console.documents import read_either
from ebbset.console.exits import CommandError, Exit
from ebbset.models.prescription import Prescription, StallSection
from ebbset.models.problems import BadDocumentError, Problem
from ebbset.models.profile import LifterProfile

Document = Prescription | LifterProfile


@click.command(name="check")
@click.argument("files", nargs=-1, required=True, type=click.Path(path_type=Path), metavar="FILE…")
@click.option("--json", "as_json", is_flag=True, help="JSON instead of text: an object per file, and the notes.")
def command(files: tuple[Path, ...], as_json: bool) -> int:
    """Check prescriptions and lifter profiles, and say in words what each one orders.

    Every wrong field is named with its value and what is allowed, all of them at once. Given a prescription and a
    profile of the same exercise, the two are also held against each other: a stall threshold that an honest heavy
    repetition would touch, or a start load above the 1RM, is pointed out.

    \b
    Exit code 0 when every file is usable, 1 when one is not, 3 when one could not be read.

    \b
    Examples:
      ebbset check row.toml
      ebbset check row.toml lifter-a.toml
      ebbset check --json *.toml
    """
    rows = [_examine(path) for path in files]
    documents = [document for _, document, _ in rows if document is not None]
    remarks = [remark for order in documents for remark in _remarks(order, documents)]
    if as_json:
        told = [_as_json(*row) for row in rows]
        click.echo(json.dumps({"files": told, "notes": remarks}, ensure_ascii=False, indent=2))
    else:
        for path, document, problems in rows:
            _tell(path, document, problems)
        for remark in remarks:
            click.echo(f"note: {remark}")
    return int(Exit.OK if all(document is not None for _, document, _ in rows) else Exit.NO)


def _examine(path: Path) -> tuple[Path, Document | None, tuple[Problem, ...]]:
    try:
        return path, read_either(path), ()
    except BadDocumentError as error:
        return path, None, error.problems


def _as_json(path: Path, document: Document | None, problems: tuple[Problem, ...]) -> dict[str, Any]:
    return {
        "file": str(path),
        "ok": document is not None,
        "kind": _kind(document),
        "digest": document.digest() if isinstance(document, Prescription) else None,
        "problems": [dataclasses.asdict(problem) for problem in problems],
    }


def _kind(document: Document | None) -> str | None:
    if document is None:
        return None
    return "prescription" if isinstance(document, Prescription) else "profile"


def _tell(path: Path, document: Document | None, problems: tuple[Problem, ...]) -> None:
    if document is None:
        click.echo(f"{path}: not usable, {words.plural(len(problems), 'problem')}")
        for problem in problems:
            click.echo(f"  {problem}")
        return
    click.echo(f"{path}: a usable {_kind(document)}")
    lines = in_words(document) if isinstance(document, Prescription) else _profile_in_words(document)
    for line in lines:
        click.echo(f"  {line}")


def in_words(order: Prescription) -> list[str]:
    """What a prescription orders, a sentence a line."""
    unit = order.units
    lines = [
        f"{order.name}; exercise {order.exercise}; loads shown in {unit}, per cable",
        f"start {words.load(order.load.start_n, unit)}, floor {words.load(order.load.floor_n, unit)}, "
        f"load changes at most {order.load.ramp_n_per_s:g} N/s, cables {order.load.cables}",
    ]
    for number, bout in enumerate(order.bouts):
        rest = f"after {words.seconds(bout.rest_before_s)} rest, " if number else ""
        much = "until its stall rule" if bout.repetitions is None else words.plural(bout.repetitions, "repetition")
        then = "a stall drops the load" if bout.on_stall == "drop" else "a stall ends the bout"
        lines.append(f"bout {number + 1}: {rest}{words.load(order.bout_load_n(number), unit)}, {much}; {then}")
    given = ", ".join(f"{key} = {value}" for key, value in order.drop.parameters.items())
    lines.append(_stall_in_words(order.stall))
    lines.append(f"drop policy {order.drop.policy}{f' ({given})' if given else ''}")
    ordered = {name: value for name, value in order.budget.model_dump().items() if value is not None}
    budgets = [words.quantity(name, value, unit) for name, value in ordered.items()]
    lines.append(f"fatigue budget: {', '.join(budgets) or 'none'}")
    rules = [
        words.quantity(name, float(value), unit)
        for name, value in order.stop.model_dump().items()
        if value is not None and not name.endswith("strikes")
    ]
    lines.append("ends at: " + ", ".join(rules))
    return lines


def _stall_in_words(stall: StallSection) -> str:
    grind = f", after {stall.grind_s:g} s more to fight it" if stall.grind_s else ""
    if stall.rule == "dwell":
        return f"a stall: slower than {stall.velocity_m_s:g} m/s for {stall.dwell_s:g} s{grind}"
    return (
        f"a stall: {words.part(stall.certainty)} certain that the ascent will not come through, or "
        f"{stall.still_limit_s:g} s slower than {stall.velocity_m_s:g} m/s{grind}"
    )


def _profile_in_words(profile: LifterProfile) -> list[str]:
    v0, v1 = profile.velocity_at_zero_m_s, profile.velocity_at_1rm_m_s
    lines = [
        f"lifter {profile.lifter}; exercise {profile.exercise}; of {profile.date}, from "
        + words.plural(profile.sets_used, "set"),
        f"velocity {v0.mean:.2f} ± {v0.sd:.2f} m/s at no load, {v1.mean:.2f} ± {v1.sd:.2f} m/s at 1RM",
    ]
    if profile.one_rm_n is not None:
        lines.append(
            f"1RM {profile.one_rm_n.mean:.0f} ± {profile.one_rm_n.sd:.0f} N ({words.load(profile.one_rm_n.mean, 'kg')})"
        )
    if profile.rom_m is not None:
        lines.append(f"ROM {profile.rom_m.mean:.2f} ± {profile.rom_m.sd:.2f} m")
    return lines


def _remarks(document: Document, others: list[Document]) -> list[str]:
    """What is allowed but worth a second look."""
    if not isinstance(document, Prescription):
        return []
    found = []
    stop = document.stop
    if not any(document.budget.model_dump().values()) and stop.max_drops is None and stop.max_repetitions is None:
        found.append(
            f"{document.name}: no budget, drops or repetitions end it; it ends at a stall on the floor load "
            f"or after {stop.max_duration_s:g} s"
        )
    for profile in others:
        if isinstance(profile, LifterProfile) and profile.exercise == document.exercise:
            found += _against(document, profile)
    return found


def _against(order: Prescription, profile: LifterProfile) -> list[str]:
    found = []
    v1 = profile.velocity_at_1rm_m_s
    if order.stall.velocity_m_s > v1.mean - v1.sd:
        found.append(
            f"{order.name}: stall.velocity_m_s is {order.stall.velocity_m_s:g}; {profile.lifter} lifts a 1RM at "
            f"{v1.mean:.2f} ± {v1.sd:.2f} m/s, so a heavy repetition may count as a stall; "
            f"below {v1.mean - v1.sd:.2f} is safer"
        )
    if profile.one_rm_n is not None and order.load.start_n > profile.one_rm_n.mean:
        found.append(
            f"{order.name}: start load {words.load(order.load.start_n, order.units)} is above the 1RM of "
            f"{profile.lifter}, {words.load(profile.one_rm_n.mean, order.units)}"
        )
    return found


def refuse_mismatch(order: Prescription, profile: LifterProfile | None) -> None:
    """A profile of another exercise says nothing about this set.

    Raises:
        CommandError: the two name different exercises.
    """
    if profile is not None and profile.exercise != order.exercise:
        raise CommandError(
            f"profile.exercise is {profile.exercise!r}; allowed: {order.exercise!r}, the exercise of the prescription",
            Exit.BAD_INPUT,
        )
