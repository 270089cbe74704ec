"""What trials say that more sets a week can add, which bounds what a session's further sets may count for.

Each further weekly set of a muscle went with an effect size greater by 0.023, that is 0.37 percentage points of growth
(meta-regression of 34 groups from 15 studies: Schoenfeld et al. 2017 J Sports Sci 35:1073-1082,
10.1080/02640414.2016.1210197, abstract read; P = 0.002). Later work on 67 studies finds the same direction with
diminishing returns (SportRxiv 2024, "The Resistance Training Dose-Response", abstract read). The simulated stimulus of
a session knows nothing of this: it adds repetition to repetition. So what an exercise does beyond its first set is
counted only as far as the upper end of the published slope allows. A bound, not an estimate.
"""

from __future__ import annotations

from typing import Final

import numpy as np

from ebbset.models.physiology.stimulus import STRAIGHT_GROWTH, FloatArray, Published

_P_002_Z: Final = 3.09
"""Standard normal quantile of a two-sided P of 0.002, from which the interval follows."""
_SLOPE: Final = 0.023
_Z95: Final = 1.96
SET_ADVANTAGE: Final = Published(
    _SLOPE,
    round(_SLOPE * (1.0 - _Z95 / _P_002_Z), 4),
    round(_SLOPE * (1.0 + _Z95 / _P_002_Z), 4),
    "one more set a week, hypertrophy: Schoenfeld et al. 2017, 10.1080/02640414.2016.1210197; interval from its P",
)
"""Standardised mean difference that one more weekly set of a muscle went with."""


def added_at_most(times_a_week: float) -> float:
    """The most that one more set in a session adds, as a share of what its first set does, at most 1.

    The upper end of the published slope over the lower end of the growth from ordinary training, for as many sets a
    week as the session is done.

    Args:
        times_a_week: how often a session like this is done in a week.
    """
    return min(times_a_week * SET_ADVANTAGE.high / STRAIGHT_GROWTH.low, 1.0)


def bounded(stimulus: FloatArray, first_set: FloatArray, times_a_week: float) -> FloatArray:
    """Stimulus of an exercise with what is beyond its first set counted only as far as the bound allows.

    Args:
        stimulus: of all its sets, in fresh repetitions at failure, any shape.
        first_set: of one straight set begun fresh, of the same shape.
        times_a_week: how often a session like this is done in a week.
    """
    beyond = np.maximum(stimulus - first_set, 0.0)
    return np.asarray(np.minimum(stimulus, first_set) + added_at_most(times_a_week) * beyond, dtype=np.float64)
