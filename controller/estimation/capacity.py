"""Momentary capacity of one cable's lifter: the 1RM they would have right now, its decline and its recovery.

What lives here: the estimates that are read from the filter's state (`capacity_filter`), each with its standard
deviation, which holds the filter's own uncertainty and what the errors of the model's structure add (`judgement`).
What never does: how the state moves, decisions. Plain arithmetic in a fixed order.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import sqrt
from typing import Final

from ebbset.controller.estimation.capacity_filter import COST, FRESH, MOST_RELATIVE, SHARE, V0, V1, CapacityFilter
from ebbset.controller.estimation.exercise_priors import ExercisePrior, Spread
from ebbset.controller.estimation.judgement import Judgement, with_doubt
from ebbset.controller.estimation.judgement_figures import CURRENT
from ebbset.controller.estimation.repetitions_in_reserve import RepetitionForecast, cost_at, repetitions_to_failure
from ebbset.models.contract.constants import Z_INTERVAL
from ebbset.models.contract.profile import Uncertain
from ebbset.models.physiology.load_velocity import LoadVelocityLine

_STEPS: Final[tuple[float, ...]] = (1e-3, 1e-3, 1e-4, 1e-3, 1e-3)
"""Steps of the numerical derivative, small enough that the count is linear over them."""


@dataclass(frozen=True, slots=True)
class CapacityView:
    """The estimates at one moment, as one value; ``None`` while nothing is known.

    ``budget_spent`` is the estimated loss of capacity from fresh, 0 to 1, and ``budget_sd`` its standard deviation;
    ``early_sd`` says how many of these a budget ends early.
    """

    capacity_n: float | None
    capacity_sd_n: float | None
    fresh_n: float | None
    budget_spent: float | None
    budget_sd: float | None
    early_sd: float = 0.0

    @property
    def budget_counted(self) -> float | None:
        """The loss that a budget is held against: more than the estimate, so that a doubtful one ends early."""
        if self.budget_spent is None or self.budget_sd is None:
            return self.budget_spent
        return self.budget_spent + self.early_sd * self.budget_sd


class CapacityEstimator(CapacityFilter):
    """Estimates strength in newtons at the handle, per cable; every estimate is ``None`` before the first observation.

    Args:
        line: load–velocity line of the lifter, or the exercise's generic one.
        one_rm_n: fresh 1RM from a profile, newtons; ``None``: unknown.
        exercise: its name, by which its stored prior is found.
        generic: the line is the exercise's generic one, not this person's.
        prior: exercise prior; ``None``: the stored one.
        spread: standard deviations that hold for every exercise; ``None``: the stored ones.
        judgement: how far the estimates are trusted.
    """

    def __init__(
        self,
        *,
        line: LoadVelocityLine,
        one_rm_n: Uncertain | None,
        exercise: str | None = None,
        generic: bool = False,
        prior: ExercisePrior | None = None,
        spread: Spread | None = None,
        judgement: Judgement = CURRENT,
    ) -> None:
        priors = judgement.figures.priors
        if prior is None:
            prior = priors.get(exercise or "", judgement.unknown)
        spread = spread or judgement.figures.spread
        super().__init__(line=line, one_rm_n=one_rm_n, generic=generic, prior=prior, spread=spread)
        self._structure = judgement.generic if generic else judgement.profile
        self._steps = judgement.steps
        # An exercise with figures of its own can say when a budget is spent; one that nobody described ends early.
        undescribed = exercise is not None and exercise not in priors
        self._early_sd = self._structure.early_sd if undescribed else 0.0
        # the spread of a generic line already covers this
        self._model_sd = 0.0 if generic else self._spread.profile_sd

    def view(self) -> CapacityView:
        """All current estimates as one value."""
        return CapacityView(
            self.capacity_n, self.capacity_sd_n, self.fresh_n, self.budget_spent, self.budget_sd, self._early_sd
        )

    @property
    def capacity_n(self) -> float | None:
        """Momentary 1RM, newtons."""
        return None if self._unit_n <= 0.0 else self._unit_n * self._z[FRESH] * self._z[SHARE]

    @property
    def capacity_sd_n(self) -> float | None:
        """Its standard deviation."""
        if self._unit_n <= 0.0:
            return None
        model = self._model_sd * self._z[FRESH] * self._z[SHARE]
        own = sqrt(self._capacity_var() + model * model)
        return self._unit_n * with_doubt(own, self._structure.capacity * self._z[FRESH] * self._z[SHARE])

    def _capacity_var(self) -> float:
        """Variance of capacity in the filter, in squares of its unit."""
        (f, s), p = self._z[:2], self._p
        var = s * s * p[FRESH][FRESH] + f * f * p[SHARE][SHARE] + 2.0 * f * s * p[FRESH][SHARE]
        return var if var > 0.0 else 0.0

    @property
    def fresh_n(self) -> float | None:
        """1RM of the day, unfatigued, newtons."""
        return None if self._unit_n <= 0.0 else self._unit_n * self._z[FRESH]

    @property
    def fresh_sd_n(self) -> float | None:
        """Its standard deviation."""
        own_n = self.fresh_own_sd_n
        return None if own_n is None else with_doubt(own_n, self._structure.one_rm * self._unit_n * self._z[FRESH])

    @property
    def fresh_own_sd_n(self) -> float | None:
        """The filter's part of it, by which a profile learns: a doubt that each set shares must not stop that."""
        if self._unit_n <= 0.0:
            return None
        model = self._model_sd * self._z[FRESH]
        return self._unit_n * sqrt(max(0.0, self._p[FRESH][FRESH]) + model * model)

    @property
    def budget_spent(self) -> float | None:
        """Estimated loss of capacity from fresh, 0 to 1."""
        return None if self._unit_n <= 0.0 else max(0.0, 1.0 - self._z[SHARE])

    @property
    def budget_sd(self) -> float | None:
        """Its standard deviation."""
        spent = self.budget_spent
        own = sqrt(max(0.0, self._p[SHARE][SHARE]))
        return None if spent is None else with_doubt(own, self._structure.budget * spent)

    @property
    def loss_per_repetition(self) -> float | None:
        """Fraction of the momentary capacity that the next repetition at the last load is expected to cost."""
        if self._unit_n <= 0.0:
            return None
        z, line = self._z, self._line
        relative = min(MOST_RELATIVE, self._load_n / (self._unit_n * z[FRESH] * z[SHARE]))
        v0, v1 = line.v0_m_s + z[V0], line.v_1rm_m_s + z[V1]
        return cost_at(z[COST], v0, v1, relative, self._prior)

    @property
    def repetitions_in_reserve(self) -> float | None:
        """Repetitions to failure that remain at the last load."""
        count = self._count(self._z)
        return None if count is None else max(0.0, count)

    @property
    def reserve_interval(self) -> tuple[float, float] | None:
        """80 % interval of the repetitions in reserve: the filter's uncertainty, later random variation, and the doubt.

        Errors of the line shift capacity and the load at failure alike, so the filter's part does not include them.
        """
        count = self._count(self._z)
        if count is None:
            return None
        slopes = []
        for k, step in enumerate(_STEPS):
            moved = list(self._z)
            moved[k] += step
            beside = self._count(moved)
            slopes.append(0.0 if beside is None else (beside - count) / step)
        known = 0.0
        for k in range(5):
            row = self._p[k]
            for j in range(5):
                known += slopes[k] * row[j] * slopes[j]
        ahead = count if count > 0.0 else 0.0
        chance = self._spread.share_wander * slopes[SHARE] * self._z[SHARE]
        own = sqrt((known if known > 0.0 else 0.0) + ahead * chance * chance)
        spread = Z_INTERVAL * with_doubt(own, self._structure.reserve * (1.0 + ahead))
        return max(0.0, count - spread), max(0.0, count + spread)

    @property
    def forecast(self) -> RepetitionForecast | None:
        """Forecast of the repetitions possible at any load."""
        capacity_n, z = self.capacity_n, self._z
        if capacity_n is None:
            return None
        return RepetitionForecast(capacity_n, z[COST], self._line, z[V0], z[V1], self._prior, self._steps)

    def _count(self, z: list[float]) -> float | None:
        """Repetitions left at the last load for this state; negative when none is possible any more."""
        if self._unit_n <= 0.0 or self._load_n <= 0.0:
            return None
        return repetitions_to_failure(
            self._line,
            z[COST],
            self._load_n,
            self._unit_n * z[FRESH] * z[SHARE],
            z[V0],
            z[V1],
            prior=self._prior,
        )

    def line_ends(self) -> tuple[tuple[float, float], tuple[float, float]]:
        """Both ends of this person's load–velocity line.

        Returns:
            ``((v0, sd), (v1, sd))``, m/s: the velocity at no load and where the straight line meets 1RM.
        """
        p, z = self._p, self._z
        return (
            (self._line.v0_m_s + z[V0], sqrt(max(0.0, p[V0][V0]))),
            (self._line.v_1rm_m_s + z[V1], sqrt(max(0.0, p[V1][V1]))),
        )
