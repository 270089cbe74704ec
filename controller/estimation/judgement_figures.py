"""The versions of how far estimates are trusted; a recording names its own.

Written by campaigns/fits/fit_judgement.py from its tuning seed; do not edit. Simulated, not measured on people.
"""

from __future__ import annotations

from typing import Final

from ebbset.controller.estimation.exercise_priors import ExercisePrior
from ebbset.controller.estimation.judgement import (
    FIRST,
    FIRST_VERSION,
    SECOND,
    SECOND_VERSION,
    VERSION,
    Judgement,
    StructuralDoubt,
)

CURRENT: Final = Judgement(
    generic=StructuralDoubt(
        one_rm=0.1688,
        capacity=0.111,
        budget=0.231,
        reserve=0.3162,
        early_sd=0.9,
    ),
    profile=StructuralDoubt(
        one_rm=0.1233,
        capacity=0.08111,
        budget=0.231,
        reserve=0.3162,
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
)
JUDGEMENTS: Final = {FIRST_VERSION: FIRST, SECOND_VERSION: SECOND, VERSION: CURRENT}
