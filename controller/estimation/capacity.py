"""Momentary capacity of one cable's lifter: the 1RM they would have right now, its decline and its recovery.

Estimates from load, mean velocity and stalls; takes no decisions. Plain arithmetic in a fixed order, without library
transcendentals, so that a replay gives the same bits on any machine.

Fatigue does not move the load–velocity line in relative load, so a repetition's mean velocity tells what fraction of
the momentary 1RM its load was; a stall tells it directly. An extended Kalman filter estimates five quantities together:
the fresh 1RM, the fraction of it that is left, the cost of a repetition, and this person's difference from the given
line at both ends. Errors of the line are the same in every repetition, so they affect the 1RM much more than the loss.
docs/method.md has the equations.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import sqrt
from typing import Final

from ebbset.controller.estimation.covariance import updated
from ebbset.controller.estimation.exercise_prior_figures import EXERCISE_PRIORS, SPREAD
from ebbset.controller.estimation.exercise_priors import UNKNOWN, ExercisePrior, Spread
from ebbset.controller.estimation.repetitions_in_reserve import (
    BENDS_FROM,
    RepetitionForecast,
    cost_at,
    repetition_cost,
    repetitions_to_failure,
    velocity_at,
)
from ebbset.controller.messages.estimator_state import CapacityState, Observation
from ebbset.models.contract.constants import Z_INTERVAL
from ebbset.models.contract.profile import Uncertain
from ebbset.models.contract.rig_messages import RepetitionOutcome
from ebbset.models.physiology.load_velocity import LoadVelocityLine

UNKNOWN_FRESH_SD: Final = 0.30
FAILED_M_S: Final = 0.15
FAST_PART: Final = 0.75
FAST_S: Final = 45.0
SLOW_S: Final = 400.0
RECOVERY_SD: Final = 0.25
STALE_Z: Final = 2.2
MOST_HISTORY: Final = 80
# Bounds that no set of a person reaches: they keep the arithmetic finite for any profile that the types allow.
LEAST_SHARE: Final = 0.05
MOST_RELATIVE: Final = 20.0
LEAST_VARIANCE: Final = 1e-6
WIDEST_SD: Final = 10.0

_FRESH, _SHARE, _COST, _V0, _V1 = range(5)
_STEPS: Final = (1e-3, 1e-3, 1e-4, 1e-3, 1e-3)
"""Steps of the numerical derivative, small enough that the count is linear over them."""


def decay(x: float) -> float:
    """exp(-x) for x >= 0, within 0.004, using only + * /."""
    return 1.0 / (1.0 + x * (1.0 + x * (0.5 + x * (1.0 / 6.0 + x * (1.0 / 24.0 + x * (1.0 / 120.0 + x / 720.0))))))


@dataclass(frozen=True, slots=True)
class CapacityView:
    """The estimates at one moment, as one value; ``None`` while nothing is known.

    ``budget_spent`` is the estimated loss of capacity from fresh, 0 to 1, and ``budget_sd`` its standard deviation.
    """

    capacity_n: float | None
    capacity_sd_n: float | None
    fresh_n: float | None
    budget_spent: float | None
    budget_sd: float | None


class CapacityEstimator:
    """Estimates strength in newtons at the handle, per cable; every estimate is ``None`` before the first observation.

    Args:
        line: load–velocity line of the lifter, or the exercise's generic one.
        one_rm_n: fresh 1RM from a profile, newtons; ``None``: unknown.
        exercise: its name, by which its stored prior is found.
        generic: the line is the exercise's generic one, not this person's.
        prior: exercise prior; ``None``: the stored one.
        spread: standard deviations that hold for every exercise.
    """

    def __init__(
        self,
        *,
        line: LoadVelocityLine,
        one_rm_n: Uncertain | None,
        exercise: str | None = None,
        generic: bool = False,
        prior: ExercisePrior | None = None,
        spread: Spread = SPREAD,
    ) -> None:
        self._line = line
        if prior is None:
            prior = EXERCISE_PRIORS.get(exercise or "", UNKNOWN)
        self._prior, self._spread = prior, spread
        self._shift = (prior.v0_shift_m_s, prior.v1_shift_m_s) if generic else (0.0, 0.0)
        own = (line.v0_sd_m_s, line.v_1rm_sd_m_s)
        known = (prior.v0_sd_m_s, prior.v1_sd_m_s) if generic else (None, None)
        self._line_sd = tuple(sd if told is None else told for sd, told in zip(own, known, strict=True))
        # the spread of a generic line already covers this
        self._model_sd = 0.0 if generic else spread.profile_sd
        self._profile = one_rm_n
        self._doubted = False
        self._history: list[Observation] = []
        self._forget(one_rm_n)

    def _forget(self, one_rm_n: Uncertain | None) -> None:
        """Return to what is known before a set."""
        prior = self._prior
        self._unit_n = one_rm_n.mean if one_rm_n is not None else 0.0
        self._z = [1.0, 1.0, prior.cost, *self._shift]
        self._p = [[0.0] * 5 for _ in range(5)]
        fresh_sd = one_rm_n.sd / one_rm_n.mean if one_rm_n is not None else UNKNOWN_FRESH_SD
        for k, sd in enumerate((fresh_sd, 0.0, prior.cost_sd, *self._line_sd)):
            sd = min(sd, WIDEST_SD)
            self._p[k][k] = sd * sd
        self._load_n = 0.0
        self._paid = False
        self._seen = 0

    def _doubt(self) -> None:
        """Repeat the set without the profile's 1RM when the set contradicts it."""
        if self._doubted or not self.profile_stale:
            return
        self._doubted = True
        self._forget(None)
        for seen in self._history:
            self._take(seen)

    # --- what was seen ----------------------------------------------------------------------------------------

    def repetition(
        self, *, load_n: float, mean_velocity_m_s: float, outcome: RepetitionOutcome, load_changed: bool
    ) -> None:
        """Take in one concentric. Each costs strength; only one completed at a single load gives a velocity.

        Args:
            load_n: load, newtons on this cable; the call is ignored unless it is above 0.
            mean_velocity_m_s: mean concentric velocity, m/s.
            outcome: how it ended; one that did not start is ignored.
            load_changed: the load changed during the concentric.
        """
        if load_n > 0.0 and outcome is not RepetitionOutcome.NOT_STARTED:
            self._note(Observation("repetition", load_n, mean_velocity_m_s, outcome, load_changed))

    def _repetition(self, load_n: float, mean_velocity_m_s: float, outcome: RepetitionOutcome, changed: bool) -> None:
        self._load_n = load_n
        paid, self._paid = self._paid, False
        if outcome is not RepetitionOutcome.COMPLETED or changed or mean_velocity_m_s <= 0.0:
            if self._unit_n > 0.0 and not paid:
                self._tire(FAILED_M_S, 0.5 if outcome is RepetitionOutcome.PARTIAL else 1.0)
            return
        if self._unit_n <= 0.0:
            middle = 0.5 * (self._shift[0] + self._shift[1])
            self._unit_n = load_n / self._line.relative_load(mean_velocity_m_s - middle)
        # the velocity belongs to the middle of the repetition, the estimate to its end
        self._tire(mean_velocity_m_s, 0.5)
        self._see_velocity(load_n, mean_velocity_m_s)
        self._tire(mean_velocity_m_s, 0.5)

    def stall(self, *, load_n: float) -> None:
        """Take in a stall: capacity has fallen to a little less than the load.

        Args:
            load_n: load at the stall, newtons on this cable; ignored unless above 0.
        """
        if load_n > 0.0:
            self._note(Observation("stall", load_n))

    def _stall(self, load_n: float) -> None:
        self._load_n = load_n
        if self._unit_n <= 0.0:
            self._unit_n = load_n
        if not self._paid:
            self._tire(FAILED_M_S, 0.5)
        self._paid = True
        z = self._z
        capacity_n = self._unit_n * z[_FRESH] * z[_SHARE]
        self._update(
            [self._unit_n * z[_SHARE], self._unit_n * z[_FRESH], 0.0, 0.0, 0.0],
            self._prior.stalls_at * load_n - capacity_n,
            (self._spread.stall_sd * load_n) ** 2,
        )
        self._seen += 1

    def rest(self, duration_s: float) -> None:
        """Recover: most of the loss with a half-time of about half a minute, the remainder over minutes.

        Args:
            duration_s: rest, seconds; ignored unless above 0.
        """
        if duration_s > 0.0:
            self._note(Observation("rest", duration_s))

    def _note(self, seen: Observation) -> None:
        if self._profile is not None and not self._doubted and len(self._history) < MOST_HISTORY:
            self._history.append(seen)
        self._take(seen)
        self._doubt()

    def _take(self, seen: Observation) -> None:
        if seen.kind == "repetition":
            self._repetition(seen.value, seen.velocity_m_s, seen.outcome, seen.load_changed)
        elif seen.kind == "stall":
            self._stall(seen.value)
        else:
            self._rest(seen.value)

    def _rest(self, duration_s: float) -> None:
        keep = FAST_PART * decay(duration_s / FAST_S) + (1.0 - FAST_PART) * decay(duration_s / SLOW_S)
        z, p = self._z, self._p
        back = (1.0 - z[_SHARE]) * (1.0 - keep)
        z[_SHARE] += back
        for k in range(5):
            p[_SHARE][k] *= keep
            p[k][_SHARE] *= keep
        p[_SHARE][_SHARE] += (RECOVERY_SD * back) ** 2
        self._paid = False

    def state(self) -> CapacityState:
        """Current state of the estimator, to be kept until the next set."""
        rows = tuple(tuple(row) for row in self._p)
        return CapacityState(
            self._unit_n, self._load_n, self._seen, self._doubted, tuple(self._z), rows, tuple(self._history)
        )

    def start_fatigued(self, before: CapacityState, rest_s: float) -> None:
        """Start from an earlier set's state after a rest: its fatigue, its cost per repetition, its 1RM of the day.

        Args:
            before: state at the end of the earlier set.
            rest_s: time since then, seconds.
        """
        self._unit_n, self._load_n, self._seen = before.unit_n, before.load_n, before.seen
        self._doubted, self._history = before.doubted, list(before.history)
        self._z = list(before.z)
        self._p = [list(row) for row in before.p]
        self.rest(rest_s)

    def _tire(self, velocity_m_s: float, part: float) -> None:
        """Time update over a part of a repetition: share <- share (1 - part x cost)."""
        z, p = self._z, self._p
        per_cost = part * repetition_cost(1.0, velocity_m_s, self._prior.seconds_at_1_m_s)
        keep = 1.0 - per_cost * z[_COST]
        if keep < 0.5:
            keep = 0.5
        slope = -per_cost * z[_SHARE]
        z[_SHARE] = max(LEAST_SHARE, z[_SHARE] * keep)
        for k in range(5):
            p[_SHARE][k] = keep * p[_SHARE][k] + slope * p[_COST][k]
        for k in range(5):
            p[k][_SHARE] = keep * p[k][_SHARE] + slope * p[k][_COST]
        wander = self._spread.cost_wander * z[_COST]
        p[_COST][_COST] += part * wander * wander
        p[_SHARE][_SHARE] += part * (self._spread.share_wander * z[_SHARE]) ** 2

    def _see_velocity(self, load_n: float, velocity_m_s: float) -> None:
        z, line = self._z, self._line
        v0, v1 = line.v0_m_s + z[_V0], line.v_1rm_m_s + z[_V1]
        relative = min(MOST_RELATIVE, load_n / (self._unit_n * z[_FRESH] * z[_SHARE]))
        bend = self._prior.bend_m_s
        beyond = relative - BENDS_FROM
        # loss of velocity when relative load rises by its own size
        fall = (v0 - v1 + 2.0 * bend * (beyond if beyond > 0.0 else 0.0)) * relative
        sd = (
            line.residual_sd_m_s
            if line.residual_sd_m_s < self._spread.velocity_sd_m_s
            else self._spread.velocity_sd_m_s
        )
        self._update(
            [fall / z[_FRESH], fall / z[_SHARE], 0.0, 1.0 - relative, relative],
            velocity_m_s - velocity_at(v0, v1, bend, relative),
            sd * sd,
        )
        self._seen += 1

    def _update(self, h: list[float], innovation: float, variance: float) -> None:
        """Measurement update for one scalar with this sensitivity, innovation and variance."""
        z = self._z
        total, gain, self._p = updated(self._p, h, max(variance, LEAST_VARIANCE))
        # an innovation is capped at three standard deviations, since a lifter may hold back on a repetition
        most = 3.0 * sqrt(total)
        if innovation > most:
            innovation = most
        elif innovation < -most:
            innovation = -most
        for k in range(5):
            z[k] += gain[k] * innovation
        z[_FRESH] = min(5.0, max(0.1, z[_FRESH]))
        z[_SHARE] = min(1.0, max(LEAST_SHARE, z[_SHARE]))
        z[_COST] = min(0.08, max(0.002, z[_COST]))
        z[_V0] = min(0.6, max(-0.6, z[_V0]))
        z[_V1] = min(0.3, max(-0.6 * self._line.v_1rm_m_s, z[_V1]))

    # --- what is estimated ------------------------------------------------------------------------------------

    def view(self) -> CapacityView:
        """All current estimates as one value."""
        return CapacityView(self.capacity_n, self.capacity_sd_n, self.fresh_n, self.budget_spent, self.budget_sd)

    @property
    def capacity_n(self) -> float | None:
        """Momentary 1RM, newtons."""
        return None if self._unit_n <= 0.0 else self._unit_n * self._z[_FRESH] * self._z[_SHARE]

    @property
    def capacity_sd_n(self) -> float | None:
        """Its standard deviation."""
        if self._unit_n <= 0.0:
            return None
        model = self._model_sd * self._z[_FRESH] * self._z[_SHARE]
        return self._unit_n * sqrt(self._capacity_var() + model * model)

    def _capacity_var(self) -> float:
        """Variance of capacity in the filter, in squares of its unit."""
        (f, s), p = self._z[:2], self._p
        var = s * s * p[_FRESH][_FRESH] + f * f * p[_SHARE][_SHARE] + 2.0 * f * s * p[_FRESH][_SHARE]
        return var if var > 0.0 else 0.0

    @property
    def fresh_n(self) -> float | None:
        """1RM of the day, unfatigued, newtons."""
        return None if self._unit_n <= 0.0 else self._unit_n * self._z[_FRESH]

    @property
    def fresh_sd_n(self) -> float | None:
        """Its standard deviation."""
        if self._unit_n <= 0.0:
            return None
        model = self._model_sd * self._z[_FRESH]
        return self._unit_n * sqrt(max(0.0, self._p[_FRESH][_FRESH]) + model * model)

    @property
    def budget_spent(self) -> float | None:
        """Estimated loss of capacity from fresh, 0 to 1."""
        return None if self._unit_n <= 0.0 else max(0.0, 1.0 - self._z[_SHARE])

    @property
    def budget_sd(self) -> float | None:
        """Its standard deviation."""
        return None if self._unit_n <= 0.0 else sqrt(max(0.0, self._p[_SHARE][_SHARE]))

    @property
    def loss_per_repetition(self) -> float | None:
        """Fraction of the momentary capacity that the next repetition at the last load is expected to cost."""
        if self._unit_n <= 0.0:
            return None
        z, line = self._z, self._line
        relative = min(MOST_RELATIVE, self._load_n / (self._unit_n * z[_FRESH] * z[_SHARE]))
        v0, v1 = line.v0_m_s + z[_V0], line.v_1rm_m_s + z[_V1]
        return cost_at(z[_COST], v0, v1, relative, self._prior)

    @property
    def repetitions_in_reserve(self) -> float | None:
        """Repetitions to failure that remain at the last load."""
        count = self._count(self._z)
        return None if count is None else max(0.0, count)

    @property
    def reserve_interval(self) -> tuple[float, float] | None:
        """80 % interval of the repetitions in reserve, from the filter's uncertainty and later random variation.

        Errors of the line shift capacity and the load at failure alike, so they are not included.
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
        chance = self._spread.share_wander * slopes[_SHARE] * self._z[_SHARE]
        spread = Z_INTERVAL * sqrt((known if known > 0.0 else 0.0) + ahead * chance * chance)
        return max(0.0, count - spread), max(0.0, count + spread)

    @property
    def forecast(self) -> RepetitionForecast | None:
        """Forecast of the repetitions possible at any load."""
        capacity_n, z = self.capacity_n, self._z
        if capacity_n is None:
            return None
        return RepetitionForecast(capacity_n, z[_COST], self._line, z[_V0], z[_V1], self._prior)

    def _count(self, z: list[float]) -> float | None:
        """Repetitions left at the last load for this state; negative when none is possible any more."""
        if self._unit_n <= 0.0 or self._load_n <= 0.0:
            return None
        return repetitions_to_failure(
            self._line,
            z[_COST],
            self._load_n,
            self._unit_n * z[_FRESH] * z[_SHARE],
            z[_V0],
            z[_V1],
            prior=self._prior,
        )

    @property
    def seen(self) -> int:
        """Number of velocities and stalls taken in."""
        return self._seen

    def line_ends(self) -> tuple[tuple[float, float], tuple[float, float]]:
        """Both ends of this person's load–velocity line.

        Returns:
            ``((v0, sd), (v1, sd))``, m/s: the velocity at no load and where the straight line meets 1RM.
        """
        p, z = self._p, self._z
        return (
            (self._line.v0_m_s + z[_V0], sqrt(max(0.0, p[_V0][_V0]))),
            (self._line.v_1rm_m_s + z[_V1], sqrt(max(0.0, p[_V1][_V1]))),
        )

    @property
    def profile_stale(self) -> bool:
        """Whether the set's 1RM differs from the profile's by more than both uncertainties allow."""
        profile = self._profile
        if self._doubted:
            return True
        if profile is None or self._seen < 3:
            return False
        off = self._unit_n * self._z[_FRESH] - profile.mean
        # what the filter has learned beyond the profile: the reduction in variance
        relative_sd = min(profile.sd / profile.mean, WIDEST_SD)
        before = relative_sd * relative_sd
        learned = before - self._p[_FRESH][_FRESH]
        return learned > 0.0 and off * off > STALE_Z * STALE_Z * learned * profile.mean * profile.mean
