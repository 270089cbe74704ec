"""Lifts of lifters of any structure with a plain weight, as in the published tests of strength and endurance."""

from __future__ import annotations

import numpy as np

from ebbset.simulators.lifter.protocol import Lifter
from ebbset.simulators.rig.plugged_plant import PluggedPlant
from ebbset.simulators.rig.rig_parameters import free_weight
from ebbset.simulators.rig.truth import RepetitionTruth


def lift(lifter: Lifter, load_n: float, *, attempts: int | None = None, until_s: float = 150.0) -> PluggedPlant:
    """Plant after a set with a plain weight.

    Args:
        lifter: the person.
        load_n: the weight.
        attempts: end after so many; None: when the lifter ends.
        until_s: at the latest.
    """
    plant = PluggedPlant(free_weight(load_n), lifter, np.random.default_rng(1), dt_s=0.0015)
    plant.start()
    plant.advance(800)
    plant.command((load_n,), load_n)
    while not plant.done and plant.time_s < until_s and (attempts is None or plant.attempts_ended < attempts):
        plant.advance(40)
    return plant


def strongest_lift(lifter: Lifter, upper_n: float = 1600.0) -> tuple[float, RepetitionTruth]:
    """1RM to 2 %, and the lift.

    Args:
        lifter: the person.
        upper_n: more than the 1RM.
    """
    tested = lifter.at_full_effort()
    low, high, best = 0.0, upper_n, None
    while high - low > 0.02 * high:
        middle = 0.5 * (low + high)
        records = lift(tested, middle, attempts=1, until_s=20.0).truth.records
        if records and records[0].completed:
            low, best = middle, records[0]
        else:
            high = middle
    assert best is not None
    return low, best
