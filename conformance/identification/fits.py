"""The arithmetic of the identification of a rig: friction from moves, rate and delay from ramps, by least squares.

The method is described in `identification`. Nothing here speaks to a rig.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Final

import numpy as np
import numpy.typing as npt

from ebbset.conformance.identification.quantities import (
    ARRIVED_N,
    Estimate,
    FloatArray,
    HoldTrace,
    NotIdentifiedError,
    Ramp,
)

CAUTION: Final = 2.0
CREEPING_PART: Final = 0.15
"""Friction while the cable only stretches may differ by this part from that of a moving handle, and nothing tells it
from a delay of the drive; judgement."""
TAIL_PART: Final = 0.035
"""What a force that has settled to a thousandth, and friction that grows with a load while a slow drive still brings it
on, may add to the delay, as a share of it. By simulated drives of 0.7 to 2 Hz, whose delays come out 4 to 8 % off."""
CREEP_S: Final = 0.02
"""How long friction goes on after a change, at most, in terms of the Coulomb friction; judgement."""
LOADED_PART: Final = 0.02
"""How much friction is likely to grow with the load, as a share of it, and with `CAUTION` twice that: bearings and
sheaves lose some percent (handbooks, from memory)."""
REPORTED_PART: Final = 0.003
"""How well a rate is known from loads that a rig reports, as a share of it: a sample's length in a ramp of seconds;
judgement."""
_STEADY_M_S2: Final = 0.6
_MOVING_M_S: Final = 0.08
_SMOOTH_S: Final = 0.12
AT_REST_S: Final = 0.25
_FEWEST_SAMPLES: Final = 5
TOLD_SDS: Final = 3.0
"""A delay that is not this many standard deviations from none gives no bandwidth."""


def _least_squares(
    columns: Sequence[FloatArray], values: FloatArray, names: str, *, noise: float = 0.0
) -> list[Estimate]:
    """Coefficients with standard deviations, from residuals that are at least as large as the noise."""
    matrix = np.column_stack(columns)
    needed = 2 * matrix.shape[1]
    if matrix.shape[0] < needed:
        raise NotIdentifiedError(f"{matrix.shape[0]} usable samples for {names}; allowed: {needed} or more")
    solution, _, rank, _ = np.linalg.lstsq(matrix, values, rcond=None)
    if rank < matrix.shape[1]:
        raise NotIdentifiedError(f"telemetry cannot tell {names} apart; needed: other rates, or speeds both ways")
    residual = values - matrix @ solution
    variance = max(float(residual @ residual) / (matrix.shape[0] - matrix.shape[1]), noise * noise)
    covariance = variance * np.linalg.inv(matrix.T @ matrix)
    deviations = CAUTION * np.sqrt(np.diag(covariance))
    return [Estimate(float(v), float(d)) for v, d in zip(solution, deviations, strict=True)]


def friction(moves: Sequence[HoldTrace], cable: int) -> tuple[Estimate, Estimate, Estimate]:
    """Coulomb and viscous friction and the offset of the force cell, from steady motion both ways.

    Args:
        moves: recorded moves.
        cable: index of the cable.

    Raises:
        NotIdentifiedError: force is missing, or the moves are too few or too much alike.
    """
    rows, excess = [], []
    for trace in moves:
        velocity, acceleration = _smoothed_motion(trace, cable)
        steady = (np.abs(velocity) > _MOVING_M_S) & (np.abs(acceleration) < _STEADY_M_S2)
        for half in _halves(np.flatnonzero(steady)):
            v = velocity[half]
            rows.append([float(np.mean(one)) for one in (np.sign(v), v, np.ones_like(v), acceleration[half])])
            excess.append(float(np.mean((trace.force_n[cable] - trace.told_n[cable][-1])[half])))
    difference = np.array(excess)
    if not np.all(np.isfinite(difference)):
        raise NotIdentifiedError("force_n is missing; allowed: a rig that reports cable tension")
    coulomb, viscous, offset, _ = _least_squares(list(np.array(rows).reshape(-1, 4).T), difference, "friction")
    return coulomb, viscous, offset


def _halves(steady: npt.NDArray[np.intp]) -> list[npt.NDArray[np.intp]]:
    """The first and the second half of a move, in which what is left of the change of speed differs."""
    return [part for part in np.array_split(steady, 2) if part.size >= _FEWEST_SAMPLES]


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


@dataclass(frozen=True, slots=True)
class _Arrival:
    """When the force of one ramp arrived, against when its load set out.

    Attributes:
        change_n: size of the change.
        gone_n: how far the load had gone at the report that dates it.
        after_s: mean arrival of the force after that report.
        gap_s: 0 if a report of a load under way dates it; else the time between the reports around its start.
        noise_s: what the noise of the force makes of the arrival.
    """

    change_n: float
    gone_n: float
    after_s: float
    gap_s: float
    noise_s: float


def _under_way(ramp: Ramp, cable: int) -> npt.NDArray[np.intp]:
    """The reports of a load that has set out and not arrived."""
    gone = np.abs(ramp.trace.told_n[cable] - ramp.from_n)
    return np.flatnonzero((gone > ARRIVED_N) & (gone < abs(ramp.to_n - ramp.from_n) - ARRIVED_N))


def _arrival(ramp: Ramp, before_n: float, cable: int, viscous: Estimate, *, dated: bool) -> _Arrival:
    """The mean arrival of the force.

    Viscous friction over the travel of the handle in its dock is taken out; that over the stretch of the cable, which
    nothing measures, stays in and lengthens the delay by friction over stiffness.

    Args:
        ramp: recorded ramp.
        before_n: force at rest before it, newtons.
        cable: index of the cable.
        viscous: viscous friction.
        dated: by its first report of a load under way; else by the last one before the order.
    """
    trace = ramp.trace
    t_s = trace.t_s
    change_n = ramp.to_n - ramp.from_n
    final_n = _at_rest_n(ramp, cable)
    changed_n = final_n - before_n if abs(final_n - before_n) > 0.5 * abs(change_n) else change_n
    travel_m = float(trace.position_m[cable][-1] - trace.position_m[cable][0])
    # The force before the first sample is that of the rest before.
    area = float(np.trapezoid(final_n - trace.force_n[cable], t_s)) + viscous.value * travel_m
    gone = np.abs(trace.told_n[cable] - ramp.from_n)
    if dated:
        first = _under_way(ramp, cable)[0]
        at_s, gone_n, gap_s = float(trace.told_t_s[first]), float(gone[first]), 0.0
    else:
        at_s, gone_n = float(trace.told_t_s[0]), 0.0
        gap_s = float(trace.told_t_s[int(np.argmax(gone > ARRIVED_N))]) - at_s
    step_s = float(np.median(np.diff(t_s)))
    noise_s = noise_at_rest(ramp, cable) * step_s * math.sqrt(t_s.size) / abs(changed_n)
    return _Arrival(abs(change_n), gone_n, float(t_s[0]) + area / changed_n - at_s, gap_s, noise_s)


def ramp_and_lag(
    ramps: Sequence[Ramp], cable: int, coulomb: Estimate, viscous: Estimate
) -> tuple[Estimate | None, Estimate | None, list[str]]:
    """Rate of the load and mean delay of the force behind it, fitted together; and what cannot be told.

    Args:
        ramps: recorded ramps, in order.
        cable: index of the cable.
        coulomb: Coulomb friction.
        viscous: viscous friction.
    """
    # A steep ramp may be over between two reports. Then all are dated by the order, which they follow by a constant.
    dated = all(_under_way(ramp, cable).size for ramp in ramps)
    seen = [
        _arrival(ramp, _at_rest_n(before, cable), cable, viscous, dated=dated) for before, ramp in pairwise(ramps)
    ]  # nothing is known of what was before the first
    changes = np.array([one.change_n for one in seen])
    ways = 0.5 * changes - np.array([one.gone_n for one in seen]) + coulomb.value
    arrivals = np.array([one.after_s for one in seen])
    noise_s = np.array([one.noise_s for one in seen])
    usual_s = float(np.median(noise_s))
    weights = usual_s / np.maximum(noise_s, 0.1 * usual_s) if usual_s > 0.0 else np.ones(len(seen))
    # Two more rows: neither friction that grows with the load nor creep is known to be there at all.
    likely = (LOADED_PART / ramps[0].rate_n_per_s, CREEP_S * max(coulomb.value, 1.0))

    def fitted(columns: Sequence[FloatArray], values: FloatArray, names: str) -> list[Estimate]:
        rows = [np.append(weights * one, (0.0, 0.0)) for one in columns]
        for row, place, size in zip(rows[-2:], (-2, -1), likely, strict=True):
            row[place] = usual_s / size
        return _least_squares(rows, np.append(weights * values, (0.0, 0.0)), names, noise=usual_s)

    rest = [np.ones(len(seen)), 0.5 * changes, 1.0 / changes]
    free = fitted([ways, *rest], arrivals, "ramp, delay, friction under load and creep")
    remarks = []
    slowness, reported = free[0], _reported_slowness(ramps, cable)
    if reported is not None and not slowness.agrees_with(reported):
        remarks.append(
            f"ramp: the rig reports a load that changes by {1.0 / reported:.0f} N/s, and its force shows another rate"
        )
        reported = None
    if reported is not None:
        # What the rig reports of its load is taken for true where the force does not speak against it.
        slowness = Estimate(reported, abs(reported) * REPORTED_PART)
        free = [slowness, *fitted(rest, arrivals - reported * ways, "delay, friction under load and creep")]
    gap_s = max(one.gap_s for one in seen)
    lag: Estimate | None = None
    if gap_s > 0.0:
        remarks.append(
            f"delay: the load comes on between two reports, {gap_s * 1e3:.0f} ms apart, so nobody knows when it set out"
        )
    else:
        friction_n = math.hypot(coulomb.sd, CREEPING_PART * coulomb.value)
        shift_s = math.hypot(slowness.value * friction_n, slowness.sd * float(np.mean(ways)))
        if free[1].value > 0.0:
            lag = Estimate(free[1].value, math.hypot(free[1].sd, shift_s, TAIL_PART * free[1].value))
        else:
            remarks.append("delay: it comes out negative, so what friction does under this ramp hides it")
    if slowness.value <= TOLD_SDS * slowness.sd:
        remarks.append("ramp: changes of three sizes take equally long, so it is too steep to be told")
        return None, lag, remarks
    rate = 1.0 / slowness.value
    return Estimate(rate, rate * slowness.sd / slowness.value), lag, remarks


def _reported_slowness(ramps: Sequence[Ramp], cable: int) -> float | None:
    """Seconds a newton of the load that the rig reports under way; None with fewer than two reports in each ramp."""
    products = squares = 0.0
    for ramp in ramps:
        inside = _under_way(ramp, cable)
        if inside.size < 2:
            continue
        told = np.abs(ramp.trace.told_n[cable][inside] - ramp.from_n)
        gone = told - told.mean()
        t = ramp.trace.told_t_s[inside]
        products += float(gone @ (t - t.mean()))
        squares += float(gone @ gone)
    return products / squares if squares > 0.0 else None


def _at_rest_n(ramp: Ramp, cable: int) -> float:
    """Mean force at the end of a ramp, when it has settled."""
    return float(np.mean(ramp.trace.force_n[cable][ramp.trace.t_s > ramp.trace.t_s[-1] - AT_REST_S]))


def overshoot(ramp: Ramp, cable: int) -> float:
    """Excess of the force over its final value after a ramp, as a share of the change.

    Args:
        ramp: recorded ramp.
        cable: index of the cable.
    """
    after = ramp.trace.applied_n(cable, ramp.rate_n_per_s) >= ramp.to_n - ARRIVED_N
    if not np.any(after):
        return 0.0
    force = ramp.trace.force_n[cable][after]
    final = float(np.mean(force[force.size // 2 :]))
    return max((float(np.max(force)) - final) / (ramp.to_n - ramp.from_n), 0.0)


def noise_at_rest(ramp: Ramp, cable: int) -> float:
    """Spread of the force in the last third of a second, from differences of neighbours, so that slow change is out.

    Args:
        ramp: recorded ramp.
        cable: index of the cable.
    """
    trace = ramp.trace
    rest = trace.t_s > trace.t_s[-1] - 0.3
    return float(np.std(np.diff(trace.force_n[cable][rest]))) / math.sqrt(2.0)
