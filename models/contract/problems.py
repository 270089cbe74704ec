"""How a bad value is reported: the field, what it held and what is allowed, in plain words.

Wire messages, files and the command line all report through this module. It has its own wording for every kind of error
that pydantic can raise for our models, so the library's never reaches people. Our own validators say
``FIELD is VALUE; allowed: WHAT``.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from itertools import groupby
from typing import Any, Final

from pydantic import ValidationError

from ebbset.models.contract.field_types import PLAIN, PLAIN_LINES, RIG_PATTERN

_SHOWN_CHARACTERS = 80
_OWN: Final = "; allowed: "
_SCALARS: Final = {"float": "a number", "int": "a whole number", "str": "text", "bool": "true or false"}
"""Names that pydantic puts behind the field where one of several kinds of value would do."""
_CLASSES: Final = {"A-Z": "letters", "a-z": "", "0-9": "digits", "_": "underscore", ".": "dot", "-": "hyphen"}
_BARE_KEY: Final = re.compile(r"[A-Za-z0-9_.:()\- ,|\[\]]{1,80}")
_PATTERNS: Final = {
    PLAIN: "one line of characters that are shown as written, none that controls a screen or the direction of the text",
    PLAIN_LINES: "characters that are shown as written, none that controls a screen or the direction of the text",
    RIG_PATTERN: "letters, digits, underscore, dot and hyphen, a letter or digit first",
}


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
            return f"{self.field} is missing{_OWN}{self.allowed}"
        return f"{self.field} is {self.value}{_OWN}{self.allowed}"


class UnusableFileError(ValueError):
    """A file that cannot be read or used; the message is one sentence for people and names the file."""


class BadDocumentError(ValueError):
    """A prescription, profile or study that cannot be used; carries every problem found, not only the first.

    Args:
        what: name of the document.
        problems: every problem found.
    """

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
    items: list[Mapping[str, Any]] = [dict(item) for item in error.errors(include_url=False)]
    # pydantic does not count items that are wrong themselves, and then also reports the list as too short.
    items = [item for item in items if item["type"] != "too_short" or not _is_above_others(item, items)]
    found = []
    for _, group in groupby(enumerate(items), key=_same_field):
        alike = [item for _, item in group]
        found.append(_several(alike, skip) if len(alike) > 1 else _problem(alike[0], skip, error.title))
    return tuple(found)


def _is_above_others(item: Mapping[str, Any], items: Iterable[Mapping[str, Any]]) -> bool:
    depth = len(item["loc"])
    return any(len(other["loc"]) > depth and other["loc"][:depth] == item["loc"] for other in items)


def _same_field(numbered: tuple[int, Mapping[str, Any]]) -> tuple[Any, ...]:
    """A key that is equal for all errors of one value that matched none of several kinds."""
    number, item = numbered
    loc = item["loc"]
    return ("scalar", *loc[:-1]) if len(loc) > 1 and loc[-1] in _SCALARS else ("one", number)


def _several(items: Sequence[Mapping[str, Any]], skip: int) -> Problem:
    kinds = [_SCALARS[item["loc"][-1]] for item in items]
    # A whole number is a number, so one of the two is enough.
    words = [word for word in kinds if not (word == "a whole number" and "a number" in kinds)]
    field = _field(items[0]["loc"][:-1], skip)
    return Problem(field, shorten(items[0]["input"]), ", ".join(words[:-1]) + f", or {words[-1]}", items[0]["type"])


def _problem(item: Mapping[str, Any], skip: int, title: str) -> Problem:
    kind, loc, context = item["type"], item["loc"], item.get("ctx", {})
    field, value = _field(loc, skip), shorten(item["input"])
    message = item["msg"].removeprefix("Value error, ")
    if kind == "value_error" and _OWN in message:
        # Our own validators say the whole sentence. One that looks at a whole table also says which field of it.
        said, _, allowed = message.rpartition(_OWN)
        if isinstance(item["input"], Mapping):
            name, _, value = said.partition(" is ")
            field = ".".join(part for part in (_field(loc, skip, ""), name) if part)
        return Problem(field, value, allowed, kind)
    if kind in ("union_tag_invalid", "union_tag_not_found"):
        inner = context["discriminator"].strip("'")
        field = ".".join(part for part in (_field(loc, skip, ""), inner) if part)
        if kind == "union_tag_not_found":
            return Problem(field, value, "a value is required", "missing")
        return Problem(field, shorten(context["tag"]), f"one of {context['expected_tags']}", kind)
    if kind == "extra_forbidden" and "prescription" in (title.lower(), *loc[:-1]):
        return Problem(field, value, "no such field; docs/prescription.md lists the fields there are", kind)
    words = WORDS.get(kind)
    return Problem(field, value, message if words is None else words(context), kind)


def _field(loc: Sequence[int | str], skip: int, otherwise: str = "document") -> str:
    """``bouts[1].load_n``, as in our own sentences."""
    text = ""
    for part in loc[skip:]:
        shown = part if isinstance(part, int) or _BARE_KEY.fullmatch(part) else shorten(part)
        text += f"[{part}]" if isinstance(part, int) else f"{'.' if text else ''}{shown}"
    return text or otherwise


def _pattern(context: Mapping[str, Any]) -> str:
    """A pattern in words, where it is one class of characters as all of ours are."""
    pattern = str(context["pattern"])
    if pattern in _PATTERNS:
        return _PATTERNS[pattern]
    inside, closed, count = pattern.removeprefix("^[").partition("]")
    rest, words = inside.replace("\\", ""), []
    for part, word in _CLASSES.items():
        if part in rest:
            rest = rest.replace(part, "")
            words += [word] if word else []
    if not closed or rest or not words:
        return f"text of the form {pattern}"
    many = count.rstrip("$").strip("{}").split(",")
    limit = f", {many[0]} to {many[1]} of them" if len(many) == 2 else ""
    return " and ".join([", ".join(words[:-1]), words[-1]] if len(words) > 1 else words) + limit


def _characters(bound: str, key: str) -> Callable[[Mapping[str, Any]], str]:
    def say(context: Mapping[str, Any]) -> str:
        if context[key] == 1 and bound == "at least":
            return "text that is not empty"
        return f"text of {bound} {context[key]} characters"

    return say


def _length(bound: str, key: str) -> Callable[[Mapping[str, Any]], str]:
    return lambda context: f"a list of {bound} {context[key]}, not {context['actual_length']}"


def _bound(words: str, key: str) -> Callable[[Mapping[str, Any]], str]:
    return lambda context: f"{words} {context[key]:g}"


def _just(words: str) -> Callable[[Mapping[str, Any]], str]:
    return lambda _: words


WORDS: Final[Mapping[str, Callable[[Mapping[str, Any]], str]]] = {
    "missing": _just("a value is required"),
    "extra_forbidden": _just("no such field"),
    "literal_error": lambda context: str(context["expected"]),
    "enum": lambda context: str(context["expected"]),
    "greater_than": _bound("a number above", "gt"),
    "greater_than_equal": _bound("a number of at least", "ge"),
    "less_than": _bound("a number below", "lt"),
    "less_than_equal": _bound("a number of at most", "le"),
    "finite_number": _just("a finite number"),
    "float_type": _just("a number"),
    "float_parsing": _just("a number"),
    "int_type": _just("a whole number"),
    "int_parsing": _just("a whole number"),
    "int_parsing_size": _just("a whole number of fewer digits"),
    "int_from_float": _just("a whole number"),
    "bool_type": _just("true or false"),
    "bool_parsing": _just("true or false"),
    "string_type": _just("text"),
    "string_unicode": _just("text in UTF-8"),
    "string_too_short": _characters("at least", "min_length"),
    "string_too_long": _characters("at most", "max_length"),
    "string_pattern_mismatch": _pattern,
    "tuple_type": _just("a list"),
    "too_short": _length("at least", "min_length"),
    "too_long": _length("at most", "max_length"),
    "dict_type": _just("named fields"),
    "model_type": _just("named fields"),
    "dataclass_type": _just("named fields"),
    "date_type": _just("a date such as 2026-12-01"),
    "date_parsing": _just("a date such as 2026-12-01"),
    "date_from_datetime_parsing": _just("a date such as 2026-12-01"),
    "date_from_datetime_inexact": _just("a date without a time"),
    "path_type": _just("the path of a file"),
    "json_invalid": lambda context: f"JSON ({context['error']})",
}
"""What is allowed, by kind of error, from the error's own figures."""
