"""How one comparison with a published value is written down, and how many of which kind there are."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field
from typing import Final, Literal

import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.float64]

Kind = Literal["fitted", "follows", "code", "unseen"]
KINDS: Final[dict[Kind, str]] = {
    "fitted": "the fit was given this figure",
    "follows": "follows from a figure that was fitted, or was in view when something was set by hand",
    "code": "code against other code or algebra; says nothing about people",
    "unseen": "neither fitted nor in view, so it could have failed",
}
TOO_ALIKE: Final = "simulated people are too alike in this, and easier than people"
UNSTEADY: Final = "the push varies more from repetition to repetition than in this study; in others it varied more (15)"
"""Two ways in which the population is not as people are; studies do not agree on how steady people push."""
Distance = Literal["standard error", "standard deviation", "outside"]


@dataclass(frozen=True, slots=True)
class CheckResult:
    """One row of the table.

    Attributes:
        number: number of the check.
        name: what is compared.
        source: first author, year, where; or that it is from memory.
        published: the published value and what is allowed around it, on both sides.
        simulated: ours.
        error: their difference or ratio.
        kind: what the row can show; see ``KINDS``.
        passed: within what is allowed; None for figures too doubtful to judge by, which are only shown.
        width: why so much is allowed and no more.
        distance: of an unseen figure: inside the published standard error (or the published range), inside one
            standard deviation between people (or a 95 % interval), or outside both.
        study: of an unseen figure: which study, so that they can be counted.
        expected_outside: why this figure is known not to be met; empty if it should be.
    """

    number: int
    name: str
    source: str
    published: str
    simulated: str
    error: str
    kind: Kind
    passed: bool | None
    width: str
    distance: Distance | None = None
    study: str = ""
    expected_outside: str = ""

    @property
    def as_expected(self) -> bool:
        """Not judged, inside, or known to be outside."""
        return self.passed is not False or bool(self.expected_outside)


@dataclass(frozen=True, slots=True)
class Curve:
    """Points for the page of plots.

    Attributes:
        panel: which panel it belongs to.
        label: legend.
        x: abscissa.
        y: ordinate.
        published: drawn as markers of the publication instead of a line of the simulation.
    """

    panel: str
    label: str
    x: FloatArray
    y: FloatArray
    published: bool = False


@dataclass(frozen=True, slots=True)
class Section:
    """Rows and curves of one group of checks."""

    results: tuple[CheckResult, ...]
    curves: tuple[Curve, ...] = field(default=())


@dataclass(frozen=True, slots=True)
class Headline:
    """What the unseen figures say, counted.

    Attributes:
        unseen: how many figures were neither fitted nor in view and can fail.
        studies: from how many studies.
        inside_error: inside the published standard error or range.
        inside_deviation: outside that, but inside one standard deviation between people or a 95 % interval.
        outside: outside both.
        expected_outside: of those, how many are known and explained.
    """

    unseen: int
    studies: int
    inside_error: int
    inside_deviation: int
    outside: int
    expected_outside: int

    def __str__(self) -> str:
        return (
            f"{self.unseen} figures from {self.studies} studies were neither fitted nor in view and could have failed: "
            f"{self.inside_error} lie inside the published standard error or range, {self.inside_deviation} more "
            f"inside one standard deviation between people or a 95 % interval, {self.outside} outside "
            f"({self.expected_outside} of them known, with the reason beside them)."
        )


def headline(results: Iterable[CheckResult]) -> Headline:
    """Count the unseen figures.

    Args:
        results: rows of any kind.
    """
    unseen = [r for r in results if r.kind == "unseen" and r.distance is not None]
    return Headline(
        unseen=len(unseen),
        studies=len({r.study for r in unseen}),
        inside_error=sum(r.distance == "standard error" for r in unseen),
        inside_deviation=sum(r.distance == "standard deviation" for r in unseen),
        outside=sum(r.distance == "outside" for r in unseen),
        expected_outside=sum(r.distance == "outside" and bool(r.expected_outside) for r in unseen),
    )


@dataclass(frozen=True, slots=True)
class ValidationReport:
    """Everything that ``run`` found.

    Attributes:
        results: all rows, by number.
        curves: points for ``plot``.
        people: at least this many simulated people stand behind each population figure.
        seed: seed they were drawn with.
    """

    results: tuple[CheckResult, ...]
    curves: tuple[Curve, ...]
    people: int
    seed: int

    @property
    def passed(self) -> bool:
        """Every judged row is inside what is allowed, or known to be outside."""
        return all(r.as_expected for r in self.results)


def within(
    number: int, name: str, source: str, value: float, target: float, allowed: float, kind: Kind, width: str,
    unit: str = "", digits: int = 2,
) -> CheckResult:  # fmt: skip
    """A row for a value that should be ``target`` ± ``allowed``.

    Args:
        number: of the check.
        name: what is compared.
        source: where the published value is from.
        value: ours.
        target: published.
        allowed: greatest distance.
        kind: see `CheckResult`.
        width: why ``allowed`` is what it is.
        unit: shown behind the figures.
        digits: decimal places shown.
    """
    tail = f" {unit}" if unit else ""
    return CheckResult(
        number=number,
        name=name,
        source=source,
        published=f"{target:.{digits}f} ± {allowed:.{digits}f}{tail}",
        simulated=f"{value:.{digits}f}{tail}",
        error=f"{value - target:+.{digits}f}{tail}",
        kind=kind,
        passed=bool(abs(value - target) <= allowed),
        width=width,
    )


def between(
    number: int, name: str, source: str, value: float, low: float, high: float, kind: Kind, width: str,
    unit: str = "", digits: int = 2,
) -> CheckResult:  # fmt: skip
    """A row for a value that should lie from ``low`` to ``high``, both finite: a one-sided row could hardly fail.

    Args:
        number: of the check.
        name: what is compared.
        source: where the published value is from.
        value: ours.
        low: least allowed.
        high: greatest allowed.
        kind: see `CheckResult`.
        width: why the bounds are where they are.
        unit: shown behind the figures.
        digits: decimal places shown.

    Raises:
        ValueError: a bound that is not finite.
    """
    if not (np.isfinite(low) and np.isfinite(high)):
        raise ValueError(f"low, high are {low!r}, {high!r}; allowed: finite bounds, on both sides")
    tail = f" {unit}" if unit else ""
    outside = max(low - value, value - high, 0.0) if value == value else float("inf")
    return CheckResult(
        number=number,
        name=name,
        source=source,
        published=f"{low:.{digits}f} to {high:.{digits}f}{tail}",
        simulated=f"{value:.{digits}f}{tail}",
        error="inside" if outside == 0.0 else f"{outside:.{digits}f}{tail} outside",
        kind=kind,
        passed=bool(outside == 0.0),
        width=width,
    )


def unseen(
    number: int, name: str, study: str, value: float, target: float, error: float, deviation: float, *,
    means: str = "SD between people", unit: str = "", digits: int = 2, expected_outside: str = "",
) -> CheckResult:  # fmt: skip
    """A row for a figure that no fit and no author saw, with a published standard error and a wider bound.

    Args:
        number: of the check.
        name: what is compared.
        study: first author, year, where.
        value: ours.
        target: published.
        error: its standard error.
        deviation: standard deviation between people, or half of a 95 % interval.
        means: what ``deviation`` is.
        unit: shown behind the figures.
        digits: decimal places shown.
        expected_outside: why it is known to be outside; empty if it should be inside.
    """
    tail = f" {unit}" if unit else ""
    off = abs(value - target)
    distance: Distance = "outside"
    if off <= error:
        distance = "standard error"
    elif off <= deviation:
        distance = "standard deviation"
    return CheckResult(
        number=number,
        name=name,
        source=study,
        published=f"{target:.{digits}f} ± {error:.{digits}f} (± {deviation:.{digits}f}){tail}",
        simulated=f"{value:.{digits}f}{tail}",
        error=f"{value - target:+.{digits}f}{tail}",
        kind="unseen",
        passed=distance != "outside",
        width=f"standard error of the study; in brackets {means}",
        distance=distance,
        study=study,
        expected_outside=expected_outside,
    )


def unseen_range(
    number: int, name: str, study: str, value: float, low: float, high: float, *, unit: str = "", digits: int = 2,
    width: str = "range that the study gives", expected_outside: str = "",
) -> CheckResult:  # fmt: skip
    """A row for a figure that no fit and no author saw, of which a range is published and no standard error.

    Args:
        number: of the check.
        name: what is compared.
        study: first author, year, where.
        value: ours.
        low: least published.
        high: greatest published.
        unit: shown behind the figures.
        digits: decimal places shown.
        width: where the range is from.
        expected_outside: why it is known to be outside; empty if it should be inside.
    """
    row = between(number, name, study, value, low, high, "unseen", width, unit, digits)
    return CheckResult(
        **{
            **{key: getattr(row, key) for key in row.__dataclass_fields__},
            "distance": "standard error" if row.passed else "outside",
            "study": study,
            "expected_outside": expected_outside,
        }
    )
