"""Prescriptions, profiles and studies as TOML text, both ways.

Reading is the standard library's parser and the pydantic models; writing covers only what those models hold:
scalars, dates, arrays of scalars, tables and arrays of tables. No files are opened here.
"""

from __future__ import annotations

import datetime
import json
import re
import tomllib
from collections.abc import Callable, Iterable, Mapping
from typing import Any, Final, TypeVar

from pydantic import BaseModel, ValidationError

from ebbset.models.contract.problems import BadDocumentError, Problem, problems_of, shorten

M = TypeVar("M", bound=BaseModel)

MOST_CHARACTERS: Final = 1_000_000
MOST_DEPTH: Final = 16
MOST_NUMBER_CHARACTERS: Final = 100
_TEXT_OR_COMMENT: Final = re.compile(
    r'"""(?:\\.|[^\\])*?"""|\'\'\'.*?\'\'\'|"(?:\\.|[^"\\\n])*"|\'[^\'\n]*\'|\#[^\n]*', re.DOTALL
)
_PART: Final = r'(?:[A-Za-z0-9_\-]+|"")'
_LONG_KEY: Final = re.compile(rf"(?<![A-Za-z0-9_\-\"]){_PART}(?:[ \t]*\.[ \t]*{_PART}){{{MOST_DEPTH},}}")
_LONG_NUMBER: Final = re.compile(rf"(?<![\w.\-])[+\-]?\d[\w.+\-]{{{MOST_NUMBER_CHARACTERS},}}")
_LINE: Final = re.compile(r"\(at line (\d+), column \d+\)")


def _no_relations(_data: Mapping[str, Any]) -> Iterable[Problem]:
    return ()


def read_model(
    model: type[M], text: str, *, what: str, relations: Callable[[Mapping[str, Any]], Iterable[Problem]] = _no_relations
) -> M:
    """The model held by a TOML document.

    Args:
        model: pydantic model to validate into.
        text: the document.
        what: name of the document for error messages, e.g. its file name.
        relations: problems between fields, which the model itself judges only once every field is right.

    Raises:
        BadDocumentError: not TOML, or a field is wrong; every problem is listed.
    """
    data = read_toml(text, what=what)
    try:
        return model.model_validate(data)
    except ValidationError as error:
        # A relation that the model could judge too is told once, in the words of the relations.
        related = {problem.field: problem for problem in relations(data)}
        found = [problem for problem in problems_of(error) if problem.field not in related]
        raise BadDocumentError(what, [*found, *related.values()]) from None


def _not_toml(text: str, error: tomllib.TOMLDecodeError) -> Problem:
    """The line at which the parser stopped, or the last one with anything on it when the text ended too early."""
    lines = text.split("\n")
    at = _LINE.search(str(error))
    if at is not None:
        number = min(int(at[1]), len(lines))
    else:
        number = max((k for k, line in enumerate(lines, 1) if line.strip()), default=1)
    return Problem(f"line {number}", shorten(lines[number - 1].strip()), f"TOML 1.0 ({error})", "not_toml")


def read_toml(text: str, *, what: str) -> dict[str, Any]:
    """The tables of a TOML document, refused before it is parsed where parsing it could cost much time or memory.

    Args:
        text: the document.
        what: name of the document for error messages.

    Raises:
        BadDocumentError: not TOML, too long, nested too deeply, or with a number that is too long.
    """
    allowed = _limit_broken(text)
    if allowed is not None:
        raise BadDocumentError(what, [Problem("document", shorten(text[:40]), allowed, "not_toml")])
    try:
        return tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise BadDocumentError(what, [_not_toml(text, error)]) from None


def _limit_broken(text: str) -> str | None:
    """What would be allowed instead, or None for a document within the limits. Takes time in proportion to its length.

    The parser recurses into nested arrays, takes quadratic time for dotted keys, and fails on long numbers.
    """
    if len(text) > MOST_CHARACTERS:
        return f"at most {MOST_CHARACTERS} characters, not {len(text)}"
    bare = _TEXT_OR_COMMENT.sub('""', text)
    depth = 0
    for bracket in re.finditer(r"[\[\]{}]", bare):
        depth += 1 if bracket[0] in "[{" else -1
        if depth > MOST_DEPTH:
            return f"at most {MOST_DEPTH} arrays or tables inside each other"
    if _LONG_KEY.search(bare):
        return f"keys of at most {MOST_DEPTH} parts"
    if _LONG_NUMBER.search(bare):
        return f"numbers of at most {MOST_NUMBER_CHARACTERS} characters"
    return None


def write_model(model: BaseModel) -> str:
    """The model as a TOML document; reading it back gives an equal model."""
    lines: list[str] = []
    _write_table(model.model_dump(mode="python", exclude_none=True), (), lines)
    return "\n".join(lines).strip() + "\n"


def _is_table_array(value: Any) -> bool:
    return isinstance(value, list | tuple) and len(value) > 0 and all(isinstance(item, Mapping) for item in value)


def _write_table(table: Mapping[str, Any], path: tuple[str, ...], lines: list[str]) -> None:
    nested = {key: value for key, value in table.items() if isinstance(value, Mapping) or _is_table_array(value)}
    for key, value in table.items():
        if key not in nested:
            lines.append(f"{_key(key)} = {_scalar(value)}")
    for key, value in nested.items():
        here = (*path, key)
        dotted = ".".join(_key(part) for part in here)
        if isinstance(value, Mapping):
            lines += ["", f"[{dotted}]"]
            _write_table(value, here, lines)
        else:
            for item in value:
                lines += ["", f"[[{dotted}]]"]
                _write_table(item, here, lines)


def _key(key: str) -> str:
    return key if key.replace("_", "").replace("-", "").isalnum() and key.isascii() else json.dumps(key)


def _scalar(value: Any) -> str:
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, int | float):
        return repr(value)
    if isinstance(value, datetime.date):
        return value.isoformat()
    if isinstance(value, list | tuple):
        return "[" + ", ".join(_scalar(item) for item in value) + "]"
    # A JSON string is a TOML basic string but for DEL, which JSON leaves bare and TOML wants escaped.
    return json.dumps(str(value), ensure_ascii=False).replace("\x7f", "\\u007f")
