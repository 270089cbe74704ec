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
            one_rm=0.231,
            capacity=0.111,
            budget=0.2848,
            reserve=0.3162,
            early_sd=0.9,
        ),
        profile=StructuralDoubt(
            one_rm=0.2565,
            capacity=0.08111,
            budget=0.2565,
            reserve=0.01,
            early_sd=0.5,
        ),
        unknown=ExercisePrior(
            cost=0.01203,
            cost_sd=0.005996,
            bend_m_s=0.5,
            seconds_at_1_m_s=0.35,
            completes_at=0.99,
            stalls_at=0.96,
            v0_shift_m_s=-0.4205,
            v0_sd_m_s=0.336,
            v1_shift_m_s=0.001328,
            v1_sd_m_s=0.1022,
        ),
    ),
    "jointed": Judgement(
        generic=StructuralDoubt(
            one_rm=0.2081,
            capacity=0.09006,
            budget=0.152,
            reserve=0.4806,
            early_sd=1.0,
        ),
        profile=StructuralDoubt(
            one_rm=0.04329,
            capacity=0.07305,
            budget=0.152,
            reserve=0.3511,
            early_sd=0.6,
        ),
        unknown=ExercisePrior(
            cost=0.01357,
            cost_sd=0.006138,
            bend_m_s=0.5,
            seconds_at_1_m_s=0.35,
            completes_at=0.99,
            stalls_at=0.96,
            v0_shift_m_s=-0.4261,
            v0_sd_m_s=0.38,
            v1_shift_m_s=0.006055,
            v1_sd_m_s=0.1169,
        ),
    ),
    "motor_units": Judgement(
        generic=StructuralDoubt(
            one_rm=0.231,
            capacity=0.111,
            budget=0.2565,
            reserve=0.4806,
            early_sd=0.9,
        ),
        profile=StructuralDoubt(
            one_rm=0.2565,
            capacity=0.08111,
            budget=0.2565,
            reserve=0.2565,
            early_sd=0.6,
        ),
        unknown=ExercisePrior(
            cost=0.01122,
            cost_sd=0.005698,
            bend_m_s=0.5,
            seconds_at_1_m_s=0.35,
            completes_at=0.99,
            stalls_at=0.96,
            v0_shift_m_s=-0.4449,
            v0_sd_m_s=0.32,
            v1_shift_m_s=0.002522,
            v1_sd_m_s=0.1008,
        ),
    ),
    "published_statistics": Judgement(
        generic=StructuralDoubt(
            one_rm=0.231,
            capacity=0.1,
            budget=0.2565,
            reserve=0.5926,
            early_sd=1.2,
        ),
        profile=StructuralDoubt(
            one_rm=0.231,
            capacity=0.08111,
            budget=0.2565,
            reserve=0.3511,
            early_sd=0.8,
        ),
        unknown=ExercisePrior(
            cost=0.01106,
            cost_sd=0.004881,
            bend_m_s=0.5,
            seconds_at_1_m_s=0.35,
            completes_at=0.99,
            stalls_at=0.96,
            v0_shift_m_s=-0.4181,
            v0_sd_m_s=0.3126,
            v1_shift_m_s=-0.01036,
            v1_sd_m_s=0.08607,
        ),
    ),
    "velocity_line": Judgement(
        generic=StructuralDoubt(
            one_rm=0.231,
            capacity=0.1233,
            budget=0.3162,
            reserve=0.4806,
            early_sd=1.5,
        ),
        profile=StructuralDoubt(
            one_rm=0.2565,
            capacity=0.05337,
            budget=0.2565,
            reserve=0.111,
            early_sd=0.9,
        ),
        unknown=ExercisePrior(
            cost=0.01229,
            cost_sd=0.006766,
            bend_m_s=0.5,
            seconds_at_1_m_s=0.35,
            completes_at=0.99,
            stalls_at=0.96,
            v0_shift_m_s=-0.3929,
            v0_sd_m_s=0.3249,
            v1_shift_m_s=0.007094,
            v1_sd_m_s=0.1018,
        ),
    ),
}
