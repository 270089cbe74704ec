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
            one_rm=0.1874,
            capacity=0.111,
            budget=0.2565,
            reserve=0.111,
            early_sd=0.8,
        ),
        profile=StructuralDoubt(
            one_rm=0.1233,
            capacity=0.09006,
            budget=0.2565,
            reserve=0.111,
            early_sd=0.4,
        ),
        unknown=ExercisePrior(
            cost=0.01265,
            cost_sd=0.005363,
            bend_m_s=0.5,
            seconds_at_1_m_s=0.35,
            completes_at=0.99,
            stalls_at=0.96,
            v0_shift_m_s=-0.4055,
            v0_sd_m_s=0.3647,
            v1_shift_m_s=0.007686,
            v1_sd_m_s=0.1232,
        ),
    ),
    "jointed": Judgement(
        generic=StructuralDoubt(
            one_rm=0.1369,
            capacity=0.1,
            budget=0.1874,
            reserve=0.3162,
            early_sd=0.7,
        ),
        profile=StructuralDoubt(
            one_rm=0.05926,
            capacity=0.09006,
            budget=0.1874,
            reserve=0.3162,
            early_sd=0.3,
        ),
        unknown=ExercisePrior(
            cost=0.01347,
            cost_sd=0.005399,
            bend_m_s=0.5,
            seconds_at_1_m_s=0.35,
            completes_at=0.99,
            stalls_at=0.96,
            v0_shift_m_s=-0.4352,
            v0_sd_m_s=0.4086,
            v1_shift_m_s=0.004754,
            v1_sd_m_s=0.1349,
        ),
    ),
    "motor_units": Judgement(
        generic=StructuralDoubt(
            one_rm=0.1369,
            capacity=0.111,
            budget=0.231,
            reserve=0.3899,
            early_sd=0.9,
        ),
        profile=StructuralDoubt(
            one_rm=0.1233,
            capacity=0.08111,
            budget=0.231,
            reserve=0.3162,
            early_sd=0.5,
        ),
        unknown=ExercisePrior(
            cost=0.01238,
            cost_sd=0.005036,
            bend_m_s=0.5,
            seconds_at_1_m_s=0.35,
            completes_at=0.99,
            stalls_at=0.96,
            v0_shift_m_s=-0.4186,
            v0_sd_m_s=0.3533,
            v1_shift_m_s=0.003982,
            v1_sd_m_s=0.1142,
        ),
    ),
    "published_statistics": Judgement(
        generic=StructuralDoubt(
            one_rm=0.1688,
            capacity=0.111,
            budget=0.231,
            reserve=0.3162,
            early_sd=0.9,
        ),
        profile=StructuralDoubt(
            one_rm=0.1233,
            capacity=0.09006,
            budget=0.231,
            reserve=0.3162,
            early_sd=0.4,
        ),
        unknown=ExercisePrior(
            cost=0.01223,
            cost_sd=0.005317,
            bend_m_s=0.5,
            seconds_at_1_m_s=0.35,
            completes_at=0.99,
            stalls_at=0.96,
            v0_shift_m_s=-0.3937,
            v0_sd_m_s=0.3472,
            v1_shift_m_s=0.00569,
            v1_sd_m_s=0.1139,
        ),
    ),
    "velocity_line": Judgement(
        generic=StructuralDoubt(
            one_rm=0.1874,
            capacity=0.1,
            budget=0.2565,
            reserve=0.2565,
            early_sd=1.2,
        ),
        profile=StructuralDoubt(
            one_rm=0.06579,
            capacity=0.06579,
            budget=0.2565,
            reserve=0.2565,
            early_sd=0.7,
        ),
        unknown=ExercisePrior(
            cost=0.01252,
            cost_sd=0.005596,
            bend_m_s=0.5,
            seconds_at_1_m_s=0.35,
            completes_at=0.99,
            stalls_at=0.96,
            v0_shift_m_s=-0.3745,
            v0_sd_m_s=0.3426,
            v1_shift_m_s=0.01632,
            v1_sd_m_s=0.1279,
        ),
    ),
}
