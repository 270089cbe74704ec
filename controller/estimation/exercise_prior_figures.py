"""Exercise priors, and the standard deviations that hold for every exercise.

Written by campaigns/fits/fit_capacity.py from the tuning seed; do not edit. Simulated, not measured on people.
"""

from __future__ import annotations

from typing import Final

from ebbset.controller.estimation.exercise_priors import ExercisePrior, Spread

EXERCISE_PRIORS: Final = {
    "bench_press": ExercisePrior(
        cost=0.005219,
        cost_sd=0.0004175,
        bend_m_s=3.891,
        seconds_at_1_m_s=1.758,
        completes_at=0.9937,
        stalls_at=0.9732,
        v0_shift_m_s=0.1513,
        v0_sd_m_s=0.06028,
        v1_shift_m_s=0.07288,
        v1_sd_m_s=0.01853,
    ),
    "shoulder_press": ExercisePrior(
        cost=0.009267,
        cost_sd=0.0007414,
        bend_m_s=2.952,
        seconds_at_1_m_s=0.9459,
        completes_at=0.9905,
        stalls_at=0.9736,
        v0_shift_m_s=0.4179,
        v0_sd_m_s=0.08225,
        v1_shift_m_s=0.06602,
        v1_sd_m_s=0.02121,
    ),
    "leg_press": ExercisePrior(
        cost=0.002242,
        cost_sd=0.0001794,
        bend_m_s=11.03,
        seconds_at_1_m_s=2.846,
        completes_at=1.013,
        stalls_at=1.004,
        v0_shift_m_s=-0.06821,
        v0_sd_m_s=0.008895,
        v1_shift_m_s=0.278,
        v1_sd_m_s=0.0289,
    ),
    "row": ExercisePrior(
        cost=0.006021,
        cost_sd=0.0004817,
        bend_m_s=3.949,
        seconds_at_1_m_s=2.472,
        completes_at=0.9877,
        stalls_at=0.948,
        v0_shift_m_s=-0.08109,
        v0_sd_m_s=0.3386,
        v1_shift_m_s=0.05462,
        v1_sd_m_s=0.1252,
    ),
    "curl": ExercisePrior(
        cost=0.0105,
        cost_sd=0.0009886,
        bend_m_s=1.293,
        seconds_at_1_m_s=0.7702,
        completes_at=0.9897,
        stalls_at=0.9585,
        v0_shift_m_s=0.3888,
        v0_sd_m_s=0.0756,
        v1_shift_m_s=-0.05309,
        v1_sd_m_s=0.01546,
    ),
}
SPREAD: Final = Spread(
    cost_wander=0.006136,
    share_wander=0.006875,
    velocity_sd_m_s=0.02366,
    stall_sd=0.06308,
    profile_sd=0.0003125,
)
