"""Exercise priors: what is expected of people in an exercise before anything is known of this person.

The figures are in `exercise_prior_figures`, which campaigns/fits/fit_capacity.py writes.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final


@dataclass(frozen=True, slots=True)
class ExercisePrior:
    """The prior of one exercise.

    Attributes:
        cost: fraction of capacity that a very fast repetition costs.
        cost_sd: standard deviation of ``cost`` between people.
        bend_m_s: near 1RM, velocity lies below the straight line by this x (relative load - 0.8) squared.
        seconds_at_1_m_s: a repetition costs cost x (1 + this / mean velocity).
        completes_at: least capacity, as a fraction of the load, with which an attempt is still completed.
        stalls_at: capacity after an attempt has stalled, as a fraction of the load.
        v0_shift_m_s: difference of a motor from the generic line in the velocity at no load.
        v0_sd_m_s: standard deviation of that velocity between people; ``None``: that of the line.
        v1_shift_m_s: the same at 1RM. Published lines were measured with weights, whose inertia slows an ascent.
        v1_sd_m_s: standard deviation of that velocity between people; ``None``: that of the line.
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
    """Standard deviations that are the same for all exercises.

    Attributes:
        cost_wander: of the cost from one repetition to the next, as a fraction of it.
        share_wander: of the loss by one repetition, as a fraction of capacity.
        velocity_sd_m_s: of a repetition's mean velocity about this person's line.
        stall_sd: of the capacity at which an attempt stalls, as a fraction of the load.
        profile_sd: model error of line and cost law when a profile gives the line, as a fraction of capacity.
    """

    cost_wander: float
    share_wander: float
    velocity_sd_m_s: float
    stall_sd: float
    profile_sd: float


@dataclass(frozen=True, slots=True)
class PriorFigures:
    """All that was fitted for exercises, as one version.

    Attributes:
        priors: exercise -> prior.
        spread: standard deviations that hold for every exercise.
    """

    priors: Mapping[str, ExercisePrior]
    spread: Spread


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
"""The prior of an exercise without figures: a judgement from the exercises that have them."""
