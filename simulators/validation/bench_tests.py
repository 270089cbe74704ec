"""Tests to failure and single lifts of simulated bench pressers on two days, as the methods of the field need them.

One group of people, each test on a day of its own with loads from a 1RM measured before, with maximal intent and a
plain weight, as in the studies. :mod:`ebbset.simulators.validation.unseen` and
:mod:`ebbset.simulators.validation.predictability` hold them against published figures.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import lru_cache
from typing import Final

import numpy as np
import numpy.typing as npt

from ebbset.simulators.lifter.lifter import LifterParameters
from ebbset.simulators.plant.plant import Plant
from ebbset.simulators.plant.rig_parameters import free_weight
from ebbset.simulators.population.population import on_day, person_rng
from ebbset.simulators.population.strength_test import one_rm_n
from ebbset.simulators.validation.measures import measured_one_rm_n, set_to_failure
from ebbset.simulators.validation.people import people
from ebbset.simulators.validation.protocols import stop_after

FloatArray = npt.NDArray[np.float64]

FAILURE_LOADS: Final = (0.5, 0.6, 0.65, 0.7, 0.75, 0.8, 0.85, 0.9)
"""Loads of the sets to failure, shares of the measured 1RM."""
RETEST_LOADS: Final = (0.7, 0.9)
"""Loads of the second day (Mitter 2022)."""
LINE_LOADS: Final = (0.25, 0.30, 0.40, 0.50, 0.55, 0.70, 0.85)
"""Loads of the single lifts."""
_TRIES: Final = 2


@dataclass(frozen=True, slots=True)
class MeasuredPerson:
    """Everything that was measured on one lifter.

    Attributes:
        lifter: the person.
        one_rm_n: 1RM as measured on a day before, N.
        sets: by load, mean velocity of every completed repetition of a set to failure, m/s.
        retest: the same at the loads of the second day.
        line: by load, mean velocity of the fastest of two single lifts, m/s; on two days.
        today_n: by day of the lines, what the person could lift once on that day, N.
    """

    lifter: LifterParameters
    one_rm_n: float
    sets: dict[float, FloatArray]
    retest: dict[float, FloatArray]
    line: tuple[dict[float, float], dict[float, float]]
    today_n: tuple[float, float]


def _velocities(lifter: LifterParameters, load_n: float, seed: int, number: int) -> FloatArray:
    today = on_day(lifter, person_rng(seed + 1, number))
    truth = set_to_failure(today, load_n, person_rng(seed, number), None).truth
    return np.array([r.mean_velocity_m_s for r in truth.records if r.completed])


def single_lifts(
    today: LifterParameters, one_rm: float, loads: tuple[float, ...], seed: int, number: int
) -> dict[float, float]:
    """By load (share of the 1RM) the mean velocity of the fastest of two lifts with rest between, m/s; NaN if none.

    Args:
        today: the person on this day.
        one_rm: 1RM as measured before, N.
        loads: shares of it.
        seed: of all randomness.
        number: of the day among all days of that seed.
    """
    found = {}
    for k, share in enumerate(loads):
        load = share * one_rm
        plant = Plant(free_weight(load), replace(today, retries=0), person_rng(seed, 100 * number + k))
        best = np.nan
        for _ in range(_TRIES):
            stop_after(plant, load, 1)
            for record in plant.truth.records:
                if record.completed:
                    best = np.nanmax([best, record.mean_velocity_m_s])
            plant.rest(180.0)
        found[share] = float(best)
    return found


def _measured(lifter: LifterParameters, seed: int, i: int) -> MeasuredPerson:
    best = measured_one_rm_n(lifter)
    days = tuple(on_day(lifter, person_rng(seed + 5, 2 * i + d)) for d in range(2))
    lines = tuple(single_lifts(today, best, LINE_LOADS, seed + 6, 2 * i + d) for d, today in enumerate(days))
    return MeasuredPerson(
        lifter=lifter,
        one_rm_n=best,
        sets={s: _velocities(lifter, s * best, seed + 1, 100 * i + k) for k, s in enumerate(FAILURE_LOADS)},
        retest={s: _velocities(lifter, s * best, seed + 3, 100 * i + k) for k, s in enumerate(RETEST_LOADS)},
        line=(lines[0], lines[1]),
        today_n=(one_rm_n(days[0], None), one_rm_n(days[1], None)),
    )


@lru_cache(maxsize=4)
def bench_pressers(count: int, seed: int) -> tuple[MeasuredPerson, ...]:
    """So many strength-trained men with everything that was measured on them.

    Args:
        count: how many.
        seed: of the population and of all randomness.
    """
    return tuple(_measured(lifter, seed + 100, i) for i, lifter in enumerate(people("bench_press", count, seed)))


def in_reserve(velocities: FloatArray) -> FloatArray:
    """Repetitions that were left after each repetition of a set to failure.

    Args:
        velocities: one per completed repetition.
    """
    return np.arange(velocities.size - 1, -1, -1, dtype=float)


def r_squared(x: FloatArray, y: FloatArray, degree: int) -> float:
    """Share of the variance of y that a polynomial in x explains.

    Args:
        x: abscissa.
        y: ordinate.
        degree: of the polynomial.
    """
    rest = y - np.polyval(np.polyfit(x, y, degree), x)
    return float(1.0 - rest.var() / y.var())


def loss_and_share(crowd: tuple[MeasuredPerson, ...], load: float) -> list[tuple[FloatArray, FloatArray]]:
    """Per person velocity loss from the fastest repetition on, and share of the possible repetitions done.

    Args:
        crowd: the people.
        load: of the sets to failure.
    """
    pairs = []
    for person in crowd:
        v = person.sets[load]
        if v.size >= 3:
            fastest = int(np.argmax(v))
            pairs.append((1.0 - v[fastest:] / v[fastest], np.arange(fastest + 1, v.size + 1) / v.size))
    return pairs
