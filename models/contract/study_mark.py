"""The mark by which a prescription says that it is a session of a study, and whose: one line in its notes.

It travels with the prescription into every recording, whoever records, so that a set can be told from another
participant's without the study file.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import Final

_MARK: Final = re.compile(
    r"^study:(?P<study>[0-9a-f]{64}) session:(?P<participant>[A-Za-z0-9_.\-]+)/(?P<period>\d{1,6}) "
    r"hide:(?P<hide>[a-z,]*)$",
    re.MULTILINE,
)


@dataclass(frozen=True, slots=True)
class Mark:
    """What a session's prescription says about the study it belongs to."""

    study: str
    participant: str
    period: int
    hide: frozenset[str]

    def text(self) -> str:
        """As written into the notes of the prescription."""
        return f"study:{self.study} session:{self.participant}/{self.period} hide:{','.join(sorted(self.hide))}"


def mark_of(notes: str) -> Mark | None:
    """The mark in a prescription's notes; ``None`` for a set that belongs to no study."""
    found = _MARK.search(notes)
    if found is None:
        return None
    hide = frozenset(part for part in found["hide"].split(",") if part)
    return Mark(found["study"], found["participant"], int(found["period"]), hide)
