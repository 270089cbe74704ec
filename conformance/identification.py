"""Identify a rig from the outside: its ramp, the bandwidth of its motor and its friction.

A routine for an integrator with a real rig and nobody under a load: it needs only what the wire contract offers
(arm, load, telemetry), through the small `RigAccess`, and a person who moves the handle when asked. It reads no
clock and opens no socket.

Method
------
1. *A light load, the handle moved out and back at several speeds.* In steady motion
   ``force - applied = offset + coulomb * sign(v) + viscous * v``: friction helps the load one way and takes from it
   the other. Samples in which the speed changes are left out, because moving mass would show in them.
2. *Handle in its dock, which holds it.* The load is ramped up and down by two amounts as steeply as the rig can, from
   rest to rest. The area between applied load and force over such a change is the mean delay of the drive times the
   change, however the cable rings meanwhile; friction, known from 1, adds its own while the ramp lasts:
   ``area = tau * change + coulomb * change / rate + creep + offset * time``. The bandwidth is that of a first-order
   drive with this delay, ``1 / (2 pi tau)``. The slope of the force is the ramp.

Every estimate is a least-squares one with the standard deviation that its residuals imply, multiplied by `CAUTION`
because residuals that ring are not independent. Delay in the rig's own force filter counts as lag.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final, Protocol

import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.float64]

HIGHEST_SHARE: Final = 0.5
SMALL_CHANGE: Final = 0.3
REPEATS: Final = 10
SPEEDS_M_S: Final = (0.15, 0.3, 0.45, 0.6)
NEAR_M: Final = 0.15
FAR_M: Final = 0.75
SETTLE_S: Final = 1.0
CAUTION: Final = 2.0
_STEADY_M_S2: Final = 0.6
_MOVING_M_S: Final = 0.08
_SMOOTH_S: Final = 0.12
_INTERIOR: Final = (0.15, 0.98)
_SLOPE_SAMPLES: Final = 8
_ARRIVED_N: Final = 0.05


class NotIdentifiedError(ValueError):
    """The rig could not be identified; says what was missing and what is needed."""


@dataclass(frozen=True, slots=True)
class Move:
    """What the person is asked to do with every handle: go to a position at a steady speed, metres and m/s."""

    to_m: float
    speed_m_s: float


@dataclass(frozen=True, slots=True)
class HoldTrace:
    """Telemetry of a stretch of time; arrays of one length n, or (cables, n), on the rig's clock.

    Attributes:
        t_s: rig clock, s.
        position_m: cable paid out.
        velocity_m_s: as reported.
        force_n: cable tension.
        told_t_s: rig clock of each report of the applied load, length m; the first before the first sample.
        told_n: load applied then, (cables, m).
    """

    t_s: FloatArray
    position_m: FloatArray
    velocity_m_s: FloatArray
    force_n: FloatArray
    told_t_s: FloatArray
    told_n: FloatArray

    def applied_n(self, cable: int, rate_n_per_s: float) -> FloatArray:
        """Load applied at each sample if, between two reports, it moves at this rate until it reaches the new value.

        Where it went less far than the rate would have taken it, it had arrived, or else it had set out late.

        Args:
            cable: index of the cable.
            rate_n_per_s: rate of change between two reports, N/s.
        """
        told = self.told_n[cable]
        after = np.clip(np.searchsorted(self.told_t_s, self.t_s), 1, self.told_t_s.size - 1)
        first, last = told[after - 1], told[after]
        change = last - first
        gone = np.minimum(rate_n_per_s * (self.t_s - self.told_t_s[after - 1]), np.abs(change))
        to_go = np.minimum(rate_n_per_s * (self.told_t_s[after] - self.t_s), np.abs(change))
        arrived = np.abs(last - told[-1]) < _ARRIVED_N
        applied: FloatArray = np.where(arrived, first + np.sign(change) * gone, last - np.sign(change) * to_go)
        return applied


@dataclass(frozen=True, slots=True, kw_only=True)
class RigCapabilities:
    """What the rig's announcement says of it."""

    cables: int
    max_load_n: float
    min_load_n: float
    max_ramp_n_per_s: float
    simulated: bool = False


class RigAccess(Protocol):
    """A rig under the contract and a person beside it; an implementation renews leases and cites telemetry."""

    @property
    def facts(self) -> RigCapabilities:
        """From the announcement."""

    def arm(self, *, ceiling_n: float, floor_n: float) -> None:
        """Bind the rig with these limits and its own steepest ramp.

        Args:
            ceiling_n: highest load, newtons per cable.
            floor_n: lowest load, newtons per cable.
        """

    def hold(self, load_n: float, *, ramp_n_per_s: float, for_s: float, move: Move | None = None) -> HoldTrace:
        """Order a load, hold it for a time while the person moves, and return what was recorded.

        Args:
            load_n: newtons on every cable.
            ramp_n_per_s: ramp of the change.
            for_s: how long to record, seconds of the rig's clock.
            move: what the person is asked to do meanwhile.
        """

    def release(self) -> None:
        """Unload and release the rig."""


@dataclass(frozen=True, slots=True)
class Estimate:
    """A figure and its standard deviation, in the unit that the name of its field ends with."""

    value: float
    sd: float

    def agrees_with(self, truth: float, sds: float = 3.0) -> bool:
        """Whether the figure lies near ``truth``.

        Args:
            truth: in the unit of the estimate.
            sds: how many standard deviations it may lie away.
        """
        return abs(self.value - truth) <= sds * self.sd


@dataclass(frozen=True, slots=True, kw_only=True)
class CableIdentification:
    """What was found for one cable.

    Attributes:
        ramp_n_per_s: slope of the force while the rig's steepest ramp was ordered.
        lag_s: mean delay of the force behind the applied load.
        bandwidth_hz: corner frequency that this lag means.
        overshoot: greatest excess of the force over its final change after the steepest ramp up, share of the change.
        coulomb_n: friction that does not depend on speed.
        viscous_n_s_m: friction that grows with speed.
        offset_n: constant error of the force cell against the applied load.
        force_noise_n: standard deviation of the force at rest.
    """

    ramp_n_per_s: Estimate
    lag_s: Estimate
    bandwidth_hz: Estimate
    overshoot: float
    coulomb_n: Estimate
    viscous_n_s_m: Estimate
    offset_n: Estimate
    force_noise_n: float


@dataclass(frozen=True, slots=True)
class _Ramp:
    """One recorded ramp: the commanded change and the response."""

    from_n: float
    to_n: float
    rate_n_per_s: float
    trace: HoldTrace


def identify(
    access: RigAccess, *, repeats: int = REPEATS, speeds_m_s: Sequence[float] = SPEEDS_M_S
) -> tuple[CableIdentification, ...]:
    """Run the whole routine on a rig; one result per cable.

    Takes about a minute and a half at the defaults. Fewer repeats or speeds take less and tell less, as the standard
    deviations will show. Loads stay under half of the rig's maximum and, above the lightest, in the dock. Unloads and
    releases the rig whatever happens.

    Args:
        access: the rig.
        repeats: how often each ramp is run.
        speeds_m_s: at which the person is asked to move the handle out and back, twice each.

    Raises:
        NotIdentifiedError: too little of what is needed was in the telemetry, e.g. no force.
    """
    facts = access.facts
    low_n = max(2.0 * facts.min_load_n, 0.03 * facts.max_load_n)
    high_n = HIGHEST_SHARE * facts.max_load_n
    if high_n < 4.0 * low_n:
        needed_n = 4.0 * low_n / HIGHEST_SHARE
        raise NotIdentifiedError(f"max_load_n is {facts.max_load_n:g}; allowed: at least {needed_n:g} for this test")
    access.arm(ceiling_n=high_n, floor_n=max(facts.min_load_n, 0.9 * low_n))
    try:
        ramps = _record_ramps(access, facts, low_n, high_n, repeats)
        moves = _record_moves(access, facts, low_n, speeds_m_s)
    finally:
        access.release()
    return tuple(_identify_cable(ramps, moves, cable) for cable in range(facts.cables))


def _record_ramps(access: RigAccess, facts: RigCapabilities, low_n: float, high_n: float, repeats: int) -> list[_Ramp]:
    access.hold(low_n, ramp_n_per_s=0.3 * facts.max_ramp_n_per_s, for_s=1.0)
    ramps = []
    rate = facts.max_ramp_n_per_s
    for _ in range(repeats):
        for top_n in (high_n, low_n + SMALL_CHANGE * (high_n - low_n)):
            for start_n, end_n in ((low_n, top_n), (top_n, low_n)):
                for_s = (top_n - low_n) / rate + SETTLE_S
                ramps.append(_Ramp(start_n, end_n, rate, access.hold(end_n, ramp_n_per_s=rate, for_s=for_s)))
    return ramps


def _record_moves(
    access: RigAccess, facts: RigCapabilities, low_n: float, speeds_m_s: Sequence[float]
) -> list[HoldTrace]:
    rate = 0.3 * facts.max_ramp_n_per_s
    traces = [access.hold(low_n, ramp_n_per_s=rate, for_s=1.5, move=Move(NEAR_M, 0.2))]
    for speed in speeds_m_s:
        for _ in range(2):
            for goal_m in (FAR_M, NEAR_M):
                for_s = (FAR_M - NEAR_M) / speed + 0.5
                traces.append(access.hold(low_n, ramp_n_per_s=rate, for_s=for_s, move=Move(goal_m, speed)))
    return traces


def _identify_cable(ramps: Sequence[_Ramp], moves: Sequence[HoldTrace], cable: int) -> CableIdentification:
    coulomb, viscous, offset = _friction(moves, cable)
    lag, ramp = _lag(ramps, cable, coulomb, viscous), _slope(ramps, cable)
    bandwidth = 1.0 / (2.0 * math.pi * lag.value) if lag.value > 0 else math.inf
    return CableIdentification(
        ramp_n_per_s=ramp,
        lag_s=lag,
        bandwidth_hz=Estimate(bandwidth, bandwidth * lag.sd / lag.value if lag.value > 0 else math.inf),
        overshoot=max(_overshoot(r, cable) for r in ramps if r.to_n > r.from_n),
        coulomb_n=coulomb,
        viscous_n_s_m=viscous,
        offset_n=offset,
        force_noise_n=float(np.median([_noise_at_rest(r, cable) for r in ramps])),
    )


def _least_squares(columns: Sequence[FloatArray], values: FloatArray, names: str) -> list[Estimate]:
    """Coefficients with standard deviations."""
    matrix = np.column_stack(columns)
    needed = 2 * matrix.shape[1]
    if matrix.shape[0] < needed:
        raise NotIdentifiedError(f"{matrix.shape[0]} usable samples for {names}; allowed: {needed} or more")
    solution, _, rank, _ = np.linalg.lstsq(matrix, values, rcond=None)
    if rank < matrix.shape[1]:
        raise NotIdentifiedError(f"telemetry cannot tell {names} apart; needed: other rates, or speeds both ways")
    residual = values - matrix @ solution
    variance = float(residual @ residual) / (matrix.shape[0] - matrix.shape[1])
    covariance = variance * np.linalg.inv(matrix.T @ matrix)
    deviations = CAUTION * np.sqrt(np.diag(covariance))
    return [Estimate(float(v), float(d)) for v, d in zip(solution, deviations, strict=True)]


def _friction(moves: Sequence[HoldTrace], cable: int) -> tuple[Estimate, Estimate, Estimate]:
    """Coulomb and viscous friction and the offset of the force cell, from steady motion both ways."""
    speeds, excess = [], []
    for trace in moves:
        velocity, acceleration = _smoothed_motion(trace, cable)
        steady = (np.abs(velocity) > _MOVING_M_S) & (np.abs(acceleration) < _STEADY_M_S2)
        speeds.append(velocity[steady])
        excess.append((trace.force_n[cable] - trace.told_n[cable][-1])[steady])
    v, difference = np.concatenate(speeds), np.concatenate(excess)
    if not np.all(np.isfinite(difference)):
        raise NotIdentifiedError("force_n is missing; allowed: a rig that reports cable tension")
    coulomb, viscous, offset = _least_squares([np.sign(v), v, np.ones_like(v)], difference, "friction")
    return coulomb, viscous, offset


def _smoothed_motion(trace: HoldTrace, cable: int) -> tuple[FloatArray, FloatArray]:
    """Velocity and acceleration by a local straight line through the reported velocity; ends are left unsteady."""
    t, velocity = trace.t_s, trace.velocity_m_s[cable]
    step_s = float(np.median(np.diff(t)))
    half = max(round(0.5 * _SMOOTH_S / step_s), 2)
    if t.size < 2 * half + 1:
        return np.zeros_like(velocity), np.full_like(velocity, np.inf)
    offsets = np.arange(-half, half + 1) * step_s
    mean = np.convolve(velocity, np.full(offsets.size, 1.0 / offsets.size), mode="same")
    slope = np.convolve(velocity, offsets[::-1] / float(offsets @ offsets), mode="same")
    slope[:half] = slope[-half:] = np.inf
    return mean, slope


def _interior(ramp: _Ramp, cable: int) -> npt.NDArray[np.bool_]:
    """Samples within a ramp, but for its very ends."""
    applied = ramp.trace.applied_n(cable, ramp.rate_n_per_s)
    share = (applied - ramp.from_n) / (ramp.to_n - ramp.from_n)
    low, high = _INTERIOR
    inside: npt.NDArray[np.bool_] = (share > low) & (share < high)
    return inside


def _lag(ramps: Sequence[_Ramp], cable: int, coulomb: Estimate, viscous: Estimate) -> Estimate:
    """Mean delay of the force behind the applied load, from the areas between them.

    Viscous friction over the travel of the handle in its dock is taken out; that over the stretch of the cable, which
    nothing measures, stays in and lengthens the delay by friction over stiffness.
    """
    areas, rows = [], []
    for ramp in ramps:
        trace = ramp.trace
        change = ramp.to_n - ramp.from_n
        travel_m = float(trace.position_m[cable][-1] - trace.position_m[cable][0])
        behind_n = trace.applied_n(cable, ramp.rate_n_per_s) - trace.force_n[cable]
        area = float(np.trapezoid(behind_n, trace.t_s))
        areas.append(area + viscous.value * travel_m - coulomb.value * change / ramp.rate_n_per_s)
        rows.append([change, math.copysign(1.0, change), float(trace.t_s[-1] - trace.t_s[0])])
    lag = _least_squares(list(np.array(rows).T), np.array(areas), "delay, creep and offset")[0]
    return Estimate(lag.value, math.hypot(lag.sd, coulomb.sd / ramps[0].rate_n_per_s))


def _slope(ramps: Sequence[_Ramp], cable: int) -> Estimate:
    """Slope of the force while the ramp lasts, from the larger changes."""
    largest = max(abs(ramp.to_n - ramp.from_n) for ramp in ramps)
    slopes = []
    for ramp in ramps:
        inside = _interior(ramp, cable)
        n = np.count_nonzero(inside)
        if abs(ramp.to_n - ramp.from_n) == largest and n >= _SLOPE_SAMPLES:
            # Weights that fade towards both ends keep the ringing of the cable out of the slope.
            fade = np.sin(np.pi * (np.arange(n) + 0.5) / n) ** 2
            slope = np.polyfit(ramp.trace.t_s[inside], ramp.trace.force_n[cable][inside], 1, w=fade)[0]
            slopes.append(abs(float(slope)))
    if len(slopes) < 2:
        raise NotIdentifiedError(f"{len(slopes)} ramps have {_SLOPE_SAMPLES} samples; allowed: 2 or more")
    spread = float(np.std(slopes, ddof=1)) / math.sqrt(len(slopes))
    return Estimate(float(np.mean(slopes)), CAUTION * spread)


def _overshoot(ramp: _Ramp, cable: int) -> float:
    after = ramp.trace.applied_n(cable, ramp.rate_n_per_s) >= ramp.to_n - _ARRIVED_N
    if not np.any(after):
        return 0.0
    force = ramp.trace.force_n[cable][after]
    final = float(np.mean(force[force.size // 2 :]))
    return max((float(np.max(force)) - final) / (ramp.to_n - ramp.from_n), 0.0)


def _noise_at_rest(ramp: _Ramp, cable: int) -> float:
    """Spread of the force in the last third of a second, from differences of neighbours, so that slow change is out."""
    trace = ramp.trace
    rest = trace.t_s > trace.t_s[-1] - 0.3
    return float(np.std(np.diff(trace.force_n[cable][rest]))) / math.sqrt(2.0)
