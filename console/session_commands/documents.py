"""Session files and what they name, read from disk, and said in words."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

from ebbset.coaching.sessions.session_file import WISHES, SessionFile
from ebbset.coaching.sessions.session_steps import SessionPlanFile
from ebbset.controller.recording.regular_files import read_document
from ebbset.controller.service.documents import read_prescription, read_profile
from ebbset.models.contract import formatting
from ebbset.models.contract.prescription import Prescription
from ebbset.models.contract.problems import BadDocumentError, Problem
from ebbset.models.contract.profile import LifterProfile
from ebbset.models.contract.study_mark import mark_of
from ebbset.models.contract.toml_text import read_toml
from ebbset.models.contract.units import LoadUnit


def read_session(path: Path) -> SessionFile:
    """The session file of that path.

    Raises:
        BadDocumentError: every problem found.
        UnusableFileError: the file cannot be read.
    """
    return SessionFile.from_toml(read_document(path), what=str(path))


def named_files(path: Path, session: SessionFile) -> list[tuple[Prescription | None, LifterProfile | None]]:
    """The prescription and the profile that each exercise names, compared with it.

    Args:
        path: of the session file, to which their paths are relative.
        session: what it holds.

    Raises:
        BadDocumentError: one of them is not usable, or of another exercise or lifter.
        UnusableFileError: one of them cannot be read.
    """
    found: list[tuple[Prescription | None, LifterProfile | None]] = []
    problems = []
    for k, one in enumerate(session.exercises):
        order = None if one.prescription is None else read_prescription(path.parent / one.prescription)
        profile = None if one.profile is None else read_profile(path.parent / one.profile)
        found.append((order, profile))
        for what, of in (("prescription", order), ("profile", profile)):
            if of is not None and of.exercise != one.exercise:
                allowed = f"a {what} of {one.exercise!r}, not of {of.exercise!r}"
                problems.append(Problem(f"exercises[{k}].{what}", repr(getattr(one, what)), allowed, "mismatch"))
        if profile is not None and profile.lifter != session.lifter:
            allowed = f"a profile of {session.lifter!r}, not of {profile.lifter!r}"
            problems.append(Problem(f"exercises[{k}].profile", repr(one.profile), allowed, "mismatch"))
    if problems:
        raise BadDocumentError(str(path), problems)
    return found


def examined(path: Path) -> Iterator[str]:
    """What a session file or a plan orders, in lines.

    Args:
        path: of either.

    Raises:
        BadDocumentError: it is not usable, or what it names is not.
        UnusableFileError: a file cannot be read.
    """
    text = read_document(path)
    if "steps" in read_toml(text, what=str(path)):
        yield from _plan_lines(path, SessionPlanFile.from_toml(text, what=str(path)))
        return
    session = SessionFile.from_toml(text, what=str(path))
    named_files(path, session)
    order = "in any order" if session.any_order else "in this order"
    yield f"{path}: usable"
    yield f"  {session.name}: lifter {session.lifter}, {session.minutes:g} min, {order}"
    for one in session.exercises:
        what = f"the prescription {one.prescription}" if one.wish is None else WISHES[one.wish]
        leave = [text for text, may in (("shortened", one.may_shorten), ("left out", one.may_leave_out)) if may]
        may = f"; may be {' or '.join(leave)}" if leave else ""
        yield (
            f"  {one.exercise.replace('_', ' ')} on {one.rig}: {what}, at most {formatting.plural(one.sets, 'set')}, "
            f"{one.rest_s:.0f} s between{_bounds(one.start_low, one.start_high, session.units)}{may}"
        )
        for name, value in one.limits.model_dump(exclude_none=True).items():
            shown = formatting.load(value, session.units) if name == "floor" else f"{value:g}"
            yield f"    limit: {name.replace('_', ' ')} {shown}"


def _bounds(low_n: float | None, high_n: float | None, units: LoadUnit) -> str:
    parts = [
        f"{word} {formatting.load(value, units)}"
        for word, value in (("from", low_n), ("to", high_n))
        if value is not None
    ]
    return f", start load {' '.join(parts)}" if parts else ""


def _plan_lines(path: Path, plan: SessionPlanFile) -> Iterator[str]:
    yield f"{path}: usable"
    yield f"  {plan.name}: lifter {plan.lifter}, {plan.minutes:g} min, {formatting.plural(len(plan.steps), 'set')}"
    for step in plan.steps:
        blinded = mark_of(step.prescription.notes) is not None
        low_n, high_n = step.bounds_n
        load = "" if blinded else f", start {formatting.load(step.prescription.load.start_n, plan.units)}"
        bounds = "" if blinded else _bounds(low_n, high_n, plan.units).replace(", start load", ", allowed")
        yield f"  {step.step}. {step.title} on {step.rig}: rest {step.rest_before_s:.0f} s{load}{bounds}"
