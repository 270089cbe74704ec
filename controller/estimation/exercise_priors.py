"""What is typical of people in an exercise, where nothing is known of this person yet: what the figures mean.

The figures themselves are in `typical_figures`, which campaigns/fits/fit_capacity.py writes.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final


@dataclass(frozen=True, slots=True)
class ExercisePrior:
    """One exercise.

    Attributes:
        cost: part of capacity that a very fast repetition takes.
        cost_sd: its spread between people.
        bend_m_s: near 1RM velocity lies under the straight line by this x (relative load - 0.8) squared.
        seconds_at_1_m_s: a repetition costs cost x (1 + this / mean velocity).
        completes_at: an attempt begun with this part of the load as capacity just comes through.
        stalls_at: the part of the load that capacity has come down to when an attempt has stalled.
        v0_shift_m_s: how much faster than the generic line no load is lifted on a motor.
        v0_sd_m_s: its spread between people; ``None``: that of the line.
        v1_shift_m_s: the same at 1RM. Published lines were measured on weights, whose inertia slows an ascent.
        v1_sd_m_s: its spread between people; ``None``: that of the line.
    """

    cost: float
    cost_sd: float
    bend_m_s: float
    seconds_at_1_m_s: float
    completes_at: float
    stalls_at: float
    v0_shift_m_s: float
    v0_sd_m_s: float | None
    v1_shift_m_s: float
    v1_sd_m_s: float | None


@dataclass(frozen=True, slots=True)
class Spread:
    """How far single things stray, the same for all exercises.

    Attributes:
        cost_wander: of the cost, from one repetition to the next, as a part of it.
        share_wander: of what a repetition takes, as a part of capacity.
        velocity_sd_m_s: of a repetition's mean velocity about this person's line.
        stall_sd: of the capacity at which an attempt stalls, as a part of the load.
        profile_sd: what line and cost law leave out when a profile gives the line, as a part of capacity.
    """

    cost_wander: float
    share_wander: float
    velocity_sd_m_s: float
    stall_sd: float
    profile_sd: float


UNKNOWN: Final = ExercisePrior(
    cost=0.015,
    cost_sd=0.006,
    bend_m_s=0.5,
    seconds_at_1_m_s=0.35,
    completes_at=0.99,
    stalls_at=0.96,
    v0_shift_m_s=0.0,
    v0_sd_m_s=None,
    v1_shift_m_s=0.0,
    v1_sd_m_s=None,
)
"""An exercise that nothing is known of; a judgement from those that are."""
