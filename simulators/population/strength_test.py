"""What a person of any family can lift once, and how fast: single fresh attempts without random fluctuations."""

from __future__ import annotations

from dataclasses import replace
from functools import lru_cache
from typing import Final

import numpy as np

from ebbset.simulators.lifter.lifter import LifterParameters
from ebbset.simulators.lifter.protocol import Lifter
from ebbset.simulators.plant.plant_base import PlantBase
from ebbset.simulators.plant.rig_parameters import RigParameters, free_weight
from ebbset.simulators.population.families import AnyLifter, plant_for

_PRECISION: Final = 0.002
_FIRST_GUESS_N: Final = 100.0
_STRONGEST_N: Final = 10_000.0


def at_full_effort(person: AnyLifter) -> AnyLifter:
    """The person as in a strength test: all effort, nothing fluctuates, nothing is held back.

    Args:
        person: of any family.
    """
    if not isinstance(person, LifterParameters):
        return person.at_full_effort()
    return replace(
        person,
        force_noise_cv=0.0,
        repetition_noise_cv=0.0,
        push_cv=0.0,
        habit_cv=0.0,
        depth_sd_m=0.0,
        range_cv=0.0,
        jerk=0.0,
        partial_tendency=0.0,
        reserve_held=0.0,
        talk_after_reps=0,
        concentric_velocity_m_s=99.0,
    )


def lift_once(person: AnyLifter, rig: RigParameters | None, load_n: float, until_s: float = 30.0) -> PlantBase:
    """Plant after one attempt at ``load_n`` per cable, fresh and without random fluctuations.

    Args:
        person: of any family.
        rig: the rig; None is a plain weight.
        load_n: load per cable.
        until_s: stop at this time even if the attempt goes on.
    """
    return _lifted(_picked_up(person, free_weight(load_n) if rig is None else rig), load_n, until_s)


def _picked_up(person: AnyLifter, rig: RigParameters) -> PlantBase:
    """The person with the handle in the hands, before there is a load: the same whatever comes next."""
    plant = plant_for(at_full_effort(person), rig, np.random.default_rng(0))
    plant.start()
    plant.advance(1200)
    return plant


def _lifted(plant: PlantBase, load_n: float, until_s: float = 30.0) -> PlantBase:
    """The same plant after one attempt."""
    rig = plant.rig
    plant.command((load_n,) * rig.n_cables, rig.max_ramp_n_per_s)
    while plant.attempts_ended == 0 and not plant.done and plant.time_s < until_s:
        plant.advance(min(100, max(round((until_s - plant.time_s) * 1000.0), 1)))
    return plant


class _Attempts:
    """Single attempts of one rested person on one rig; the time without load is simulated once for all of them."""

    def __init__(self, person: AnyLifter, rig: RigParameters | None) -> None:
        self._person = person
        self._ready = None if rig is None else _picked_up(person, rig)

    def come_through(self, load_n: float) -> bool:
        """Whether a load goes up."""
        ready = _picked_up(self._person, free_weight(load_n)) if self._ready is None else self._ready.fork()
        return any(record.completed for record in _lifted(ready, load_n).truth.records)


def one_rm_n(person: AnyLifter, rig: RigParameters | None) -> float:
    """Greatest load (N per cable) that this person lifts once through the whole range, to 0.2 %.

    Found by bisection on single fresh attempts. Without a rig: a plain weight.

    Args:
        person: of any family.
        rig: None: a plain weight.

    Raises:
        ValueError: the rig's greatest load is less than the 1RM, or the person lifts nothing.
    """
    if isinstance(person, LifterParameters):
        return _compiled_one_rm_n(person, rig)
    most = _STRONGEST_N if rig is None else rig.max_load_n
    high = min(_FIRST_GUESS_N, most)
    low = 0.0
    attempts = _Attempts(person, rig)
    while attempts.come_through(high):
        if high >= most:
            raise ValueError(_too_strong(rig))
        low, high = high, min(2.0 * high, most)
    found = _bisected(attempts, low, high)
    if found <= 0.0:
        raise ValueError(f"{_name(person)} lifts nothing once; allowed: a lifter who lifts at least 1 N")
    return found


@lru_cache(maxsize=65536)
def _compiled_one_rm_n(person: LifterParameters, rig: RigParameters | None) -> float:
    high = 1.1 * person.f_max_n / (1 if rig is None else rig.n_cables)
    attempts = _Attempts(person, rig)
    if rig is not None and high > rig.max_load_n:
        high = rig.max_load_n
        if attempts.come_through(high):
            raise ValueError(_too_strong(rig))
    return _bisected(attempts, 0.0, high)


def _bisected(attempts: _Attempts, low: float, high: float) -> float:
    while high - low > _PRECISION * high and high > 1.0:
        middle = 0.5 * (low + high)
        if attempts.come_through(middle):
            low = middle
        else:
            high = middle
    return low


def velocity_at(person: AnyLifter, rig: RigParameters, load_n: float) -> float:
    """Mean concentric velocity of one fresh attempt, m/s.

    Args:
        person: of any family.
        rig: the rig.
        load_n: load, N per cable.
    """
    return lift_once(person, rig, load_n).truth.records[0].mean_velocity_m_s


def _too_strong(rig: RigParameters | None) -> str:
    most = _STRONGEST_N if rig is None else rig.max_load_n
    return f"max_load_n is {most!r}; allowed: more than this lifter's 1RM on this rig"


def _name(person: Lifter) -> str:
    return f"a lifter of type {type(person).__name__}"
