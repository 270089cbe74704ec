"""What is told of an estimate: every figure of one moment with the two ends of its interval.

What lives here: one way from an estimator to what goes into a record, on the wire and into an evaluation. What never
does: the estimates and their uncertainty (`capacity`). Plain arithmetic.
"""

from __future__ import annotations

from dataclasses import dataclass

from ebbset.controller.estimation.capacity import CapacityEstimator
from ebbset.controller.messages.actions import RepetitionRecord
from ebbset.models.contract.constants import Z_INTERVAL


@dataclass(frozen=True, slots=True)
class EstimatedFigure:
    """One estimated figure with its interval of `INTERVAL_COVERAGE`; all ``None`` while nothing is known."""

    value: float | None = None
    low: float | None = None
    high: float | None = None

    def holds(self, truth: float) -> bool:
        """Whether the interval contains a value.

        Args:
            truth: the value, in the estimate's unit.

        Returns:
            False too while nothing is known.
        """
        return self.low is not None and self.high is not None and self.low <= truth <= self.high


@dataclass(frozen=True, slots=True)
class Estimates:
    """What is estimated of one cable's lifter at one moment.

    Attributes:
        one_rm_n: 1RM of the day, unfatigued.
        capacity_n: momentary 1RM.
        reserve: repetitions left at the last load until one fails.
        budget_spent: loss of capacity from fresh, 0 to 1.
    """

    one_rm_n: EstimatedFigure
    capacity_n: EstimatedFigure
    reserve: EstimatedFigure
    budget_spent: EstimatedFigure


def estimates_of(capacity: CapacityEstimator) -> Estimates:
    """Every estimate of this moment with its interval.

    Args:
        capacity: of one cable.
    """
    reserve = capacity.reserve_interval
    return Estimates(
        one_rm_n=_estimate(capacity.fresh_n, capacity.fresh_sd_n),
        capacity_n=_estimate(capacity.capacity_n, capacity.capacity_sd_n),
        reserve=EstimatedFigure() if reserve is None else EstimatedFigure(capacity.repetitions_in_reserve, *reserve),
        budget_spent=_estimate(capacity.budget_spent, capacity.budget_sd, most=1.0),
    )


def told_in(record: RepetitionRecord) -> Estimates:
    """The estimates that a record of a repetition bears.

    Args:
        record: as the controller wrote it; what its version did not know is ``None``.
    """
    return Estimates(
        one_rm_n=EstimatedFigure(record.one_rm_n, record.one_rm_low_n, record.one_rm_high_n),
        capacity_n=EstimatedFigure(record.capacity_n, record.capacity_low_n, record.capacity_high_n),
        reserve=EstimatedFigure(
            record.repetitions_in_reserve, record.repetitions_in_reserve_low, record.repetitions_in_reserve_high
        ),
        budget_spent=EstimatedFigure(record.budget_spent, record.budget_spent_low, record.budget_spent_high),
    )


def _estimate(value: float | None, sd: float | None, *, most: float | None = None) -> EstimatedFigure:
    """A figure that is never below zero, with its interval."""
    if value is None or sd is None:
        return EstimatedFigure()
    low, high = value - Z_INTERVAL * sd, value + Z_INTERVAL * sd
    return EstimatedFigure(value, low if low > 0.0 else 0.0, high if most is None or high < most else most)
