"""How far estimates are trusted by figures fitted without a family, to judge it by.

Written by campaigns/fits/fit_judgement.py from its tuning seed; do not edit. Simulated, not measured on people.
The exercise priors (`exercise_prior_figures`) were fitted on the compiled family alone, so it is never wholly left out.
"""

from __future__ import annotations

from typing import Final

from ebbset.controller.estimation.exercise_priors import ExercisePrior
from ebbset.controller.estimation.judgement import Judgement, StructuralDoubt

LEFT_OUT: Final = {
    "compiled_muscle": Judgement(
        generic=StructuralDoubt(
            one_rm=0.2565,
            capacity=0.1369,
            budget=0.6579,
            reserve=0.3162,
            early_sd=0.6,
        ),
        profile=StructuralDoubt(
            one_rm=0.1874,
            capacity=0.06579,
            budget=0.4329,
            reserve=0.01,
            early_sd=0.3,
        ),
        unknown=ExercisePrior(
            cost=0.01207,
            cost_sd=0.005847,
            bend_m_s=0.5,
            seconds_at_1_m_s=0.35,
            completes_at=0.99,
            stalls_at=0.96,
            v0_shift_m_s=-0.4457,
            v0_sd_m_s=0.3211,
            v1_shift_m_s=-0.002769,
            v1_sd_m_s=0.09424,
        ),
    ),
    "jointed": Judgement(
        generic=StructuralDoubt(
            one_rm=0.231,
            capacity=0.152,
            budget=0.4806,
            reserve=0.4329,
            early_sd=0.6,
        ),
        profile=StructuralDoubt(
            one_rm=0.1688,
            capacity=0.07305,
            budget=0.3899,
            reserve=0.2565,
            early_sd=0.3,
        ),
        unknown=ExercisePrior(
            cost=0.01323,
            cost_sd=0.006336,
            bend_m_s=0.5,
            seconds_at_1_m_s=0.35,
            completes_at=0.99,
            stalls_at=0.96,
            v0_shift_m_s=-0.4559,
            v0_sd_m_s=0.3632,
            v1_shift_m_s=6.573e-05,
            v1_sd_m_s=0.1077,
        ),
    ),
    "motor_units": Judgement(
        generic=StructuralDoubt(
            one_rm=0.2565,
            capacity=0.152,
            budget=0.4329,
            reserve=0.2848,
            early_sd=0.5,
        ),
        profile=StructuralDoubt(
            one_rm=0.1874,
            capacity=0.07305,
            budget=0.3899,
            reserve=0.2565,
            early_sd=0.2,
        ),
        unknown=ExercisePrior(
            cost=0.01151,
            cost_sd=0.005415,
            bend_m_s=0.5,
            seconds_at_1_m_s=0.35,
            completes_at=0.99,
            stalls_at=0.96,
            v0_shift_m_s=-0.4651,
            v0_sd_m_s=0.3102,
            v1_shift_m_s=-0.002502,
            v1_sd_m_s=0.08962,
        ),
    ),
    "published_statistics": Judgement(
        generic=StructuralDoubt(
            one_rm=0.2565,
            capacity=0.1,
            budget=0.6579,
            reserve=0.8111,
            early_sd=0.4,
        ),
        profile=StructuralDoubt(
            one_rm=0.1874,
            capacity=0.07305,
            budget=0.3899,
            reserve=0.5337,
            early_sd=0.3,
        ),
        unknown=ExercisePrior(
            cost=0.01109,
            cost_sd=0.004583,
            bend_m_s=0.5,
            seconds_at_1_m_s=0.35,
            completes_at=0.99,
            stalls_at=0.96,
            v0_shift_m_s=-0.447,
            v0_sd_m_s=0.2937,
            v1_shift_m_s=-0.01029,
            v1_sd_m_s=0.08585,
        ),
    ),
    "velocity_line": Judgement(
        generic=StructuralDoubt(
            one_rm=0.2565,
            capacity=0.152,
            budget=0.6579,
            reserve=0.2848,
            early_sd=0.6,
        ),
        profile=StructuralDoubt(
            one_rm=0.1874,
            capacity=0.06579,
            budget=0.4329,
            reserve=0.2565,
            early_sd=0.3,
        ),
        unknown=ExercisePrior(
            cost=0.01246,
            cost_sd=0.006593,
            bend_m_s=0.5,
            seconds_at_1_m_s=0.35,
            completes_at=0.99,
            stalls_at=0.96,
            v0_shift_m_s=-0.4147,
            v0_sd_m_s=0.3106,
            v1_shift_m_s=0.001651,
            v1_sd_m_s=0.09186,
        ),
    ),
}
