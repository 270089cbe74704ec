"""Momentary capacity of one cable's lifter: the 1RM that they would have right now, its decline and its recovery.

What lives here: estimation from load, mean velocity and stalls. What never does: decisions. Plain arithmetic in a
fixed order (no library transcendental), so that a replay gives the same bits on any machine.

Idea. The load–velocity line in relative load keeps its place under fatigue, so a repetition's mean velocity says which
part of the momentary 1RM its load was; a stall says it outright. Five quantities are estimated together by an extended
Kalman filter: the fresh 1RM, the part of it that is left, what a repetition costs, and by how much this person's line
differs from the given one at both ends. Errors of the line are the same in every repetition, so they blur the 1RM and
hardly the loss. docs/method.md has the equations.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import sqrt
from typing import Final, Literal

from ebbset.models.profile import Uncertain
from ebbset.models.velocity import LoadVelocityLine
from ebbset.models.wire import RepetitionOutcome

# Fitted on tuning seeds of the simulator, in the order of magnitude that sets to failure show.
COST: Final = 0.012
COST_SD: Final = 0.006
COSTS: Final = {
    "bench_press": (0.012, 0.0035),
    "shoulder_press": (0.0125, 0.0035),
    "leg_press": (0.006, 0.002),
    "row": (0.016, 0.005),
    "curl": (0.0125, 0.004),
}
"""Cost and its spread between people by exercise: part of capacity lost by a very fast repetition, in the simulator."""
RIG_SHIFT_M_S: Final = {
    "bench_press": 0.07,
    "shoulder_press": 0.11,
    "leg_press": 0.175,
    "row": -0.04,
    "curl": 0.04,
}
"""How much faster than the generic line the simulator's rig is lifted at the same relative load. Published lines were
measured on weights, whose inertia slows an ascent, and a motor has little of it; for the row and the curl the line
itself is from memory. Used for generic lines alone: a profile needs none."""
SECONDS_AT_1_M_S: Final = 0.41
"""A repetition costs COST x (1 + this / mean velocity): a part for the lowering, the rest for time under effort."""
SLOWEST_M_S: Final = 0.10
FAILED_M_S: Final = 0.15
COST_WANDER: Final = 0.074
SHARE_WANDER: Final = 0.02
WITHIN_SET_SD_M_S: Final = 0.032
STALL_SD: Final = 0.077
UNKNOWN_FRESH_SD: Final = 0.30
FAST_PART: Final = 0.75
FAST_S: Final = 45.0
SLOW_S: Final = 400.0
RECOVERY_SD: Final = 0.25
MODEL_SD: Final = 0.016
"""What the straight line and the cost law leave out, as part of capacity; no amount of repetitions averages it away."""
COMPLETES_AT: Final = 0.99
"""An attempt begun with this part of the load as capacity just comes through."""
Z_80: Final = 1.2816
STALE_Z: Final = 2.2
MOST_HISTORY: Final = 80
MOST_RESERVE: Final = 60

_FRESH, _SHARE, _COST, _V0, _V1 = range(5)


def decay(x: float) -> float:
    """exp(-x) for x >= 0 within 0.004, from + * / alone."""
    return 1.0 / (1.0 + x * (1.0 + x * (0.5 + x * (1.0 / 6.0 + x * (1.0 / 24.0 + x * (1.0 / 120.0 + x / 720.0))))))


@dataclass(frozen=True, slots=True)
class _Seen:
    """Something that was seen, kept so that a set can be gone through again without a profile that misleads."""

    kind: Literal["repetition", "stall", "rest"]
    value: float
    velocity_m_s: float = 0.0
    outcome: RepetitionOutcome = RepetitionOutcome.FAILED
    load_changed: bool = False


class CapacityEstimator:
    """Estimates in newtons at the handle, per cable; ``None`` before anything was seen.

    Args:
        line: load–velocity line of the lifter, or the exercise's generic one.
        one_rm_n: fresh 1RM from a profile.
        exercise: its name, for what a repetition of it typically costs.
        generic: the line is the exercise's generic one, not this person's.
    """

    def __init__(
        self,
        *,
        line: LoadVelocityLine,
        one_rm_n: Uncertain | None,
        exercise: str | None = None,
        generic: bool = False,
    ) -> None:
        self._line = line
        self._shift = RIG_SHIFT_M_S.get(exercise or "", 0.0) if generic else 0.0
        # the spread of a generic line is wide enough to hold this too
        self._model_sd = 0.0 if generic else MODEL_SD
        self._typical = COSTS.get(exercise or "", (COST, COST_SD))
        self._profile = one_rm_n
        self._doubted = False
        self._history: list[_Seen] = []
        self._forget(one_rm_n)

    def _forget(self, one_rm_n: Uncertain | None) -> None:
        """Back to what is known before a set."""
        line = self._line
        self._unit_n = one_rm_n.mean if one_rm_n is not None else 0.0
        cost, cost_sd = self._typical
        self._z = [1.0, 1.0, cost, self._shift, self._shift]
        self._p = [[0.0] * 5 for _ in range(5)]
        fresh_sd = one_rm_n.sd / one_rm_n.mean if one_rm_n is not None else UNKNOWN_FRESH_SD
        for k, sd in enumerate((fresh_sd, 0.0, cost_sd, line.v0_sd_m_s, line.v_1rm_sd_m_s)):
            self._p[k][k] = sd * sd
        self._load_n = 0.0
        self._paid = False
        self._seen = 0

    def _doubt(self) -> None:
        """The profile's 1RM does not fit what was seen: go through the set again without it."""
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
        """One concentric. Only a completed one at one load tells the velocity at that load; each costs strength."""
        if load_n > 0.0 and outcome is not RepetitionOutcome.NOT_STARTED:
            self._note(_Seen("repetition", load_n, mean_velocity_m_s, outcome, load_changed))

    def _repetition(self, load_n: float, mean_velocity_m_s: float, outcome: RepetitionOutcome, changed: bool) -> None:
        self._load_n = load_n
        paid, self._paid = self._paid, False
        if outcome is not RepetitionOutcome.COMPLETED or changed or mean_velocity_m_s <= 0.0:
            if self._unit_n > 0.0 and not paid:
                self._tire(FAILED_M_S, 0.5 if outcome is RepetitionOutcome.PARTIAL else 1.0)
            return
        if self._unit_n <= 0.0:
            self._unit_n = load_n / self._line.relative_load(mean_velocity_m_s - self._shift)
        # the velocity belongs to the middle of the repetition, the estimate to its end
        self._tire(mean_velocity_m_s, 0.5)
        self._see_velocity(load_n, mean_velocity_m_s)
        self._tire(mean_velocity_m_s, 0.5)

    def stall(self, *, load_n: float, force_n: float | None, position_fraction: float | None) -> None:
        """The load could no longer be moved: capacity was under it when the attempt began, by less than one cost."""
        if load_n > 0.0:
            self._note(_Seen("stall", load_n))

    def _stall(self, load_n: float) -> None:
        self._load_n = load_n
        if self._unit_n <= 0.0:
            self._unit_n = load_n
        cost = self._cost(FAILED_M_S)
        if not self._paid:
            self._tire(FAILED_M_S, 0.5)
        self._paid = True
        z = self._z
        expected_n = COMPLETES_AT * load_n * (1.0 - cost)
        capacity_n = self._unit_n * z[_FRESH] * z[_SHARE]
        self._update(
            [self._unit_n * z[_SHARE], self._unit_n * z[_FRESH], 0.0, 0.0, 0.0],
            expected_n - capacity_n,
            (STALL_SD * load_n) ** 2 + (0.3 * cost * load_n) ** 2,
        )
        self._seen += 1

    def rest(self, duration_s: float) -> None:
        """Rest: most of what was lost comes back with a half-time of about half a minute, the rest in minutes."""
        if duration_s > 0.0:
            self._note(_Seen("rest", duration_s))

    def _note(self, seen: _Seen) -> None:
        if self._profile is not None and not self._doubted and len(self._history) < MOST_HISTORY:
            self._history.append(seen)
        self._take(seen)
        self._doubt()

    def _take(self, seen: _Seen) -> None:
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

    def begin_tired(self, before: CapacityEstimator, rest_s: float) -> None:
        """Take over what an earlier set left, after this much rest: fatigue, its cost, and the 1RM of the day."""
        self._unit_n, self._load_n, self._seen = before._unit_n, before._load_n, before._seen
        self._doubted, self._history = before._doubted, list(before._history)
        self._z = list(before._z)
        self._p = [list(row) for row in before._p]
        self.rest(rest_s)

    def _cost(self, velocity_m_s: float) -> float:
        v = velocity_m_s if velocity_m_s > SLOWEST_M_S else SLOWEST_M_S
        return self._z[_COST] * (1.0 + SECONDS_AT_1_M_S / v)

    def _tire(self, velocity_m_s: float, part: float) -> None:
        """Time update over a part of a repetition: share <- share (1 - part x cost)."""
        z, p = self._z, self._p
        v = velocity_m_s if velocity_m_s > SLOWEST_M_S else SLOWEST_M_S
        per_cost = part * (1.0 + SECONDS_AT_1_M_S / v)
        keep = 1.0 - per_cost * z[_COST]
        if keep < 0.5:
            keep = 0.5
        slope = -per_cost * z[_SHARE]
        z[_SHARE] *= keep
        for k in range(5):
            p[_SHARE][k] = keep * p[_SHARE][k] + slope * p[_COST][k]
        for k in range(5):
            p[k][_SHARE] = keep * p[k][_SHARE] + slope * p[k][_COST]
        wander = COST_WANDER * z[_COST]
        p[_COST][_COST] += part * wander * wander
        p[_SHARE][_SHARE] += part * (SHARE_WANDER * z[_SHARE]) ** 2

    def _see_velocity(self, load_n: float, velocity_m_s: float) -> None:
        z, line = self._z, self._line
        v0, v1 = line.v0_m_s + z[_V0], line.v_1rm_m_s + z[_V1]
        relative = load_n / (self._unit_n * z[_FRESH] * z[_SHARE])
        span = (v0 - v1) * relative
        sd = line.residual_sd_m_s if line.residual_sd_m_s < WITHIN_SET_SD_M_S else WITHIN_SET_SD_M_S
        self._update(
            [span / z[_FRESH], span / z[_SHARE], 0.0, 1.0 - relative, relative],
            velocity_m_s - (v0 - span),
            sd * sd,
        )
        self._seen += 1

    def _update(self, h: list[float], innovation: float, variance: float) -> None:
        """Measurement update for one scalar seen with this sensitivity, surprise and variance."""
        p, z = self._p, self._z
        ph = [row[0] * h[0] + row[1] * h[1] + row[2] * h[2] + row[3] * h[3] + row[4] * h[4] for row in p]
        total = variance + h[0] * ph[0] + h[1] * ph[1] + h[2] * ph[2] + h[3] * ph[3] + h[4] * ph[4]
        # a surprise beyond three standard deviations is not believed in full: a repetition not meant in earnest
        most = 3.0 * sqrt(total)
        if innovation > most:
            innovation = most
        elif innovation < -most:
            innovation = -most
        for k in range(5):
            gain = ph[k] / total
            z[k] += gain * innovation
            row = p[k]
            for j in range(5):
                row[j] -= gain * ph[j]
        z[_FRESH] = min(5.0, max(0.1, z[_FRESH]))
        z[_SHARE] = min(1.0, max(0.05, z[_SHARE]))
        z[_COST] = min(0.08, max(0.002, z[_COST]))
        z[_V0] = min(0.6, max(-0.6, z[_V0]))
        z[_V1] = min(0.3, max(-0.6 * self._line.v_1rm_m_s, z[_V1]))

    # --- what is estimated ------------------------------------------------------------------------------------

    @property
    def capacity_n(self) -> float | None:
        """Momentary 1RM."""
        return None if self._unit_n <= 0.0 else self._unit_n * self._z[_FRESH] * self._z[_SHARE]

    @property
    def capacity_sd_n(self) -> float | None:
        """Its standard deviation."""
        if self._unit_n <= 0.0:
            return None
        model = self._model_sd * self._z[_FRESH] * self._z[_SHARE]
        return self._unit_n * sqrt(self._capacity_var() + model * model)

    def _capacity_var(self) -> float:
        """Variance of capacity as the filter has it, in squares of its unit."""
        (f, s), p = self._z[:2], self._p
        var = s * s * p[_FRESH][_FRESH] + f * f * p[_SHARE][_SHARE] + 2.0 * f * s * p[_FRESH][_SHARE]
        return var if var > 0.0 else 0.0

    @property
    def fresh_n(self) -> float | None:
        """1RM of the day, unfatigued."""
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
        """Part of the momentary capacity that the next repetition at the last load is expected to cost."""
        if self._unit_n <= 0.0:
            return None
        return self._cost(self._velocity_at(self._load_n, self._unit_n * self._z[_FRESH] * self._z[_SHARE]))

    @property
    def repetitions_in_reserve(self) -> float | None:
        """Repetitions that the last load would still allow."""
        capacity_n = self.capacity_n
        return None if capacity_n is None or self._load_n <= 0.0 else self.repetitions_at(self._load_n, capacity_n)

    @property
    def reserve_interval(self) -> tuple[float, float] | None:
        """80 % interval of the repetitions in reserve.

        What the model leaves out shifts capacity and the load that stops the lifter alike, so it is not in here.
        """
        capacity_n = self.capacity_n
        if capacity_n is None or self._load_n <= 0.0:
            return None
        spread = Z_80 * self._unit_n * sqrt(self._capacity_var())
        return (
            self.repetitions_at(self._load_n, capacity_n - spread),
            self.repetitions_at(self._load_n, capacity_n + spread),
        )

    @property
    def seen(self) -> int:
        """Velocities and stalls taken in."""
        return self._seen

    def line_ends(self) -> tuple[tuple[float, float], tuple[float, float]]:
        """This person's velocity at no load and at 1RM, each with its standard deviation, m/s."""
        p, z = self._p, self._z
        return (
            (self._line.v0_m_s + z[_V0], sqrt(max(0.0, p[_V0][_V0]))),
            (self._line.v_1rm_m_s + z[_V1], sqrt(max(0.0, p[_V1][_V1]))),
        )

    def repetitions_at(self, load_n: float, capacity_n: float) -> float:
        """Repetitions to failure from this capacity at this load: each costs what its velocity says."""
        return repetitions_to_failure(self._line, self._z[_COST], load_n, capacity_n, self._z[_V0], self._z[_V1])

    def _velocity_at(self, load_n: float, capacity_n: float) -> float:
        v0, v1 = self._line.v0_m_s + self._z[_V0], self._line.v_1rm_m_s + self._z[_V1]
        return v0 - (v0 - v1) * load_n / capacity_n

    @property
    def profile_stale(self) -> bool:
        """The 1RM that the set shows lies further from the profile's than both uncertainties allow."""
        profile = self._profile
        if self._doubted:
            return True
        if profile is None or self._seen < 3:
            return False
        off = self._unit_n * self._z[_FRESH] - profile.mean
        # what the filter has learned beyond the profile: the variance that is gone
        prior = (profile.sd / profile.mean) ** 2
        learned = prior - self._p[_FRESH][_FRESH]
        return learned > 0.0 and off * off > STALE_Z * STALE_Z * learned * profile.mean * profile.mean


def repetitions_to_failure(
    line: LoadVelocityLine, cost: float, load_n: float, capacity_n: float, v0_off: float = 0.0, v1_off: float = 0.0
) -> float:
    """Repetitions that a capacity allows at a load, with the last one counted in part.

    Args:
        line: load–velocity line.
        cost: part of capacity that a very fast repetition costs; slower ones cost more.
        load_n: load.
        capacity_n: momentary 1RM before the first of them.
        v0_off: this person's difference from the line at no load, m/s.
        v1_off: and at 1RM, m/s.
    """
    v0, v1 = line.v0_m_s + v0_off, line.v_1rm_m_s + v1_off
    least_n = COMPLETES_AT * load_n
    for done in range(MOST_RESERVE):
        v = v0 - (v0 - v1) * load_n / capacity_n if capacity_n > 0.0 else 0.0
        if v < SLOWEST_M_S:
            v = SLOWEST_M_S
        loss = cost * (1.0 + SECONDS_AT_1_M_S / v)
        after_n = capacity_n * (1.0 - loss)
        if capacity_n < least_n:
            return float(done)
        if after_n < least_n:
            return done + (capacity_n - least_n) / (capacity_n - after_n)
        capacity_n = after_n
    return float(MOST_RESERVE)
