"""Exercise priors, and the standard deviations that hold for every exercise.

Written by campaigns/fits/fit_capacity.py from the tuning seed; do not edit. Simulated, not measured on people.
"""

from __future__ import annotations

from typing import Final

from ebbset.controller.estimation.exercise_priors import ExercisePrior, Spread

EXERCISE_PRIORS: Final = {
    "bench_press": ExercisePrior(
        cost=0.004475,
        cost_sd=0.0004049,
        bend_m_s=3.138,
        seconds_at_1_m_s=1.928,
        completes_at=0.9996,
        stalls_at=0.947,
        v0_shift_m_s=-0.002256,
        v0_sd_m_s=0.1831,
        v1_shift_m_s=0.06853,
        v1_sd_m_s=0.06872,
    ),
    "shoulder_press": ExercisePrior(
        cost=0.005793,
        cost_sd=0.0004635,
        bend_m_s=2.578,
        seconds_at_1_m_s=1.469,
        completes_at=0.997,
        stalls_at=0.9595,
        v0_shift_m_s=0.1429,
        v0_sd_m_s=0.07901,
        v1_shift_m_s=0.1017,
        v1_sd_m_s=0.09362,
    ),
    "leg_press": ExercisePrior(
        cost=0.002257,
        cost_sd=0.0001805,
        bend_m_s=8.02,
        seconds_at_1_m_s=2.231,
        completes_at=1.011,
        stalls_at=1,
        v0_shift_m_s=-0.1523,
        v0_sd_m_s=0.1243,
        v1_shift_m_s=0.2655,
        v1_sd_m_s=0.06628,
    ),
    "row": ExercisePrior(
        cost=0.01444,
        cost_sd=0.001155,
        bend_m_s=2.017,
        seconds_at_1_m_s=0.6903,
        completes_at=0.9758,
        stalls_at=0.9418,
        v0_shift_m_s=-0.07548,
        v0_sd_m_s=0.3003,
        v1_shift_m_s=-0.035,
        v1_sd_m_s=0.1348,
    ),
    "curl": ExercisePrior(
        cost=0.004496,
        cost_sd=0.0006581,
        bend_m_s=0.9223,
        seconds_at_1_m_s=2.005,
        completes_at=0.9965,
        stalls_at=0.9509,
        v0_shift_m_s=0.224,
        v0_sd_m_s=0.1947,
        v1_shift_m_s=-0.05481,
        v1_sd_m_s=0.06865,
    ),
}
SPREAD: Final = Spread(
    cost_wander=0.01128,
    share_wander=0.01428,
    velocity_sd_m_s=0.05534,
    stall_sd=0.1122,
    profile_sd=0.01656,
)
