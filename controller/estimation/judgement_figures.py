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
        one_rm=0.231,
        capacity=0.111,
        budget=0.2848,
        reserve=0.5337,
        early_sd=1.0,
    ),
    profile=StructuralDoubt(
        one_rm=0.2565,
        capacity=0.07305,
        budget=0.2565,
        reserve=0.111,
        early_sd=0.6,
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
)
JUDGEMENTS: Final = {FIRST_VERSION: FIRST, VERSION: CURRENT}
