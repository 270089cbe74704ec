"""How far the estimates are trusted: what errors of the model's own structure add, and when a budget counts as spent.

A filter knows how uncertain its five quantities are if its laws hold. People, and lifters of another structure, do not
keep these laws, and then its intervals are too narrow. So each reported standard deviation is the filter's own, times a
figure, joined by a part of the estimate itself that no observation removes. The figures are in `judgement_figures`,
which campaigns/fits/fit_judgement.py writes: conformal, over families of lifters.

A recording says by which version of the figures it was judged, so that it replays to the same bits under later ones.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import sqrt
from typing import Final


@dataclass(frozen=True, slots=True)
class Doubt:
    """What is added to the standard deviation of one kind of estimate.

    Attributes:
        times: multiple of the filter's standard deviation.
        part: standard deviation from the model's structure, as a part of the estimate itself.
    """

    times: float = 1.0
    part: float = 0.0

    def sd(self, own_sd: float, value: float) -> float:
        """Standard deviation to report.

        Args:
            own_sd: the filter's.
            value: the estimate, in the same unit.
        """
        # exactly the filter's own, bit for bit, where nothing is added
        if self.part == 0.0:
            return self.times * own_sd
        mine, added = self.times * own_sd, self.part * value
        return sqrt(mine * mine + added * added)


@dataclass(frozen=True, slots=True)
class StructuralDoubt:
    """The doubt about each kind of estimate.

    Attributes:
        one_rm: about the 1RM of the day.
        capacity: about the momentary 1RM.
        budget: about the loss of capacity.
        reserve: about the repetitions in reserve; its part is of one repetition more than the count.
    """

    one_rm: Doubt = Doubt()
    capacity: Doubt = Doubt()
    budget: Doubt = Doubt()
    reserve: Doubt = Doubt()


@dataclass(frozen=True, slots=True)
class Judgement:
    """One version of the figures.

    Attributes:
        generic: doubt where the load–velocity line is the exercise's generic one.
        profile: doubt where a profile gives this person's line.
        early_sd: a capacity budget is spent when the estimated loss and this many of its standard deviations reach it.
    """

    generic: StructuralDoubt = StructuralDoubt()
    profile: StructuralDoubt = StructuralDoubt()
    early_sd: float = 0.0


FIRST: Final = Judgement()
"""The first version: the model is taken at its word, and a budget is spent when half the chance says so."""
FIRST_VERSION: Final = "1"
VERSION: Final = "2"
