"""Position series of any encoder, from CSV with a column map: read, checked, and brought to a rate that can be used.

What lives here: numbers from a file to seconds, metres and newtons. What never does: recordings (`imported`), and
velocity, which the controller's own filter makes of the positions as it does live (`detection.kinematic_filter`): it
looks only backward, and a smoother that looked ahead would show the detector what no detector can see.
"""

from __future__ import annotations

import csv
import io
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Final, Literal

import numpy as np
import numpy.typing as npt
from scipy.integrate import cumulative_trapezoid

from ebbset.controller.recording.regular_files import read_regular
from ebbset.models.contract.field_types import LOAD_N
from ebbset.models.contract.problems import UnusableFileError, shorten
from ebbset.models.contract.units import LoadUnit, to_newtons

FloatArray = npt.NDArray[np.float64]
TimeUnit = Literal["s", "ms", "us"]
LengthUnit = Literal["m", "cm", "mm"]
Fill = Literal["linear", "hold"]
SECONDS: Final[dict[TimeUnit, float]] = {"s": 1.0, "ms": 1e-3, "us": 1e-6}
METRES: Final[dict[LengthUnit, float]] = {"m": 1.0, "cm": 1e-2, "mm": 1e-3}
LARGEST_SERIES_BYTES: Final = 1024 * 1024 * 1024
SLOWEST_HZ, FASTEST_HZ = 20.0, 1000.0
"""Sample rates of the wire contract."""
USUAL_HZ: Final = 100.0
ROUNDED: Final = 1.01
"""Times are written with few digits, so that a rate comes out a little wrong."""
LONGEST_GAP_S: Final = 0.25
"""A longer gap hides a repetition's end; whoever knows that the handle stood still in it says so by `hold`."""
LEAST_SAMPLES: Final = 20
LEAST_RANGE_M, MOST_RANGE_M = 0.05, 3.0
"""A series that moves less or more than this is in another unit than was said; judgement, no source."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ColumnMap:
    """Which columns of a file hold what, and how its numbers are written.

    Attributes:
        time: name of the column of times.
        position: name of the column of positions.
        load: name of the column of loads; ``None``: ``load_n`` throughout.
        load_n: load throughout, newtons; ``None``: from the column.
        set: name of the column that says which set; ``None``: the file is one set.
        person: name of the column that says who; ``None``: ``lifter`` throughout.
        lifter: pseudonym, where no column gives it.
        time_unit: of the times.
        length_unit: of the positions.
        load_unit: of the column of loads.
        delimiter: between columns.
        decimal: decimal mark, point or comma.
        falling: positions fall while the handle rises.
    """

    time: str
    position: str
    load: str | None = None
    load_n: float | None = None
    set: str | None = None
    person: str | None = None
    lifter: str = "unknown"
    time_unit: TimeUnit = "s"
    length_unit: LengthUnit = "m"
    load_unit: LoadUnit = "kg"
    delimiter: str = ","
    decimal: Literal[".", ","] = "."
    falling: bool = False

    def __post_init__(self) -> None:
        if (self.load is None) == (self.load_n is None):
            raise ValueError("load is given twice or not at all; allowed: a column of loads, or one load throughout")
        if self.delimiter == self.decimal:
            raise ValueError(f"delimiter is {self.delimiter!r}; allowed: another character than the decimal mark")


@dataclass(frozen=True, slots=True)
class PositionSeries:
    """One set: positions over time, and the load at each sample.

    Attributes:
        name: of the set.
        person: pseudonym.
        t_s: shape (n,), seconds as in the file, rising.
        position_m: shape (n,), rising while the handle rises.
        load_n: shape (n,).
    """

    name: str
    person: str
    t_s: FloatArray
    position_m: FloatArray
    load_n: FloatArray

    @property
    def rate_hz(self) -> float:
        """Median sample rate."""
        return float(1.0 / np.median(np.diff(self.t_s)))


@dataclass(slots=True)
class _Columns:
    person: str
    t: list[float] = field(default_factory=list)
    x: list[float] = field(default_factory=list)
    load: list[float] = field(default_factory=list)
    row: int = 0


def read_series(path: Path, columns: ColumnMap) -> list[PositionSeries]:
    """Every set in a file.

    Args:
        path: CSV in UTF-8 with one header line.
        columns: what its columns hold.

    Raises:
        UnusableFileError: the file cannot be read, or a cell cannot be used; names row, column, value, what is allowed.
    """
    try:
        text = read_regular(path, LARGEST_SERIES_BYTES).decode("utf-8-sig")
    except UnicodeDecodeError:
        raise UnusableFileError(f"{path}: not a text file in UTF-8") from None
    try:
        return parse_series(text, columns, otherwise=path.stem)
    except ValueError as error:
        raise UnusableFileError(f"{path}: {error}") from None


def parse_series(text: str, columns: ColumnMap, *, otherwise: str = "set") -> list[PositionSeries]:
    """As `read_series`, from the text.

    Args:
        text: the whole file.
        columns: what its columns hold.
        otherwise: name of the set where no column gives one.

    Raises:
        ValueError: as `read_series`, without the name of the file.
    """
    found: dict[str, _Columns] = {}
    for number, cells in _rows(text, columns):
        name = cells.text(columns.set) if columns.set is not None else otherwise
        person = cells.text(columns.person) if columns.person is not None else columns.lifter
        mine = found.setdefault(name, _Columns(person))
        if mine.person != person:
            raise ValueError(f"row {number}: {columns.person} is {person!r}; allowed: {mine.person!r}, as before")
        t = cells.number(columns.time) * SECONDS[columns.time_unit]
        if mine.t and t <= mine.t[-1]:
            raise ValueError(
                f"row {number}: {columns.time} is {shorten(cells.text(columns.time))}; "
                f"allowed: later than in row {mine.row}, within a set"
            )
        mine.t.append(t)
        mine.x.append(cells.number(columns.position) * METRES[columns.length_unit])
        mine.load.append(_load_n(number, cells, columns))
        mine.row = number
    if not found:
        raise ValueError("the table is empty; allowed: at least one row under the header")
    return [_series(name, mine, columns) for name, mine in found.items()]


def _load_n(number: int, cells: _Cells, columns: ColumnMap) -> float:
    if columns.load is None:
        return columns.load_n or 0.0
    load_n = to_newtons(cells.number(columns.load), columns.load_unit)
    if not LOAD_N[0] < load_n <= LOAD_N[1]:
        raise ValueError(
            f"row {number}: {columns.load} is {cells.text(columns.load)!r} {columns.load_unit}; "
            f"allowed: above 0 and at most {LOAD_N[1]} N"
        )
    return load_n


def _series(name: str, mine: _Columns, columns: ColumnMap) -> PositionSeries:
    if len(mine.t) < LEAST_SAMPLES:
        raise ValueError(f"set {name!r}: {len(mine.t)} samples; allowed: at least {LEAST_SAMPLES}")
    x = np.array(mine.x) * (-1.0 if columns.falling else 1.0)
    moved = float(np.ptp(x))
    if not LEAST_RANGE_M <= moved <= MOST_RANGE_M:
        raise ValueError(
            f"set {name!r}: {columns.position} moves by {moved:.4g} m in all; allowed: {LEAST_RANGE_M} to "
            f"{MOST_RANGE_M} m, so look at the unit, {columns.length_unit}"
        )
    return PositionSeries(name, mine.person, np.array(mine.t), x, np.array(mine.load))


@dataclass(frozen=True, slots=True)
class _Cells:
    """One row by the names of its columns."""

    row: int
    values: dict[str, str]
    decimal: str

    def text(self, column: str) -> str:
        value = self.values[column].strip()
        if not value:
            raise ValueError(f"row {self.row}: {column} is blank; allowed: a value in every row")
        return value

    def number(self, column: str) -> float:
        text = self.text(column)
        try:
            value = float(text if self.decimal == "." else text.replace(".", "!").replace(",", "."))
        except ValueError:
            value = np.nan
        if not np.isfinite(value):
            mark = "point" if self.decimal == "." else "comma"
            raise ValueError(f"row {self.row}: {column} is {shorten(text)}; allowed: a number with a decimal {mark}")
        return value


def _rows(text: str, columns: ColumnMap) -> Iterator[tuple[int, _Cells]]:
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=columns.delimiter)
    heads = [head.strip() for head in next(reader, [])]
    for wanted in (columns.time, columns.position, columns.load, columns.set, columns.person):
        if wanted is not None and heads.count(wanted) != 1:
            what = "there twice" if wanted in heads else "not there"
            raise ValueError(f"column {wanted!r} is {what}; allowed: one of {_listed(heads)}")
    for number, cells in enumerate(reader, start=2):
        if not any(cell.strip() for cell in cells):
            continue
        if len(cells) != len(heads):
            raise ValueError(f"row {number}: {len(cells)} cells; allowed: {len(heads)}, one for each column")
        yield number, _Cells(number, dict(zip(heads, cells, strict=True)), columns.decimal)


def _listed(heads: Sequence[str]) -> str:
    return ", ".join(shorten(head) for head in heads[:12]) or "none: the file has no header"


def resampled(series: PositionSeries, *, rate_hz: float | None = None, fill: Fill = "linear") -> PositionSeries:
    """A series at a rate that the wire contract allows, without a look into the future of more than one sample.

    A series that comes at 20 to 1000 Hz without gaps stays as it is unless a rate is asked for; any other is brought to
    100 Hz. From a faster series each sample is the mean over the interval before it, so that nothing is aliased; it is
    late by half an interval, 5 ms at 100 Hz.

    Args:
        series: as read.
        rate_hz: rate wanted, Hz.
        fill: between samples further apart than the rate: on a straight line to the next, or held at the last, which is
            right for an encoder that writes only when it moves.

    Raises:
        ValueError: a rate that is not allowed, or a gap that must not be filled with a line; names the set and place.
    """
    if rate_hz is not None and not SLOWEST_HZ <= rate_hz <= FASTEST_HZ:
        raise ValueError(f"rate_hz is {rate_hz!r}; allowed: {SLOWEST_HZ:g} to {FASTEST_HZ:g}")
    gaps = np.diff(series.t_s)
    longest = int(np.argmax(gaps))
    if fill == "linear" and gaps[longest] > LONGEST_GAP_S:
        raise ValueError(
            f"set {series.name!r}: nothing for {gaps[longest]:.2f} s after {series.t_s[longest]:.2f} s; allowed: at "
            f"most {LONGEST_GAP_S} s, unless the encoder writes only when it moves (fill: hold)"
        )
    usual = SLOWEST_HZ / ROUNDED <= series.rate_hz <= FASTEST_HZ * ROUNDED
    even = usual and float(gaps.max()) <= LONGEST_GAP_S
    if rate_hz is None and even:
        return series
    step_s = 1.0 / (rate_hz or USUAL_HZ)
    t_s = np.arange(series.t_s[0] + step_s, series.t_s[-1] + 1e-9, step_s)
    index = np.searchsorted(series.t_s, t_s + 1e-9, side="right") - 1
    if fill == "hold":
        x = series.position_m[index]
    elif series.rate_hz * step_s >= 2.0:
        # The mean of the straight lines between samples, from their integral.
        area = cumulative_trapezoid(series.position_m, series.t_s, initial=0)
        x = (np.interp(t_s, series.t_s, area) - np.interp(t_s - step_s, series.t_s, area)) / step_s
    else:
        x = np.interp(t_s, series.t_s, series.position_m)
    return PositionSeries(series.name, series.person, t_s, x, series.load_n[index])
