"""What a step between two stalls costs people of any structure, and how fast one person's own steps are believed.

The count of `repetitions_in_reserve` follows one structure and an exercise's prior; lifters of another structure do
fewer repetitions than it says, and many of them none. What their steps have in common is here.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import sqrt
from typing import Final


@dataclass(frozen=True, slots=True)
class StepFigures:
    """Figures by which a drop is sized for repetitions wanted.

    Attributes:
        loss_per_repetition: by how much a step's load must lie below the one that stalled for each repetition, as a
            fraction of that load.
        beside: repetitions that a step costs beside those completed, such as the one that fails at its end.
    """

    loss_per_repetition: float
    beside: float

    def drop_for(self, repetitions: float, counted: float, own: float) -> float:
        """Drop that gives this many repetitions, as a fraction of the load that stalled.

        Args:
            repetitions: wanted, more than 0.
            counted: drop that the estimates alone would ask for, in the same unit; may be below 0.
            own: this person's loss over that of others, see `learned`.
        """
        usual = self.loss_per_repetition * (repetitions + self.beside)
        least = LEAST_COUNTED * usual
        # half each in proportion: the estimates know exercise and person, and people of any structure lose about this
        return own * sqrt(usual * (counted if counted > least else least))

    def learned(self, own: float, wanted: float, done: int) -> float:
        """This person's loss over that of others, after one more step.

        Args:
            own: before it.
            wanted: repetitions for which its drop was sized.
            done: repetitions that it gave.
        """
        seen = own * sqrt((wanted + self.beside) / (done + self.beside))
        return min(MOST_OWN, max(LEAST_OWN, seen))


STEP_FIGURES: Final = StepFigures(loss_per_repetition=0.034, beside=0.7)
"""Set on closed-loop sets of all five families of lifters (tuning seeds 501 and 601 to 603) so that steps give about
the repetitions wanted; simulated, not measured on people."""
LEAST_COUNTED: Final = 0.2
"""Estimates that see no need of a drop after a stall are wrong by as much as this at least."""
LEAST_OWN: Final = 0.5
MOST_OWN: Final = 2.5
