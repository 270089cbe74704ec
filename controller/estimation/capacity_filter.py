"""The filter behind the capacity estimates: what load, mean velocity and stalls do to five quantities of one cable.

What lives here: the state and how it moves. What never does: what is read from it (`capacity`), decisions. Plain
arithmetic in a fixed order, without library transcendentals, so that a replay gives the same bits on any machine.

Fatigue does not move the load–velocity line in relative load, so a repetition's mean velocity tells what fraction of
the momentary 1RM its load was; a stall tells it directly. An extended Kalman filter estimates five quantities together:
the fresh 1RM, the fraction of it that is left, the cost of a repetition, and this person's difference from the given
line at both ends. Errors of the line are the same in every repetition, so they affect the 1RM much more than the loss.
docs/method.md has the equations.
"""

from __future__ import annotations

from math import sqrt
from typing import Final

from ebbset.controller.estimation.covariance import updated
from ebbset.controller.estimation.exercise_priors import ExercisePrior, Spread
from ebbset.controller.estimation.repetitions_in_reserve import BENDS_FROM, repetition_cost, velocity_at
from ebbset.controller.messages.estimator_state import CapacityState, Observation
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
LEASTSHARE: Final = 0.05
MOST_RELATIVE: Final = 20.0
LEAST_VARIANCE: Final = 1e-6
WIDEST_SD: Final = 10.0

FRESH, SHARE, COST, V0, V1 = range(5)
"""Places of the five quantities in the state."""


def decay(x: float) -> float:
    """exp(-x) for x >= 0, within 0.004, using only + * /."""
    return 1.0 / (1.0 + x * (1.0 + x * (0.5 + x * (1.0 / 6.0 + x * (1.0 / 24.0 + x * (1.0 / 120.0 + x / 720.0))))))


class CapacityFilter:
    """Takes in repetitions, stalls and rests of one cable, and keeps the state that the estimates are read from.

    Args:
        line: load–velocity line of the lifter, or the exercise's generic one.
        one_rm_n: fresh 1RM from a profile, newtons; ``None``: unknown.
        generic: the line is the exercise's generic one, not this person's.
        prior: exercise prior.
        spread: standard deviations that hold for every exercise.
    """

    def __init__(
        self,
        *,
        line: LoadVelocityLine,
        one_rm_n: Uncertain | None,
        generic: bool,
        prior: ExercisePrior,
        spread: Spread,
    ) -> None:
        self._line = line
        self._prior, self._spread = prior, spread
        self._shift = (prior.v0_shift_m_s, prior.v1_shift_m_s) if generic else (0.0, 0.0)
        own = (line.v0_sd_m_s, line.v_1rm_sd_m_s)
        known = (prior.v0_sd_m_s, prior.v1_sd_m_s) if generic else (None, None)
        self._line_sd = tuple(sd if told is None else told for sd, told in zip(own, known, strict=True))
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
        capacity_n = self._unit_n * z[FRESH] * z[SHARE]
        self._update(
            [self._unit_n * z[SHARE], self._unit_n * z[FRESH], 0.0, 0.0, 0.0],
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
        back = (1.0 - z[SHARE]) * (1.0 - keep)
        z[SHARE] += back
        for k in range(5):
            p[SHARE][k] *= keep
            p[k][SHARE] *= keep
        p[SHARE][SHARE] += (RECOVERY_SD * back) ** 2
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
        keep = 1.0 - per_cost * z[COST]
        if keep < 0.5:
            keep = 0.5
        slope = -per_cost * z[SHARE]
        z[SHARE] = max(LEASTSHARE, z[SHARE] * keep)
        for k in range(5):
            p[SHARE][k] = keep * p[SHARE][k] + slope * p[COST][k]
        for k in range(5):
            p[k][SHARE] = keep * p[k][SHARE] + slope * p[k][COST]
        wander = self._spread.cost_wander * z[COST]
        p[COST][COST] += part * wander * wander
        p[SHARE][SHARE] += part * (self._spread.share_wander * z[SHARE]) ** 2

    def _see_velocity(self, load_n: float, velocity_m_s: float) -> None:
        z, line = self._z, self._line
        v0, v1 = line.v0_m_s + z[V0], line.v_1rm_m_s + z[V1]
        relative = min(MOST_RELATIVE, load_n / (self._unit_n * z[FRESH] * z[SHARE]))
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
            [fall / z[FRESH], fall / z[SHARE], 0.0, 1.0 - relative, relative],
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
        z[FRESH] = min(5.0, max(0.1, z[FRESH]))
        z[SHARE] = min(1.0, max(LEASTSHARE, z[SHARE]))
        z[COST] = min(0.08, max(0.002, z[COST]))
        z[V0] = min(0.6, max(-0.6, z[V0]))
        z[V1] = min(0.3, max(-0.6 * self._line.v_1rm_m_s, z[V1]))

    @property
    def seen(self) -> int:
        """Number of velocities and stalls taken in."""
        return self._seen

    @property
    def profile_stale(self) -> bool:
        """Whether the set's 1RM differs from the profile's by more than both uncertainties allow."""
        profile = self._profile
        if self._doubted:
            return True
        if profile is None or self._seen < 3:
            return False
        off = self._unit_n * self._z[FRESH] - profile.mean
        # what the filter has learned beyond the profile: the reduction in variance
        relative_sd = min(profile.sd / profile.mean, WIDEST_SD)
        before = relative_sd * relative_sd
        learned = before - self._p[FRESH][FRESH]
        return learned > 0.0 and off * off > STALE_Z * STALE_Z * learned * profile.mean * profile.mean
