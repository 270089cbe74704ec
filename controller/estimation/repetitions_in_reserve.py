"""Velocity of a repetition at a relative load, what it costs, and how many of them a capacity still allows.

What lives here: these three laws, and a repetition forecast that holds what they need. What never does: the capacity
itself and how sure the count is (`capacity`), what is usual in an exercise (`exercise_priors`), decisions. Plain
arithmetic in a fixed order.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from ebbset.controller.estimation.exercise_priors import UNKNOWN, ExercisePrior
from ebbset.models.physiology.load_velocity import LoadVelocityLine

SLOWEST_M_S: Final = 0.10
MOST_RESERVE: Final = 60
HALVINGS: Final = 11
BENDS_FROM: Final = 0.8
"""Up to this part of the momentary 1RM velocity falls in a straight line with load; beyond it may bend."""


def velocity_at(v0_m_s: float, v1_m_s: float, bend_m_s: float, relative: float) -> float:
    """Mean velocity at a load given as part of the momentary 1RM; ``v1_m_s`` is where the straight part would end."""
    beyond = relative - BENDS_FROM
    straight = v0_m_s - (v0_m_s - v1_m_s) * relative
    return straight - bend_m_s * beyond * beyond if beyond > 0.0 else straight


def repetition_cost(cost: float, velocity_m_s: float, seconds_at_1_m_s: float) -> float:
    """Part of capacity that a repetition at this mean velocity takes; ``cost`` is that of a very fast one."""
    v = velocity_m_s if velocity_m_s > SLOWEST_M_S else SLOWEST_M_S
    return cost * (1.0 + seconds_at_1_m_s / v)


def cost_at(cost: float, v0_m_s: float, v1_m_s: float, relative: float, typical: ExercisePrior) -> float:
    """Part of capacity that a repetition at a load takes.

    Args:
        cost: part that a very fast one takes.
        v0_m_s: velocity at no load, m/s.
        v1_m_s: velocity where the straight part would meet 1RM, m/s.
        relative: load as part of the momentary 1RM.
        typical: prior of the exercise.
    """
    return repetition_cost(cost, velocity_at(v0_m_s, v1_m_s, typical.bend_m_s, relative), typical.seconds_at_1_m_s)


def repetitions_to_failure(
    line: LoadVelocityLine,
    cost: float,
    load_n: float,
    capacity_n: float,
    v0_off: float = 0.0,
    v1_off: float = 0.0,
    *,
    typical: ExercisePrior = UNKNOWN,
) -> float:
    """Repetitions that a capacity allows at a load, as the middle of what whole repetitions come to.

    A repetition begun with just enough still comes through, so the count is half a repetition more than the capacity
    divided into costs; under the load it falls through zero, and below it says by how many repetitions too late it is.

    Args:
        line: load–velocity line.
        cost: part of capacity that a very fast repetition costs; slower ones cost more.
        load_n: load.
        capacity_n: momentary 1RM before the first of them.
        v0_off: this person's difference from the line at no load, m/s.
        v1_off: and at 1RM, m/s.
        typical: what is typical of the exercise.
    """
    v0, v1 = line.v0_m_s + v0_off, line.v_1rm_m_s + v1_off
    least_n = typical.completes_at * load_n
    for done in range(MOST_RESERVE):
        v = velocity_at(v0, v1, typical.bend_m_s, load_n / capacity_n) if capacity_n > 0.0 else 0.0
        after_n = capacity_n * (1.0 - repetition_cost(cost, v, typical.seconds_at_1_m_s))
        if after_n < least_n:
            spare = (capacity_n - least_n) / (capacity_n - after_n) if capacity_n > after_n else 0.0
            return done + 0.5 + spare
        capacity_n = after_n
    return float(MOST_RESERVE)


@dataclass(frozen=True, slots=True)
class RepetitionForecast:
    """What one lifter could do next at any load, as far as it is known at one moment.

    Attributes:
        capacity_n: momentary 1RM.
        cost: part of capacity that a very fast repetition takes.
        line: load–velocity line.
        v0_off_m_s: this person's difference from it at no load.
        v1_off_m_s: and at 1RM.
        typical: what is typical of the exercise.
    """

    capacity_n: float
    cost: float
    line: LoadVelocityLine
    v0_off_m_s: float = 0.0
    v1_off_m_s: float = 0.0
    typical: ExercisePrior = UNKNOWN

    def repetitions_at(self, load_n: float) -> float:
        """Repetitions to failure at this load, the middle of what whole ones come to; not under 0, not over 60.

        Raises:
            ValueError: the load is not above zero.
        """
        if not load_n > 0.0:
            raise ValueError(f"load_n is {load_n!r}; allowed: more than 0")
        count = repetitions_to_failure(
            self.line,
            self.cost,
            load_n,
            self.capacity_n,
            self.v0_off_m_s,
            self.v1_off_m_s,
            typical=self.typical,
        )
        return count if count > 0.0 else 0.0

    def load_for(self, repetitions: float) -> float:
        """The load at which this many repetitions are left, newtons, to a thousandth of the capacity.

        Args:
            repetitions: more than 0; the least load that is looked at is a tenth of the capacity.
        """
        low_n, high_n = 0.1 * self.capacity_n, 1.1 * self.capacity_n
        for _ in range(HALVINGS):
            middle_n = 0.5 * (low_n + high_n)
            if self.repetitions_at(middle_n) >= repetitions:
                low_n = middle_n
            else:
                high_n = middle_n
        return low_n
