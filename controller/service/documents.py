"""Reading prescriptions and profiles from files, with errors that people can act on.

The formats are defined by the models; this module only opens and reads the files.
"""

from __future__ import annotations

import tomllib
from pathlib import Path
from typing import Any, Literal

from pydantic import ValidationError

from ebbset.models.contract.prescription import Prescription
from ebbset.models.contract.problems import BadDocumentError, Problem, UnusableFileError, problems_of, shorten
from ebbset.models.contract.profile import LifterProfile

Kind = Literal["prescription", "profile"]
_LARGEST_FILE_BYTES = 1_000_000


def read_text(path: Path) -> str:
    """The text of a file.

    Raises:
        UnusableFileError: not there, not readable, not text, or far too large to be a document.
    """
    try:
        if path.stat().st_size > _LARGEST_FILE_BYTES:
            raise UnusableFileError(f"{path}: {path.stat().st_size} bytes; allowed: at most {_LARGEST_FILE_BYTES}")
        return path.read_text(encoding="utf-8")
    except UnicodeDecodeError:
        raise UnusableFileError(f"{path}: not a text file in UTF-8") from None
    except OSError as error:
        raise UnusableFileError(f"{path}: {error.strerror}") from None


def read_prescription(path: Path) -> Prescription:
    """The prescription in a file, its drop policy checked too.

    Raises:
        BadDocumentError: every problem found.
        UnusableFileError: the file cannot be read.
    """
    return _checked(Prescription.from_toml(read_text(path), what=str(path)), str(path))


def read_profile(path: Path) -> LifterProfile:
    """The lifter profile in a file.

    Raises:
        BadDocumentError: every problem found.
        UnusableFileError: the file cannot be read.
    """
    return LifterProfile.from_toml(read_text(path), what=str(path))


def read_either(path: Path) -> Prescription | LifterProfile:
    """A prescription or a profile, whichever the file holds.

    Raises:
        BadDocumentError: every problem found.
        UnusableFileError: the file cannot be read.
    """
    text = read_text(path)
    if kind_of(text) == "profile":
        return LifterProfile.from_toml(text, what=str(path))
    return _checked(Prescription.from_toml(text, what=str(path)), str(path))


def kind_of(text: str) -> Kind:
    """Kind of a document: a profile names a lifter or a velocity line, anything else is a prescription."""
    try:
        data: dict[str, Any] = tomllib.loads(text)
    except tomllib.TOMLDecodeError:
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
