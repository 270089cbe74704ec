"""Sets to failure of lifters of any structure with a plain weight, as in the published tests of endurance."""

from __future__ import annotations

import numpy as np

from ebbset.simulators.lifter.protocol import Lifter
from ebbset.simulators.plant.plugged_plant import PluggedPlant
from ebbset.simulators.plant.rig_parameters import free_weight
from ebbset.simulators.plant.truth import Truth


def set_to_failure(lifter: Lifter, load_n: float, until_s: float = 200.0) -> Truth:
    """What was done with a plain weight until the lifter ended.

    Args:
        lifter: the person.
        load_n: the weight.
        until_s: at the latest.
    """
    plant = PluggedPlant(free_weight(load_n), lifter, np.random.default_rng(1))
    plant.start()
    plant.advance(1200)
    plant.command((load_n,), load_n)
    while not plant.done and plant.time_s < until_s:
        plant.advance(100)
    return plant.truth
