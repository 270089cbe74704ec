"""The contract with others: wire messages, prescriptions, profiles, units, and how bad values and figures are reported.

Pydantic models and text, without behaviour. The JSON Schemas and the AsyncAPI document are made from these.
"""

from __future__ import annotations

from ebbset.models.contract.field_types import Message
from ebbset.models.contract.prescription import Bout, Prescription
from ebbset.models.contract.problems import BadDocumentError, Problem, UnusableFileError
from ebbset.models.contract.profile import LifterProfile, Uncertain
from ebbset.models.contract.wire import BadMessageError, Topic

__all__ = [
    "BadDocumentError",
    "BadMessageError",
    "Bout",
    "LifterProfile",
    "Message",
    "Prescription",
    "Problem",
    "Topic",
    "Uncertain",
    "UnusableFileError",
]
