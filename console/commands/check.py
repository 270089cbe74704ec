"""``ebbset check``: whether prescriptions and profiles are usable, and what they order."""

from __future__ import annotations

import dataclasses
import json
from pathlib import Path
from typing import Any, Final

import click

from ebbset.console.exits import Exit
from ebbset.console.report.prescription_text import mismatches, prescription_lines, timing_remarks
from ebbset.controller.estimation.profile_velocity import velocity_at_one_rm
from ebbset.controller.service.documents import read_either
from ebbset.models.contract import formatting
from ebbset.models.contract.prescription import Prescription
from ebbset.models.contract.problems import BadDocumentError, Problem
from ebbset.models.contract.profile import LifterProfile
from ebbset.models.contract.study_mark import mark_of

Document = Prescription | LifterProfile
_SESSION: Final = "{}; a session of a study: check the prescriptions of its conditions to see what is ordered"


@click.command(name="check")
@click.argument("files", nargs=-1, required=True, type=click.Path(path_type=Path), metavar="FILE…")
@click.option("--json", "as_json", is_flag=True, help="JSON instead of text: an object per file, and the notes.")
def command(files: tuple[Path, ...], as_json: bool) -> int:
    """Check prescriptions and lifter profiles, and say in words what each one orders.

    All problems are listed at once (fields, loads that do not fit together, exercise, drop policy), each with its value
    and what is allowed. A prescription is also compared with
    each profile of the same exercise: the notes point out a stall threshold that a genuine heavy repetition would
    cross, and a start load above the 1RM. Of a blinded session of a study only the name is shown.

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
        _say(f"{path}: not usable, {formatting.plural(len(problems), 'problem')}")
        for problem in problems:
            _say(f"  {problem}")
        return
    _say(f"{path}: a usable {_kind(document)}")
    if isinstance(document, Prescription):
        lines = [_SESSION.format(document.name)] if _is_blinded(document) else prescription_lines(document)
    else:
        lines = _profile_text(document)
    for line in lines:
        _say(f"  {line}")


def _is_blinded(order: Prescription) -> bool:
    mark = mark_of(order.notes)
    return mark is not None and bool(mark.hidden_from(None))


def _say(text: str) -> None:
    click.echo(formatting.visible(text))


def _profile_text(profile: LifterProfile) -> list[str]:
    v0, v1 = profile.velocity_at_zero_m_s, velocity_at_one_rm(profile)
    lines = [
        f"lifter {profile.lifter}; exercise {profile.exercise}; of {profile.date}, from "
        + formatting.plural(profile.sets_used, "set")
        + "; mean ± standard deviation",
        *(["made from simulated sets: it says nothing about a person"] if profile.simulated else []),
        f"velocity {v0.mean:.2f} ± {v0.sd:.2f} m/s at no load, {v1.mean:.2f} ± {v1.sd:.2f} m/s at 1RM",
    ]
    if profile.one_rm_n is not None:
        lines.append(f"1RM {formatting.spread(profile.one_rm_n.mean, profile.one_rm_n.sd, 'kg')}")
    if profile.rom_m is not None:
        lines.append(f"ROM {profile.rom_m.mean:.2f} ± {profile.rom_m.sd:.2f} m")
    return lines


def _remarks(document: Document, others: list[Document]) -> list[str]:
    """Notes about what is allowed but worth a second look; none about a blinded session of a study."""
    if not isinstance(document, Prescription) or _is_blinded(document):
        return []
    found = []
    stop = document.stop
    limited = any(document.budget.model_dump().values()) or stop.max_drops is not None
    open_bout = any(bout.repetitions is None and bout.on_stall == "drop" for bout in document.bouts)
    if open_bout and not limited and stop.max_repetitions is None:
        found.append(
            f"{document.name}: a bout without repetitions, budget or limit on drops ends only at a stall on the floor "
            f"load or after {stop.max_duration_s:g} s"
        )
    found += timing_remarks(document)
    for profile in others:
        if isinstance(profile, LifterProfile) and profile.exercise == document.exercise:
            found += mismatches(document, profile)
    return found
