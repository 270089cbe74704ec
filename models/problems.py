"""How a bad value is told: the field, what it held, what is allowed.

One place, so that wire messages, files and the command line speak alike. No decisions, no input or output.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from pydantic import ValidationError

_SHOWN_CHARACTERS = 80


@dataclass(frozen=True, slots=True)
class Problem:
    """One thing that is wrong."""

    field: str
    value: str
    allowed: str
    kind: str

    def __str__(self) -> str:
        """The sentence people read."""
        if self.kind == "missing":
            return f"{self.field} is missing; allowed: {self.allowed}"
        return f"{self.field} is {self.value}; allowed: {self.allowed}"


class BadDocumentError(ValueError):
    """A prescription, profile or study that cannot be used; carries every problem found, not only the first."""

    def __init__(self, what: str, problems: Iterable[Problem]) -> None:
        self.what = what
        self.problems = tuple(problems)
        super().__init__("; ".join(f"{what}: {problem}" for problem in self.problems))


def shorten(value: object) -> str:
    """A value as shown in an error: never longer than a line."""
    text = repr(value)
    return text if len(text) <= _SHOWN_CHARACTERS else text[: _SHOWN_CHARACTERS - 3] + "..."


def problems_of(error: ValidationError, *, skip: int = 0) -> tuple[Problem, ...]:
    """Every problem in a pydantic error, with dotted field names as the author of the file wrote them.

    Args:
        error: what pydantic raised.
        skip: leading parts of each location that the author did not write, such as a union's tag.
    """
    found = []
    for item in error.errors(include_url=False):
        field = ".".join(str(part) for part in item["loc"][skip:] or item["loc"]) or "document"
        value = shorten(item.get("input"))
        allowed = item["msg"].removeprefix("Value error, ")
        if item["type"] == "missing":
            allowed = "a value is required"
        elif item["type"] == "extra_forbidden":
            allowed = "no such field; docs/prescription.md lists the fields there are"
        elif "; allowed: " in allowed:
            # Our own validators say the whole sentence; one about several fields also says which.
            said, _, allowed = allowed.rpartition("; allowed: ")
            if not item["loc"]:
                field, _, value = said.partition(" is ")
        found.append(Problem(field=field, value=value, allowed=allowed, kind=item["type"]))
    return tuple(found)
