"""Exercise priors, and the standard deviations that hold for every exercise.

Written by campaigns/fits/fit_capacity.py from the tuning seed; do not edit. Simulated, not measured on people.
"""

from __future__ import annotations

from typing import Final

from ebbset.controller.estimation.exercise_priors import ExercisePrior, Spread

EXERCISE_PRIORS: Final = {
    "bench_press": ExercisePrior(
        cost=0.01522,
        cost_sd=0.001683,
        bend_m_s=0.7341,
        seconds_at_1_m_s=0.48,
        completes_at=0.9832,
        stalls_at=0.9658,
        v0_shift_m_s=0.1308,
        v0_sd_m_s=0.1965,
        v1_shift_m_s=0.05969,
        v1_sd_m_s=0.015,
    ),
    "shoulder_press": ExercisePrior(
        cost=0.01351,
        cost_sd=0.001814,
        bend_m_s=0.1461,
        seconds_at_1_m_s=0.6563,
        completes_at=0.9891,
        stalls_at=0.9794,
        v0_shift_m_s=0.3499,
        v0_sd_m_s=0.1446,
        v1_shift_m_s=0.03229,
        v1_sd_m_s=0.02056,
    ),
    "leg_press": ExercisePrior(
        cost=0.01139,
        cost_sd=0.0009108,
        bend_m_s=4.397,
        seconds_at_1_m_s=0.1144,
        completes_at=1.008,
        stalls_at=1.028,
        v0_shift_m_s=0.01129,
        v0_sd_m_s=0.1402,
        v1_shift_m_s=0.251,
        v1_sd_m_s=0.02135,
    ),
    "row": ExercisePrior(
        cost=0.01958,
        cost_sd=0.001679,
        bend_m_s=0.707,
        seconds_at_1_m_s=0.4963,
        completes_at=0.9787,
        stalls_at=0.9535,
        v0_shift_m_s=-0.06968,
        v0_sd_m_s=0.2926,
        v1_shift_m_s=-0.01057,
        v1_sd_m_s=0.07137,
    ),
    "curl": ExercisePrior(
        cost=0.01461,
        cost_sd=0.002343,
        bend_m_s=-0.3104,
        seconds_at_1_m_s=0.5287,
        completes_at=0.9896,
        stalls_at=0.9549,
        v0_shift_m_s=0.2885,
        v0_sd_m_s=0.09803,
        v1_shift_m_s=-0.05762,
        v1_sd_m_s=0.015,
    ),
}
SPREAD: Final = Spread(
    cost_wander=0.02208,
    share_wander=0.0138,
    velocity_sd_m_s=0.03001,
    stall_sd=0.03064,
    profile_sd=0.008438,
)
