"""Hard repetitions of one cable, weighted by the fatigue they were done in, and the worth of the last one.

Two counts that budgets can be set on; their limits are in `stop_rules`. The weights are central values of
`models.physiology.stimulus`, a hypothesis with wide error, and no claim about growth. Plain arithmetic.
"""

from __future__ import annotations

from math import sqrt
from typing import Final

from ebbset.controller.estimation.capacity_filter import decay

HARD_RESERVE: Final = 4.0
"""Repetitions in reserve up to which a repetition counts as hard; common practice, no source."""
WORTH_PER_RESERVE: Final = 0.16
"""Rate at which worth falls per repetition in reserve: central value from Refalo et al. 2023 and Sødal et al. 2023
(`models.physiology.stimulus`: 0.19 of 0.437 lost by stopping 3.5 repetitions short, by judgement)."""


class Effort:
    """Effort counts of one cable in one set."""

    __slots__ = ("first_worth", "hard_repetitions", "last_worth")

    def __init__(self) -> None:
        self.hard_repetitions = 0.0
        self.first_worth: float | None = None
        self.last_worth: float | None = None

    def repetition(self, *, reserve: float | None, spent: float | None) -> None:
        """Count one repetition; it counts for nothing when either figure is unknown.

        Args:
            reserve: repetitions in reserve when it ended.
            spent: loss of capacity from fresh, 0 to 1.
        """
        if reserve is None or spent is None or reserve > HARD_RESERVE:
            self.last_worth = None
            return
        left = 1.0 - spent
        # exponent 1.5, the middle of 0 to 3
        discount = left * sqrt(left) if left > 0.0 else 0.0
        self.hard_repetitions += discount
        self.last_worth = decay(WORTH_PER_RESERVE * reserve) * discount
        if self.first_worth is None:
            self.first_worth = self.last_worth

    @property
    def marginal(self) -> float | None:
        """Worth of the last repetition over that of the first hard one; ``None`` when the last was not hard."""
        if self.first_worth is None or self.last_worth is None or self.first_worth <= 0.0:
            return None
        return self.last_worth / self.first_worth
