"""How far the estimates are trusted: what errors of the model's own structure add, and when a budget counts as spent.

A filter knows how uncertain its five quantities are if its laws hold. People, and lifters of another structure, do not
keep these laws, and then its intervals are too narrow. So each reported standard deviation is the filter's own joined
by a part of the estimate itself that no observation removes. The figures are in `judgement_figures`, which
campaigns/fits/fit_judgement.py writes: conformal, over families of lifters.

A recording says by which version of the figures it was judged, so that it replays to the same bits under later ones.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from math import sqrt
from typing import Final

from ebbset.controller.estimation.exercise_prior_figures import EXERCISE_PRIORS, SPREAD
from ebbset.controller.estimation.exercise_priors import UNKNOWN, ExercisePrior, PriorFigures
from ebbset.controller.estimation.first_prior_figures import FIRST_PRIORS, FIRST_SPREAD
from ebbset.controller.estimation.second_prior_figures import SECOND_PRIORS, SECOND_SPREAD
from ebbset.controller.estimation.step_figures import STEP_FIGURES, StepFigures

FITTED: Final = PriorFigures(EXERCISE_PRIORS, SPREAD)


@dataclass(frozen=True, slots=True)
class StructuralDoubt:
    """What the errors of the model's structure add, as standard deviations that no observation removes.

    Attributes:
        one_rm: of the 1RM of the day, as a part of it.
        capacity: of the momentary 1RM, as a part of it.
        budget: of the loss of capacity, as a part of it.
        reserve: of the repetitions in reserve, as a part of one more than their count.
        early_sd: a capacity budget is spent when the estimated loss and this many of its standard deviations reach it.
    """

    one_rm: float = 0.0
    capacity: float = 0.0
    budget: float = 0.0
    reserve: float = 0.0
    early_sd: float = 0.0


@dataclass(frozen=True, slots=True)
class Judgement:
    """One version of the figures.

    Attributes:
        generic: doubt where the load–velocity line is the exercise's generic one.
        profile: doubt where a profile gives this person's line.
        unknown: prior of an exercise without one of its own, so that it holds for lifters of any structure.
        figures: priors of the exercises that have one, and the common spreads.
        steps: what steps cost anybody; ``None``: a drop is sized by the count of repetitions alone.
    """

    generic: StructuralDoubt = StructuralDoubt()
    profile: StructuralDoubt = StructuralDoubt()
    unknown: ExercisePrior = UNKNOWN
    figures: PriorFigures = field(default=FITTED, hash=False, repr=False)
    steps: StepFigures | None = field(default=STEP_FIGURES, repr=False)


def with_doubt(own_sd: float, added_sd: float) -> float:
    """Standard deviation to report.

    Args:
        own_sd: the filter's.
        added_sd: from the model's structure, in the same unit.
    """
    # the filter's own to the last bit where nothing is added, as in the first version
    return own_sd if added_sd == 0.0 else sqrt(own_sd * own_sd + added_sd * added_sd)


FIRST: Final = Judgement(figures=PriorFigures(FIRST_PRIORS, FIRST_SPREAD), steps=None)
"""The first version: the model is taken at its word, and a budget is spent when half the chance says so."""
SECOND: Final = Judgement(
    generic=StructuralDoubt(one_rm=0.231, capacity=0.111, budget=0.2848, reserve=0.5337, early_sd=1.0),
    profile=StructuralDoubt(one_rm=0.2565, capacity=0.07305, budget=0.2565, reserve=0.111, early_sd=0.6),
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
    figures=PriorFigures(SECOND_PRIORS, SECOND_SPREAD),
    steps=None,
)
"""The second: the doubt added, drops still sized by the count alone."""
FIRST_VERSION: Final = "1"
SECOND_VERSION: Final = "2"
VERSION: Final = "3"
