"""The table of labelled sets: one row per attempt, by whoever saw how it ended.

What lives here: the format, reading with errors that name row, column, value and what is allowed, and writing. What
never does: bringing several labellers together (`agreement`) and judging anybody (`judging`).
"""

from __future__ import annotations

import csv
import io
from collections import defaultdict
from collections.abc import Iterable, Sequence
from enum import StrEnum
from itertools import pairwise
from pathlib import Path
from typing import Annotated, Any, Final, Literal, Self

from pydantic import BaseModel, ConfigDict, Field, ValidationError, model_validator

from ebbset.controller.recording.regular_files import read_regular
from ebbset.models.contract.field_types import Finite, Name, PlainText
from ebbset.models.contract.problems import BadDocumentError, Problem, UnusableFileError, problems_of, shorten

LARGEST_TABLE_BYTES: Final = 64 * 1024 * 1024
MOST_PROBLEMS: Final = 20
"""More are counted, not listed."""
Newtons = Annotated[float, Field(gt=0, le=10_000, allow_inf_nan=False)]


class AttemptOutcome(StrEnum):
    """How an attempt ended, as seen by a person or known by a simulator."""

    COMPLETED = "completed"
    FAILED = "failed"
    CUT_SHORT = "cut_short"
    UNCLEAR = "unclear"


class LabelSource(StrEnum):
    """Where a label comes from."""

    VIDEO = "video"
    SECOND_PERSON = "second_person"
    SIMULATOR = "simulator"


class LabelledAttempt(BaseModel):
    """One row of the table: one attempt at one load. A load that is lowered in mid-ascent begins a new attempt."""

    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False)

    set: Annotated[PlainText, Field(min_length=1, max_length=200)] = Field(
        description="which set: the nonce of a set that ebbset recorded, the name of an imported set, or the file name "
        "of its recording"
    )
    person: Name = Field(description="pseudonym; intervals are found by drawing people anew")
    attempt: Annotated[int, Field(ge=1, le=1000)] = Field(description="number of the attempt in its set, from 1")
    cable: Annotated[int, Field(ge=0, le=1)] = Field(default=0, description="cable, 0 where there is one")
    start_s: Finite = Field(description="the handle leaves the bottom, seconds by the labeller's clock")
    motion_ended_s: Finite | None = Field(
        default=None,
        description="failed only: the last instant at which the handle still rose, after which it never did; start_s "
        "if it never moved",
    )
    end_s: Finite = Field(description="top reached, or the lifter gave in, or the load was lowered; same clock")
    outcome: AttemptOutcome = Field(
        description="completed; failed (true failure); cut_short (ended early on purpose); unclear (cannot be told, or "
        "the load was lowered first: left out of every figure)"
    )
    load_n: Newtons = Field(description="load at the handle, newtons, per cable")
    reserve: Annotated[float, Field(ge=0, le=60)] | None = Field(
        default=None, description="repetitions in reserve that the lifter called after it; blank: not asked"
    )
    one_rm_n: Newtons | None = Field(
        default=None,
        description="1RM of the day by a test on the same day, rested, newtons; one figure for a whole set",
    )
    capacity_n: Newtons | None = Field(
        default=None, description="1RM measured right after the attempt, newtons; blank: not measured"
    )
    source: LabelSource = Field(description="video, second_person or simulator")
    labeller: Name = Field(description="pseudonym of whoever labelled it; two may label the same set")
    clock_offset_s: Finite = Field(
        default=0.0,
        description="added to the labeller's times to give the recording's; see the page on measuring people",
    )

    @model_validator(mode="after")
    def _times_fit(self) -> Self:
        if self.end_s <= self.start_s:
            raise ValueError(f"end_s is {self.end_s!r}; allowed: later than start_s, {self.start_s!r}")
        failed = self.outcome is AttemptOutcome.FAILED
        if failed and self.motion_ended_s is None:
            raise ValueError("motion_ended_s is blank; allowed: an instant, since the attempt failed")
        if self.motion_ended_s is not None:
            if not failed:
                raise ValueError(
                    f"motion_ended_s is {self.motion_ended_s!r}; allowed: blank, unless the outcome is failed"
                )
            if not self.start_s <= self.motion_ended_s <= self.end_s:
                raise ValueError(
                    f"motion_ended_s is {self.motion_ended_s!r}; allowed: from start_s to end_s, "
                    f"{self.start_s!r} to {self.end_s!r}"
                )
        return self


COLUMNS: Final = tuple(LabelledAttempt.model_fields)
_NEEDED: Final = tuple(name for name, field in LabelledAttempt.model_fields.items() if field.is_required())
_WORDS: Final = frozenset({"set", "person", "outcome", "source", "labeller"})


def read_labels(path: Path) -> tuple[LabelledAttempt, ...]:
    """The rows of a table of labels, checked one by one and against each other.

    Args:
        path: CSV in UTF-8 with a header; comma and decimal point, or semicolon and decimal comma.

    Raises:
        UnusableFileError: the file cannot be read.
        BadDocumentError: rows that cannot be used; every problem names row, column, value and what is allowed.
    """
    try:
        text = read_regular(path, LARGEST_TABLE_BYTES).decode("utf-8-sig")
    except UnicodeDecodeError:
        raise UnusableFileError(f"{path}: not a text file in UTF-8") from None
    return parse_labels(text, name=str(path))


def parse_labels(text: str, *, name: str = "labels") -> tuple[LabelledAttempt, ...]:
    """As `read_labels`, from the text.

    Args:
        text: the whole table.
        name: what to call it in errors.

    Raises:
        BadDocumentError: as `read_labels`.
    """
    heads, _, _ = text.partition("\n")
    delimiter: Literal[",", ";"] = ";" if ";" in heads else ","
    problems: list[Problem] = []
    rows: list[tuple[int, LabelledAttempt]] = []
    try:
        lines = list(csv.reader(io.StringIO(text, newline=""), delimiter=delimiter, strict=True))
    except csv.Error as error:
        raise BadDocumentError(name, [Problem("table", str(error), "CSV", "csv")]) from None
    columns = [head.strip() for head in lines[0]] if lines else []
    _check_heads(columns, name)
    for number, cells in enumerate(lines[1:], start=2):
        if not any(cell.strip() for cell in cells):
            continue
        row, wrong = _row(number, columns, cells, decimal_comma=delimiter == ";")
        problems += wrong
        if row is not None:
            rows.append((number, row))
    problems += _against_each_other(rows)
    if not rows and not problems:
        problems.append(Problem("table", "empty", "at least one row", "rows"))
    if problems:
        more = len(problems) - MOST_PROBLEMS
        shown = problems[:MOST_PROBLEMS]
        if more > 0:
            shown.append(Problem("table", f"wrong in {more} more places", "none", "rows"))
        raise BadDocumentError(name, shown)
    return tuple(row for _, row in rows)


def _check_heads(columns: Sequence[str], name: str) -> None:
    problems = [
        Problem(f"column {shorten(head)}", "there", f"one of {', '.join(COLUMNS)}", "head")
        for head in columns
        if head not in COLUMNS
    ]
    problems += [
        Problem(f"column {head!r}", "there twice", "once", "head") for head in COLUMNS if columns.count(head) > 1
    ]
    problems += [
        Problem(f"column {head!r}", "", "it has to be there", "missing") for head in _NEEDED if head not in columns
    ]
    if problems:
        raise BadDocumentError(name, problems)


def _row(
    number: int, columns: Sequence[str], cells: Sequence[str], *, decimal_comma: bool
) -> tuple[LabelledAttempt | None, list[Problem]]:
    """One row, or what is wrong with it."""
    if len(cells) != len(columns):
        wrong = Problem(f"row {number}", f"{len(cells)} cells long", f"{len(columns)}, one for each column", "cells")
        return None, [wrong]
    given: dict[str, Any] = {}
    for head, cell in zip(columns, cells, strict=True):
        value = cell.strip()
        if value:
            given[head] = value.replace(",", ".") if decimal_comma and head not in _WORDS else value
    try:
        return LabelledAttempt.model_validate(given), []
    except ValidationError as error:
        found = problems_of(error)
        return None, [Problem(f"row {number}: {one.field}", one.value, one.allowed, one.kind) for one in found]


def _against_each_other(rows: Iterable[tuple[int, LabelledAttempt]]) -> list[Problem]:
    """What rows of one set say that cannot all be true."""
    problems: list[Problem] = []
    by_labeller: dict[tuple[str, int, str], list[tuple[int, LabelledAttempt]]] = defaultdict(list)
    firsts: dict[str, LabelledAttempt] = {}
    for number, row in rows:
        by_labeller[row.set, row.cable, row.labeller].append((number, row))
        first = firsts.setdefault(row.set, row)
        for column in ("person", "one_rm_n"):
            value, before = getattr(row, column), getattr(first, column)
            if value != before:
                allowed = f"{'blank' if before is None else repr(before)}, as in the first row of set {row.set!r}"
                problems.append(Problem(f"row {number}: {column}", repr(value), allowed, "rows"))
    for mine in by_labeller.values():
        for k, (number, row) in enumerate(mine, start=1):
            if row.attempt != k:
                allowed = f"{k}: attempts of a set count up from 1 for each labeller, in the order of the rows"
                problems.append(Problem(f"row {number}: attempt", repr(row.attempt), allowed, "rows"))
        for (_, before), (number, after) in pairwise(mine):
            if after.start_s < before.end_s:
                allowed = f"not before the end of attempt {before.attempt}, {before.end_s!r}"
                problems.append(Problem(f"row {number}: start_s", repr(after.start_s), allowed, "rows"))
    return sorted(problems, key=lambda one: int(one.field.split(":")[0].removeprefix("row ")))


def write_labels(path: Path, rows: Iterable[LabelledAttempt]) -> None:
    """Write a table that `read_labels` reads.

    Args:
        path: file to write; replaced if it is there.
        rows: its rows.

    Raises:
        OSError: the file cannot be written.
    """
    with path.open("w", encoding="utf-8", newline="") as file:
        writer = csv.writer(file, lineterminator="\n")
        writer.writerow(COLUMNS)
        for row in rows:
            values = row.model_dump(mode="json")
            writer.writerow(["" if values[name] is None else values[name] for name in COLUMNS])


def format_table() -> str:
    """The format as a Markdown table, for the documentation."""
    lines = ["| column | needed | meaning |", "|---|---|---|"]
    for name, field in LabelledAttempt.model_fields.items():
        needed = "yes" if field.is_required() else "failed only" if name == "motion_ended_s" else "no"
        lines.append(f"| `{name}` | {needed} | {field.description} |")
    return "\n".join(lines) + "\n"
