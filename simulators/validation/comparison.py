"""How one comparison with a published value is written down."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Literal

import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.float64]
Kind = Literal["fitted", "unseen", "limit"]


@dataclass(frozen=True, slots=True)
class CheckResult:
    """One row of the table.

    Attributes:
        number: number of the check.
        name: what is compared.
        source: first author, year, where; or that it is from memory.
        published: the published value and what is allowed around it.
        simulated: ours.
        error: their difference or ratio.
        fitted_or_unseen: "fitted" if the fit saw this figure, "unseen" if not, "limit" for what is only shown,
            above all what the models are known not to reproduce.
        passed: within what is allowed; None for limits, which are shown and not judged.
    """

    number: int
    name: str
    source: str
    published: str
    simulated: str
    error: str
    fitted_or_unseen: Kind
    passed: bool | None


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
        """Every judged row passed."""
        return all(r.passed for r in self.results if r.passed is not None)


def within(
    number: int, name: str, source: str, value: float, target: float, allowed: float, kind: Kind, unit: str = "",
    digits: int = 2,
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
        fitted_or_unseen=kind,
        passed=bool(abs(value - target) <= allowed),
    )


def between(
    number: int, name: str, source: str, value: float, low: float, high: float, kind: Kind, unit: str = "",
    digits: int = 2,
) -> CheckResult:  # fmt: skip
    """A row for a value that should lie from ``low`` to ``high``; ``inf`` leaves a side open.

    Args:
        number: of the check.
        name: what is compared.
        source: where the published value is from.
        value: ours.
        low: least allowed.
        high: greatest allowed.
        kind: see `CheckResult`.
        unit: shown behind the figures.
        digits: decimal places shown.
    """
    tail = f" {unit}" if unit else ""
    outside = max(low - value, value - high, 0.0) if value == value else float("inf")
    if high == float("inf"):
        published = f"at least {low:.{digits}f}{tail}"
    elif low == float("-inf"):
        published = f"at most {high:.{digits}f}{tail}"
    else:
        published = f"{low:.{digits}f} to {high:.{digits}f}{tail}"
    return CheckResult(
        number=number,
        name=name,
        source=source,
        published=published,
        simulated=f"{value:.{digits}f}{tail}",
        error="inside" if outside == 0.0 else f"{outside:.{digits}f}{tail} outside",
        fitted_or_unseen=kind,
        passed=bool(outside == 0.0),
    )
