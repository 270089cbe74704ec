"""Repetitions in reserve: velocity at a relative load, the cost of a repetition, and how many a capacity still allows.

Holds these three laws and a forecast with the values they need. The capacity itself and the uncertainty of the count
are in `capacity`, the figures of each exercise in `exercise_priors`. Plain arithmetic in a fixed order.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from ebbset.controller.estimation.exercise_priors import UNKNOWN, ExercisePrior
from ebbset.controller.estimation.step_figures import StepFigures
from ebbset.models.physiology.load_velocity import LoadVelocityLine

SLOWEST_M_S: Final = 0.10
MOST_RESERVE: Final = 60
HALVINGS: Final = 11
BENDS_FROM: Final = 0.8
"""Velocity is linear in load up to this fraction of the momentary 1RM; beyond it the line may bend."""


def velocity_at(v0_m_s: float, v1_m_s: float, bend_m_s: float, relative: float) -> float:
    """Mean concentric velocity at a relative load, m/s.

    Args:
        v0_m_s: velocity at no load, m/s.
        v1_m_s: velocity where the straight part would meet 1RM, m/s.
        bend_m_s: fall below the straight part beyond `BENDS_FROM`, m/s per square of relative load.
        relative: load as a fraction of the momentary 1RM.
    """
    beyond = relative - BENDS_FROM
    straight = v0_m_s - (v0_m_s - v1_m_s) * relative
    return straight - bend_m_s * beyond * beyond if beyond > 0.0 else straight


def repetition_cost(cost: float, velocity_m_s: float, seconds_at_1_m_s: float) -> float:
    """Fraction of capacity that a repetition costs.

    Args:
        cost: fraction that a very fast repetition costs.
        velocity_m_s: its mean velocity, m/s; anything below `SLOWEST_M_S` counts as that.
        seconds_at_1_m_s: ``seconds_at_1_m_s`` of the exercise prior.
    """
    v = velocity_m_s if velocity_m_s > SLOWEST_M_S else SLOWEST_M_S
    return cost * (1.0 + seconds_at_1_m_s / v)


def cost_at(cost: float, v0_m_s: float, v1_m_s: float, relative: float, prior: ExercisePrior) -> float:
    """Fraction of capacity that a repetition at a load costs.

    Args:
        cost: fraction that a very fast repetition costs.
        v0_m_s: velocity at no load, m/s.
        v1_m_s: velocity where the straight part would meet 1RM, m/s.
        relative: load as a fraction of the momentary 1RM.
        prior: exercise prior.
    """
    return repetition_cost(cost, velocity_at(v0_m_s, v1_m_s, prior.bend_m_s, relative), prior.seconds_at_1_m_s)


def repetitions_to_failure(
    line: LoadVelocityLine,
    cost: float,
    load_n: float,
    capacity_n: float,
    v0_off: float = 0.0,
    v1_off: float = 0.0,
    *,
    prior: ExercisePrior = UNKNOWN,
) -> float:
    """Repetitions to failure that a capacity allows at a load, as the midpoint of the possible whole counts.

    A repetition begun with just enough capacity is still completed, so the count is half a repetition more than
    capacity divided by cost. A negative count says how many repetitions ago the load became too heavy.

    Args:
        line: load–velocity line.
        cost: fraction of capacity that a very fast repetition costs; slower ones cost more.
        load_n: load, newtons.
        capacity_n: momentary 1RM before the first repetition, newtons.
        v0_off: this person's difference from the line at no load, m/s.
        v1_off: this person's difference from the line at 1RM, m/s.
        prior: exercise prior.

    Returns:
        The count, at most `MOST_RESERVE`.
    """
    v0, v1 = line.v0_m_s + v0_off, line.v_1rm_m_s + v1_off
    least_n = prior.completes_at * load_n
    for done in range(MOST_RESERVE):
        v = velocity_at(v0, v1, prior.bend_m_s, load_n / capacity_n) if capacity_n > 0.0 else 0.0
        after_n = capacity_n * (1.0 - repetition_cost(cost, v, prior.seconds_at_1_m_s))
        if after_n < least_n:
            spare = (capacity_n - least_n) / (capacity_n - after_n) if capacity_n > after_n else 0.0
            return done + 0.5 + spare
        capacity_n = after_n
    return float(MOST_RESERVE)


@dataclass(frozen=True, slots=True)
class RepetitionForecast:
    """What one lifter could do next at any load, by the estimates of one moment.

    Attributes:
        capacity_n: momentary 1RM, newtons.
        cost: fraction of capacity that a very fast repetition costs.
        line: load–velocity line.
        v0_off_m_s: this person's difference from the line at no load, m/s.
        v1_off_m_s: this person's difference from the line at 1RM, m/s.
        prior: exercise prior.
        steps: what steps cost anybody; ``None``: not asked.
    """

    capacity_n: float
    cost: float
    line: LoadVelocityLine
    v0_off_m_s: float = 0.0
    v1_off_m_s: float = 0.0
    prior: ExercisePrior = UNKNOWN
    steps: StepFigures | None = None

    def repetitions_at(self, load_n: float) -> float:
        """Repetitions to failure at this load, 0 to 60.

        Args:
            load_n: load, newtons.

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
            prior=self.prior,
        )
        return count if count > 0.0 else 0.0

    def load_for(self, repetitions: float) -> float:
        """The load that leaves this many repetitions, to a thousandth of the capacity.

        Args:
            repetitions: repetitions to failure wanted, more than 0.

        Returns:
            Newtons, from 0.1 to 1.1 times the capacity.

        Raises:
            ValueError: the capacity is not above zero.
        """
        low_n, high_n = 0.1 * self.capacity_n, 1.1 * self.capacity_n
        for _ in range(HALVINGS):
            middle_n = 0.5 * (low_n + high_n)
            if self.repetitions_at(middle_n) >= repetitions:
                low_n = middle_n
            else:
                high_n = middle_n
        return low_n
