"""Whether an estimator's state that an event brings from an earlier set can be one: what an embedding kept may not be.

What lives here: bounds of every figure and of the covariance. What never does: what the figures mean (`capacity`).
"""

from __future__ import annotations

from typing import Final

from ebbset.controller.estimation.covariance import is_covariance
from ebbset.controller.messages.estimator_state import CapacityState, Observation

QUANTITIES: Final = 5
LEAST_UNIT_N: Final = 1.0
MOST_UNIT_N: Final = 1e6
"""A strength far from any person's; between them the arithmetic stays finite."""
MOST_FIGURE: Final = 10.0
"""Each quantity is near 1 or below it, and so is its standard deviation."""
MOST_SEEN: Final = 10**6
MOST_LOAD_N: Final = 1e5
LONGEST_REST_S: Final = 1e6
MOST_VELOCITY_M_S: Final = 12.0


def is_sound_state(state: CapacityState) -> bool:
    """Every figure is within what an estimator can hold, and the covariance is one."""
    p = [list(row) for row in state.p]
    if len(state.z) != QUANTITIES or len(p) != QUANTITIES or any(len(row) != QUANTITIES for row in p):
        return False
    if not (state.unit_n == 0.0 or LEAST_UNIT_N <= state.unit_n <= MOST_UNIT_N):
        return False
    if not (0.0 <= state.load_n <= MOST_LOAD_N and 0 <= state.seen <= MOST_SEEN):
        return False
    if not all(-MOST_FIGURE <= value <= MOST_FIGURE for value in state.z) or min(state.z[:3]) <= 0.0:
        return False
    if not all(abs(value) <= MOST_FIGURE * MOST_FIGURE for row in p for value in row) or not is_covariance(p):
        return False
    return all(map(_is_sound_observation, state.history))


def _is_sound_observation(seen: Observation) -> bool:
    most = LONGEST_REST_S if seen.kind == "rest" else MOST_LOAD_N
    return 0.0 <= seen.value <= most and -MOST_VELOCITY_M_S <= seen.velocity_m_s <= MOST_VELOCITY_M_S
