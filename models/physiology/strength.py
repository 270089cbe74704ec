"""One-repetition maximum from repetitions to failure: the common formulas, each under its author's name.

``repetitions`` always means repetitions to failure with ``load``; the answer has the unit of ``load``. A load that was
lifted once and not twice is the 1RM itself, whatever a formula says at r = 1 (five of the seven do not return it).
Constants as listed on two independent public pages (easycalculation.com, startingstrength.com forum t=33294); years
and authors from memory.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Final

import numpy as np


def epley(load: float, repetitions: float) -> float:
    """Epley 1985: w (1 + r / 30).

    Args:
        load: load lifted, any unit.
        repetitions: repetitions to failure with it.
    """
    return load * (1.0 + repetitions / 30.0)


def brzycki(load: float, repetitions: float) -> float:
    """Brzycki 1993: 36 w / (37 - r); it has a pole at r = 37.

    Args:
        load: load lifted, any unit.
        repetitions: repetitions to failure with it.
    """
    return load * 36.0 / (37.0 - repetitions)


def lombardi(load: float, repetitions: float) -> float:
    """Lombardi 1989: w r^0.10.

    Args:
        load: load lifted, any unit.
        repetitions: repetitions to failure with it.
    """
    return float(load * repetitions**0.10)


def mayhew(load: float, repetitions: float) -> float:
    """Mayhew et al. 1992: 100 w / (52.2 + 41.9 exp(-0.055 r)).

    Args:
        load: load lifted, any unit.
        repetitions: repetitions to failure with it.
    """
    return 100.0 * load / (52.2 + 41.9 * math.exp(-0.055 * repetitions))


def oconner(load: float, repetitions: float) -> float:
    """O'Conner et al. 1989: w (1 + 0.025 r).

    Args:
        load: load lifted, any unit.
        repetitions: repetitions to failure with it.
    """
    return load * (1.0 + 0.025 * repetitions)


def wathen(load: float, repetitions: float) -> float:
    """Wathen 1994: 100 w / (48.8 + 53.8 exp(-0.075 r)).

    Args:
        load: load lifted, any unit.
        repetitions: repetitions to failure with it.
    """
    return 100.0 * load / (48.8 + 53.8 * math.exp(-0.075 * repetitions))


def lander(load: float, repetitions: float) -> float:
    """Lander 1985: 100 w / (101.3 - 2.67123 r); it has a pole at r = 37.9.

    Args:
        load: load lifted, any unit.
        repetitions: repetitions to failure with it.
    """
    return 100.0 * load / (101.3 - 2.67123 * repetitions)


FORMULAS: Final[dict[str, Callable[[float, float], float]]] = {
    "epley": epley,
    "brzycki": brzycki,
    "lombardi": lombardi,
    "mayhew": mayhew,
    "oconner": oconner,
    "wathen": wathen,
    "lander": lander,
}
MAX_FORMULA_REPETITIONS: Final = 20
"""Above this the formulas were never fitted and two of them run towards their poles; common practice, no source."""


def estimate_one_rm(load: float, repetitions: int, formula: str = "epley") -> float:
    """1RM in the unit of ``load`` from a set to failure.

    Args:
        load: load lifted, any unit.
        repetitions: to failure, 1 to 20.
        formula: one of ``FORMULAS``.

    Raises:
        ValueError: unknown formula, a load that is not positive, or repetitions outside 1..20.
    """
    if formula not in FORMULAS:
        raise ValueError(f"formula is {formula!r}; allowed: {', '.join(FORMULAS)}")
    if not load > 0.0:
        raise ValueError(f"load is {load!r}; allowed: > 0")
    if not 1 <= repetitions <= MAX_FORMULA_REPETITIONS:
        raise ValueError(f"repetitions is {repetitions!r}; allowed: 1 to {MAX_FORMULA_REPETITIONS}")
    return load if repetitions == 1 else FORMULAS[formula](load, float(repetitions))


_CHART_REPS: Final = (1.0, 2.0, 3.0, 4.0, 5.0, 6.0, 7.0, 8.0, 9.0, 10.0, 11.0, 12.0, 15.0)
_CHART_PERCENT: Final = (100.0, 95.0, 93.0, 90.0, 87.0, 85.0, 83.0, 80.0, 77.0, 75.0, 73.0, 70.0, 65.0)


def chart_repetitions(percent_one_rm: float) -> float:
    """Repetitions to failure that the handbook chart gives at a load, interpolated between its rows.

    Source: load chart in Haff & Triplett (eds.), Essentials of Strength Training and Conditioning, 4th ed. 2016
    as given on a public page (cdchester.co.uk, 1RM formulae) to 12 repetitions; the row of 15 from memory.

    Raises:
        ValueError: outside the chart, 65-100 %1RM.
    """
    if not _CHART_PERCENT[-1] <= percent_one_rm <= 100.0:
        raise ValueError(f"percent_one_rm is {percent_one_rm!r}; allowed: {_CHART_PERCENT[-1]:g} to 100")
    return float(np.interp(percent_one_rm, _CHART_PERCENT[::-1], _CHART_REPS[::-1]))
