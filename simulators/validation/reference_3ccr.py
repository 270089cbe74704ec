"""The 3CC-r fatigue law held against traces that somebody else's code made.

The stored traces come from the ``CumulativeFatigue`` class of the myosuite package (Apache-2.0, the MyoSuite authors);
``campaigns.references.myosuite_traces`` fetches that package, runs it and stores them in ``data/reference_3ccr.csv``,
so that ``ebbset validate`` can compare without a network.
"""

from __future__ import annotations

from importlib import resources
from typing import Final

import numpy as np
import numpy.typing as npt

from ebbset.models.physiology.fatigue import three_compartment_rates

FloatArray = npt.NDArray[np.float64]

MYOSUITE: Final = "3.0.0"
ROWS: Final = ("Shoulder", "Knee", "Elbow", "Default")
"""Rows of myosuite's table of constants that are compared."""
SCHEDULE: Final = (
    (0.7, 20.0),
    (0.0, 30.0),
    (0.4, 60.0),
    (0.0, 15.0),
    (1.0, 20.0),
    (0.2, 40.0),
    (0.0, 90.0),
    (0.55, 45.0),
)
"""Targets (share of maximum) and how long each is asked for, s: held, rested, beyond exhaustion."""
STEP_S: Final = 0.01
EVERY: Final = 100


def targets() -> FloatArray:
    """Target of every step of the schedule."""
    return np.concatenate([np.full(round(seconds / STEP_S), level) for level, seconds in SCHEDULE])


def _rates(
    active: float, fatigued: float, level: float, fatigue: float, recovery: float, rest: float
) -> tuple[float, float]:
    rates = three_compartment_rates(
        active, fatigued, 0.0, 0.0, level, fatigue, recovery, rest, 0.0, 0.0, 0.0, 0.0, 0.0, 50.0, 50.0, 1.0
    )
    return rates[0], rates[1]


def own_trace(constants: FloatArray) -> FloatArray:
    """The same schedule through ``three_compartment_rates``, explicit midpoint, same shape as the reference."""
    schedule = targets()
    states = np.zeros((schedule.size // EVERY, len(constants), 2))
    for row, (fatigue, recovery, rest) in enumerate(constants):
        active, fatigued = 0.0, 0.0
        for k, level in enumerate(schedule, start=1):
            a, f = _rates(active, fatigued, level, fatigue, recovery, rest)
            a, f = _rates(active + 0.5 * STEP_S * a, fatigued + 0.5 * STEP_S * f, level, fatigue, recovery, rest)
            active, fatigued = active + STEP_S * a, fatigued + STEP_S * f
            if k % EVERY == 0:
                states[k // EVERY - 1, row] = active, fatigued
    return states


def stored_trace() -> tuple[FloatArray, FloatArray]:
    """Constants and states that ``--write`` stored, in the shapes of ``reference_trace``."""
    path = resources.files("ebbset.simulators.validation").joinpath("data/reference_3ccr.csv")
    with path.open(encoding="utf-8") as file:
        table = np.loadtxt(file, delimiter=",", comments="#")
    return table[:3].reshape(3, -1, 2)[:, :, 0].T, table[3:].reshape(table.shape[0] - 3, -1, 2)
