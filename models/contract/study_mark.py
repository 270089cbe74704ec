"""The mark by which a prescription says that it is a session of a study, and whose: one line in its notes.

It travels with the prescription into every recording, whoever records, so that a set can be told from another
participant's without the study file, and that it is the session's own prescription which was armed.
"""

from __future__ import annotations

import hashlib
import re
from dataclasses import dataclass
from typing import Final, Literal, Self

from ebbset.models.contract.prescription import Prescription

Audience = Literal["lifter", "assessor"]
QUANTITIES: Final = ("load", "velocity", "repetitions", "budget", "decisions")
"""What a study can hide on the screens of a session, beside the condition."""
EVERYTHING: Final = frozenset((*QUANTITIES, "condition"))

SEALED_FORM: Final = "ebbset sealed session 1"
"""How the file of a sealed session names its form."""

_MARK: Final = re.compile(
    r"^study:(?P<study>[0-9a-f]{64}) session:(?P<participant>[A-Za-z0-9_.\-]+)/(?P<period>\d{1,6}) "
    r"(?:amendment:(?P<amendment>\d{1,4})/(?P<history>[0-9a-f]{16}) order:(?P<order>[0-9a-f]{64}) )?"
    r"hide:(?P<hide>[a-z,]*)(?: assessor:(?P<assessor>[a-z,]*))?$",
    re.MULTILINE,
)
_SESSION_NAME: Final = re.compile(r"Session \d+ of \S+")


@dataclass(frozen=True, slots=True)
class Origin:
    """What a session's prescription was made from.

    Attributes:
        amendment: number of amendments that the study file had.
        history: digest of the participants and amendments up to there.
        order: digest of the session's prescription as it was written (`order_digest`).
    """

    amendment: int
    history: str
    order: str


@dataclass(frozen=True, slots=True)
class Mark:
    """What a session's prescription says about the study it belongs to.

    Attributes:
        study: hash of the study.
        participant: pseudonym.
        period: session number, from 1.
        hide: what the lifter's screen leaves out, and the assessor's too unless the next says otherwise.
        hide_from_assessor: what the assessor's screen leaves out; None: the same.
        origin: None in marks of studies of version 1.
    """

    study: str
    participant: str
    period: int
    hide: frozenset[str]
    hide_from_assessor: frozenset[str] | None = None
    origin: Origin | None = None

    def hidden_from(self, audience: Audience | None) -> frozenset[str]:
        """What a screen leaves out; marks of version 1 never name the condition, and always hide it.

        Args:
            audience: who looks at it; None when that is not known: everything that is hidden from anybody.
        """
        from_assessor = self.hide if self.hide_from_assessor is None else self.hide_from_assessor
        of = {"lifter": self.hide, "assessor": from_assessor, None: self.hide | from_assessor}[audience]
        return of if self.origin is not None else of | {"condition"}

    def text(self) -> str:
        """As written into the notes of the prescription."""
        made = self.origin
        parts = [f"study:{self.study}", f"session:{self.participant}/{self.period}"]
        if made is not None:
            parts += [f"amendment:{made.amendment}/{made.history}", f"order:{made.order}"]
        parts.append(f"hide:{','.join(sorted(self.hide))}")
        if self.hide_from_assessor is not None:
            parts.append(f"assessor:{','.join(sorted(self.hide_from_assessor))}")
        return " ".join(parts)

    @classmethod
    def of(cls, found: re.Match[str]) -> Self:
        """From a match of the line.

        Args:
            found: the match.
        """
        origin = None
        if found["amendment"] is not None:
            origin = Origin(int(found["amendment"]), found["history"], found["order"])
        assessor = None if found["assessor"] is None else _names(found["assessor"])
        return cls(found["study"], found["participant"], int(found["period"]), _names(found["hide"]), assessor, origin)


def mark_of(notes: str) -> Mark | None:
    """The mark in a prescription's notes; ``None`` for a set that belongs to no study."""
    found = _MARK.search(notes)
    return None if found is None else Mark.of(found)


def order_digest(order: Prescription) -> str:
    """SHA-256 of what a prescription orders, without its notes, which hold this digest.

    Members at their defaults do not count, so that it outlives releases that add some.

    Args:
        order: the prescription.
    """
    return hashlib.sha256(order.model_dump_json(exclude_defaults=True, exclude={"notes"}).encode()).hexdigest()


def is_session(name: str) -> bool:
    """Whether a prescription's name is one that sessions of a study have.

    Args:
        name: name of the prescription.
    """
    return _SESSION_NAME.match(name) is not None


def session_name(participant: str, period: int) -> str:
    """Name of a session's prescription, which does not tell the condition.

    Args:
        participant: pseudonym.
        period: session number, from 1.
    """
    return f"Session {period} of {participant}"


def _names(text: str) -> frozenset[str]:
    return frozenset(part for part in text.split(",") if part)
