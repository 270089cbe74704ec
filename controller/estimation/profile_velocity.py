"""The velocity at which a person lifts a 1RM, from a profile, for whoever shows it to people.

A profile holds where the straight part of the line would meet 1RM, since the estimator bends the line by itself.
"""

from __future__ import annotations

from ebbset.controller.estimation.exercise_prior_figures import EXERCISE_PRIORS
from ebbset.controller.estimation.exercise_priors import UNKNOWN
from ebbset.controller.estimation.repetitions_in_reserve import velocity_at
from ebbset.models.contract.profile import BOUNDS, LifterProfile, Uncertain


def velocity_at_one_rm(profile: LifterProfile) -> Uncertain:
    """Mean concentric velocity at 1RM, with the bend of the exercise, m/s.

    Args:
        profile: the lifter's.
    """
    bend_m_s = EXERCISE_PRIORS.get(profile.exercise, UNKNOWN).bend_m_s
    end = profile.velocity_at_1rm_m_s
    bent_m_s = velocity_at(profile.velocity_at_zero_m_s.mean, end.mean, bend_m_s, 1.0)
    return Uncertain(mean=max(bent_m_s, BOUNDS["velocity_at_1rm_m_s"].least), sd=end.sd)
