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
    """

    generic: StructuralDoubt = StructuralDoubt()
    profile: StructuralDoubt = StructuralDoubt()
    unknown: ExercisePrior = UNKNOWN
    figures: PriorFigures = field(default=FITTED, hash=False, repr=False)


def with_doubt(own_sd: float, added_sd: float) -> float:
    """Standard deviation to report.

    Args:
        own_sd: the filter's.
        added_sd: from the model's structure, in the same unit.
    """
    # the filter's own to the last bit where nothing is added, as in the first version
    return own_sd if added_sd == 0.0 else sqrt(own_sd * own_sd + added_sd * added_sd)


FIRST: Final = Judgement(figures=PriorFigures(FIRST_PRIORS, FIRST_SPREAD))
"""The first version: the model is taken at its word, and a budget is spent when half the chance says so."""
FIRST_VERSION: Final = "1"
VERSION: Final = "2"
