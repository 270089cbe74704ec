"""The versions of how far estimates are trusted; a recording names its own.

Written by campaigns/fits/fit_judgement.py from its tuning seed; do not edit. Simulated, not measured on people.
"""

from __future__ import annotations

from typing import Final

from ebbset.controller.estimation.exercise_priors import ExercisePrior
from ebbset.controller.estimation.judgement import (
    FIRST,
    FIRST_VERSION,
    VERSION,
    Judgement,
    StructuralDoubt,
)

CURRENT: Final = Judgement(
    generic=StructuralDoubt(
        one_rm=0.2565,
        capacity=0.152,
        budget=0.5926,
        reserve=0.3162,
        early_sd=0.5,
    ),
    profile=StructuralDoubt(
        one_rm=0.1874,
        capacity=0.07305,
        budget=0.3899,
        reserve=0.2848,
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
)
JUDGEMENTS: Final = {FIRST_VERSION: FIRST, VERSION: CURRENT}
