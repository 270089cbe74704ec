"""Reading prescriptions and profiles from files, with errors that people can act on.

The formats are defined by the models; this module only opens and reads the files.
"""

from __future__ import annotations

from pathlib import Path
from typing import Literal

from pydantic import ValidationError

from ebbset.controller.recording.regular_files import read_document
from ebbset.models.contract.prescription import Prescription
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
    return _checked(Prescription.from_toml(read_document(path), what=str(path)), str(path))


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
    return _checked(Prescription.from_toml(text, what=str(path)), str(path))


def kind_of(text: str) -> Kind:
    """Kind of a document: a profile names a lifter or a velocity line, anything else is a prescription."""
    try:
        data = read_toml(text, what="document")
    except BadDocumentError:
        return "prescription"
    return "profile" if {"lifter", "velocity_at_zero_m_s", "velocity_at_1rm_m_s"} & data.keys() else "prescription"


def _checked(prescription: Prescription, what: str) -> Prescription:
    """The policy must exist here and accept its parameters; the error belongs here, not at the first stall."""
    from ebbset.controller.service.policy_registry import load_policies

    known = load_policies()
    name = prescription.drop.policy
    if name not in known:
        allowed = "one of " + ", ".join(sorted(known))
        raise BadDocumentError(what, [Problem("drop.policy", shorten(name), allowed, "unknown")])
    known[name].from_parameters(prescription.drop.parameters)
    return prescription


def sentence_of(error: ValueError) -> str:
    """What an error about values typed by a person says, on one line."""
    if isinstance(error, ValidationError):
        return "; ".join(str(problem) for problem in problems_of(error))
    return str(error)
