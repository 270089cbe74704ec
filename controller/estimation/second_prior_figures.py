"""Exercise priors of the second version, by which its recordings replay; `fit_capacity` begins its search with them."""

from __future__ import annotations

from typing import Final

from ebbset.controller.estimation.exercise_priors import ExercisePrior, Spread

SECOND_PRIORS: Final = {
    "bench_press": ExercisePrior(
        cost=0.004835,
        cost_sd=0.0004471,
        bend_m_s=2.925,
        seconds_at_1_m_s=1.67,
        completes_at=1.001,
        stalls_at=0.9622,
        v0_shift_m_s=-0.1133,
        v0_sd_m_s=0.1368,
        v1_shift_m_s=0.08533,
        v1_sd_m_s=0.06086,
    ),
    "shoulder_press": ExercisePrior(
        cost=0.005577,
        cost_sd=0.0004461,
        bend_m_s=2.331,
        seconds_at_1_m_s=1.495,
        completes_at=1.006,
        stalls_at=0.9603,
        v0_shift_m_s=0.1165,
        v0_sd_m_s=0.1117,
        v1_shift_m_s=0.1039,
        v1_sd_m_s=0.09417,
    ),
    "leg_press": ExercisePrior(
        cost=0.002471,
        cost_sd=0.0001977,
        bend_m_s=7.624,
        seconds_at_1_m_s=1.89,
        completes_at=1.018,
        stalls_at=0.9973,
        v0_shift_m_s=-0.1631,
        v0_sd_m_s=0.1719,
        v1_shift_m_s=0.2806,
        v1_sd_m_s=0.06848,
    ),
    "row": ExercisePrior(
        cost=0.01528,
        cost_sd=0.001294,
        bend_m_s=1.899,
        seconds_at_1_m_s=0.6152,
        completes_at=0.9768,
        stalls_at=0.9441,
        v0_shift_m_s=-0.1141,
        v0_sd_m_s=0.3187,
        v1_shift_m_s=-0.06496,
        v1_sd_m_s=0.1303,
    ),
    "curl": ExercisePrior(
        cost=0.00438,
        cost_sd=0.0004989,
        bend_m_s=0.6811,
        seconds_at_1_m_s=1.79,
        completes_at=1.004,
        stalls_at=0.9583,
        v0_shift_m_s=0.1176,
        v0_sd_m_s=0.1408,
        v1_shift_m_s=-0.03521,
        v1_sd_m_s=0.06755,
    ),
}
SECOND_SPREAD: Final = Spread(
    cost_wander=0.008848,
    share_wander=0.01432,
    velocity_sd_m_s=0.05192,
    stall_sd=0.1411,
    profile_sd=0.01531,
)
