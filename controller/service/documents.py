"""Reading prescriptions and profiles from files, with errors that people can act on.

The formats are defined by the models; this module only opens and reads the files.
"""

from __future__ import annotations

import difflib
from pathlib import Path
from typing import Any, Literal

from pydantic import ValidationError

from ebbset.controller.estimation.exercise_prior_figures import EXERCISE_PRIORS
from ebbset.controller.recording.regular_files import read_document
from ebbset.models.contract.prescription import DropSection, Prescription
from ebbset.models.contract.problems import BadDocumentError, Problem, problems_of, shorten
from ebbset.models.contract.profile import LifterProfile
from ebbset.models.contract.toml_text import read_toml

Kind = Literal["prescription", "profile"]


def read_prescription(path: Path) -> Prescription:
    """The prescription in a file, its drop policy checked too.

    Raises:
        BadDocumentError: every problem found.
        UnusableFileError: the file cannot be read.
    """
    return _checked(read_document(path), str(path))


def read_profile(path: Path) -> LifterProfile:
    """The lifter profile in a file.

    Raises:
        BadDocumentError: every problem found.
        UnusableFileError: the file cannot be read.
    """
    return LifterProfile.from_toml(read_document(path), what=str(path))


def read_either(path: Path) -> Prescription | LifterProfile:
    """A prescription or a profile, whichever the file holds.

    Raises:
        BadDocumentError: every problem found.
        UnusableFileError: the file cannot be read.
    """
    text = read_document(path)
    if kind_of(text) == "profile":
        return LifterProfile.from_toml(text, what=str(path))
    return _checked(text, str(path))


def kind_of(text: str) -> Kind:
    """Kind of a document: a profile names a lifter or a velocity line, anything else is a prescription."""
    try:
        data = read_toml(text, what="document")
    except BadDocumentError:
        return "prescription"
    return "profile" if {"lifter", "velocity_at_zero_m_s", "velocity_at_1rm_m_s"} & data.keys() else "prescription"


def _checked(text: str, what: str) -> Prescription:
    """The prescription in a text. Its policy must exist here and accept its parameters: not first said at a stall.

    Raises:
        BadDocumentError: every problem of fields, exercise and policy.
    """
    prescription: Prescription | None = None
    problems: list[Problem] = []
    try:
        prescription = Prescription.from_toml(text, what=what)
        data: dict[str, Any] = prescription.model_dump()
    except BadDocumentError as error:
        if any(problem.kind == "not_toml" for problem in error.problems):
            raise
        problems += error.problems
        data = read_toml(text, what=what)
    drop = data.get("drop", {})
    drop = {**DropSection().model_dump(), **drop} if isinstance(drop, dict) else {}
    found = [
        *_exercise_problems(data.get("exercise"), data.get("exercise_is_new")),
        *_policy_problems(drop.get("policy"), drop.get("parameters")),
    ]
    told = {problem.field for problem in problems}
    problems += [problem for problem in found if problem.field not in told]
    if problems or prescription is None:
        raise BadDocumentError(what, problems)
    return prescription


def _exercise_problems(name: Any, is_new: Any) -> list[Problem]:
    """An exercise that nobody knows is a typo unless the author says that it is new."""
    if not isinstance(name, str) or is_new is True or name in EXERCISE_PRIORS:
        return []
    near = difflib.get_close_matches(name.lower().replace("-", "_"), EXERCISE_PRIORS, n=1)
    meant = f"{near[0]!r}, which is near; or " if near else ""
    known = ", ".join(sorted(EXERCISE_PRIORS))
    allowed = f"{meant}one of {known}; or any name with exercise_is_new = true"
    return [Problem("exercise", shorten(name), allowed, "unknown")]


def _policy_problems(name: Any, parameters: Any) -> list[Problem]:
    """Every problem of a policy and its parameters, which the policy itself may tell one at a time."""
    from ebbset.controller.service.policy_registry import load_policies

    if not isinstance(name, str):
        return []
    known = load_policies()
    if name not in known:
        return [Problem("drop.policy", shorten(name), "one of " + ", ".join(sorted(known)), "unknown")]
    left = dict(parameters) if isinstance(parameters, dict) else {}
    found: list[Problem] = []
    while True:
        try:
            known[name].from_parameters(left)
        except BadDocumentError as error:
            found += error.problems
            wrong = {problem.field.removeprefix("drop.parameters.") for problem in error.problems} & left.keys()
            if not wrong:
                return found
            left = {key: value for key, value in left.items() if key not in wrong}
        else:
            return found


def sentence_of(error: ValueError) -> str:
    """What an error about values typed by a person says, on one line."""
    if isinstance(error, ValidationError):
        return "; ".join(str(problem) for problem in problems_of(error))
    return str(error)
