"""The speed a person aims for on the way to a place, compiled for the loop and used by every other lifter too."""

from __future__ import annotations

import math

from ebbset.simulators.lifter import layout as lay
from ebbset.simulators.lifter.compiled import compiled


@compiled
def planned_velocity_m_s(distance_m: float, limit_m_s: float, braking_m_s2: float) -> float:
    """Speed a person aims for at a distance from the goal: as fast as can still be braked, gently at the end.

    Args:
        distance_m: to the goal, signed, m.
        limit_m_s: fastest speed, m/s.
        braking_m_s2: deceleration planned, m/s².
    """
    k = lay.POSITION_GAIN_PER_S
    knee = braking_m_s2 / (k * k)
    d = abs(distance_m)
    speed = k * d if d < knee else math.sqrt(2.0 * braking_m_s2 * (d - 0.5 * knee))
    speed = min(speed, limit_m_s)
    return speed if distance_m >= 0.0 else -speed
