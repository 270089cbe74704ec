"""What the lifter does next, compiled: the switches between phases, from what a person can feel and see.

Once per step the lifter looks at position, speed, felt load and the clock and sets for each hand a goal and a speed;
the reflex loop in :mod:`ebbset.simulators.plant.physics` does the rest. No stall is scripted: a stall
is a maximal effort that does not move the load.
"""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt

from ebbset.models.contract.units import STANDARD_GRAVITY_M_S2
from ebbset.simulators.lifter import layout as lay
from ebbset.simulators.lifter.compiled import compiled, compiled_apart

FloatArray = npt.NDArray[np.float64]
RandomState = npt.NDArray[np.uint64]

_REST = int(lay.Phase.REST)
_PICKING_UP = int(lay.Phase.PICKING_UP)
_BOTTOM = int(lay.Phase.BOTTOM)
_CONCENTRIC = int(lay.Phase.CONCENTRIC)
_TOP = int(lay.Phase.TOP)
_ECCENTRIC = int(lay.Phase.ECCENTRIC)
_FAILED = int(lay.Phase.FAILED)
_RELEASED = int(lay.Phase.RELEASED)
_TALKING = int(lay.Phase.TALKING)
_PUTTING_DOWN = int(lay.Phase.PUTTING_DOWN)
_EXTERNAL = int(lay.Phase.EXTERNAL)
_OFF = int(lay.Hand.OFF)
_SERVO = int(lay.Hand.SERVO)

_ARRIVED_M = 0.008
_LOADED_N = 10.0
_UNLOADED_SHARE = 0.25
_SETTLE_S = 0.25
_SETTLED_SHARE = 0.03
_FELT_SLOW_S = 0.4
_NOISE_S = 0.3
_JERK_RAD_S = 2.0 * math.pi * 4.0
_JERK_BELOW_M_S = 0.15
_FULL_ROM_SHARE = 0.95
_TOP_SHARE = 1.02
_DEEPEST_SD = 2.5


@compiled
def uniform(random: RandomState) -> float:
    """Next number in [0, 1): SplitMix64 (Steele, Lea & Flood 2014), small enough to copy with the plant."""
    random[0] += np.uint64(0x9E3779B97F4A7C15)
    z = random[0]
    z = (z ^ (z >> np.uint64(30))) * np.uint64(0xBF58476D1CE4E5B9)
    z = (z ^ (z >> np.uint64(27))) * np.uint64(0x94D049BB133111EB)
    z = z ^ (z >> np.uint64(31))
    return float(z >> np.uint64(11)) * (1.0 / 9007199254740992.0)


@compiled
def normal(random: RandomState) -> float:
    """Next standard normal number, near enough: the sum of six uniform ones, scaled (kurtosis -0.2, bounded ±4.2)."""
    total = 0.0
    for _ in range(6):
        total += uniform(random)
    return (total - 3.0) * math.sqrt(2.0)


@compiled
def left_of_fresh(p: FloatArray, fatigued: float) -> float:
    """Greatest force that a fatigued or spent share leaves, share of fresh.

    Args:
        p: parameters, float64, shape (P_SIZE,).
        fatigued: fatigued share (3CC-r) or spent share of the reserve, all kinds together.
    """
    if p[lay.P_MODEL] == 0.0:
        return float(1.0 - fatigued)
    return float(1.0 - (1.0 - p[lay.P_FATIGUE_A]) * fatigued)


@compiled
def capacity(p: FloatArray, row: FloatArray) -> float:
    """Greatest force one cable's muscle can give now, share of fresh.

    Args:
        p: parameters, float64, shape (P_SIZE,).
        row: one cable, float64, shape (C_SIZE,).
    """
    return left_of_fresh(p, row[lay.C_FATIGUED] + row[lay.C_FAST] + row[lay.C_SLOW])


@compiled
def _mean(cables: FloatArray, column: int) -> float:
    total = 0.0
    for i in range(cables.shape[0]):
        total += cables[i, column]
    return float(total / cables.shape[0])


@compiled
def mean_capacity(p: FloatArray, cables: FloatArray) -> float:
    """Capacity of both arms together, share of fresh, weighted with their strength.

    Args:
        p: parameters, float64, shape (P_SIZE,).
        cables: one row per cable, float64, shape (n_cables, C_SIZE).
    """
    total, whole = 0.0, 0.0
    for i in range(cables.shape[0]):
        total += capacity(p, cables[i]) * cables[i, lay.C_F0]
        whole += cables[i, lay.C_F0]
    return total / whole


@compiled
def _enter(g: FloatArray, phase: int) -> None:
    g[lay.G_PHASE] = phase
    g[lay.G_PHASE_STEP] = g[lay.G_STEP]
    g[lay.G_UNLOADED] = 0.0


@compiled
def _aim(cables: FloatArray, hand: int, goal_m: float, limit_m_s: float) -> None:
    for i in range(cables.shape[0]):
        cables[i, lay.C_HAND] = hand
        cables[i, lay.C_GOAL] = goal_m
        cables[i, lay.C_V_LIMIT] = limit_m_s


@compiled
def _varied(p: FloatArray, random: RandomState) -> float:
    return math.exp(p[lay.P_VARIATION] * normal(random))


@compiled
def _tired_pause(p: FloatArray, cables: FloatArray, random: RandomState, pause_s: float) -> float:
    return float(pause_s * (1.0 + p[lay.P_PAUSE_GROWTH] * (1.0 - mean_capacity(p, cables))) * _varied(p, random))


@compiled_apart
def _to_bottom(p: FloatArray, cables: FloatArray, g: FloatArray, random: RandomState) -> None:
    _enter(g, _BOTTOM)
    g[lay.G_PAUSE] = _tired_pause(p, cables, random, p[lay.P_PAUSE_BOTTOM])
    _aim(cables, _SERVO, g[lay.G_BOTTOM], p[lay.P_V_MOVE])


@compiled_apart
def _put_down(p: FloatArray, cables: FloatArray, g: FloatArray) -> None:
    _enter(g, _PUTTING_DOWN)
    _aim(cables, _SERVO, 0.0, p[lay.P_V_MOVE])


@compiled_apart
def _start_concentric(p: FloatArray, cables: FloatArray, g: FloatArray, random: RandomState, felt: float) -> None:
    _enter(g, _CONCENTRIC)
    g[lay.G_LOAD_REF] = felt
    g[lay.G_REP_LOAD] = felt
    g[lay.G_GRIND] = 0.0
    g[lay.G_MOVING] = 0.0
    g[lay.G_ATTEMPTS] += 1.0
    g[lay.G_REP_T] = g[lay.G_STEP] * p[lay.P_DT]
    g[lay.G_REP_X] = _mean(cables, lay.C_X)
    g[lay.G_PROP_T] = g[lay.G_REP_T]
    g[lay.G_PROP_X] = g[lay.G_REP_X]
    g[lay.G_PEAK_V] = 0.0
    g[lay.G_MIN_V] = 99.0
    g[lay.G_MIN_S] = 0.0
    g[lay.G_LAST_V] = 0.0
    g[lay.G_REP_GAIN] = p[lay.P_NOISE_REP] * normal(random)
    if p[lay.P_PUSH] > 0.0:
        spare = max(1.0 - felt / (mean_capacity(p, cables) * _mean(cables, lay.C_F0)), 0.0)
        g[lay.G_REP_GAIN] += p[lay.P_PUSH] * spare * normal(random)
    g[lay.G_JERK_PHASE] = 2.0 * math.pi * uniform(random)
    short = p[lay.P_PARTIAL] * (1.0 - mean_capacity(p, cables)) * uniform(random)
    reach = 1.0 - min(short, 0.6)
    if p[lay.P_RANGE_CV] > 0.0:
        reach = min(reach * (1.0 + p[lay.P_RANGE_CV] * normal(random)), _TOP_SHARE)
    g[lay.G_TOP_GOAL] = p[lay.P_START] + p[lay.P_ROM] * reach
    _aim(cables, _SERVO, g[lay.G_TOP_GOAL], p[lay.P_V_CONCENTRIC])


@compiled_apart
def _record(p: FloatArray, cables: FloatArray, g: FloatArray, records: FloatArray) -> None:
    """Write down the repetition that just ended; those beyond the table's length still count."""
    now = g[lay.G_STEP] * p[lay.P_DT]
    x = _mean(cables, lay.C_X)
    whole = x - p[lay.P_START] >= _FULL_ROM_SHARE * p[lay.P_ROM] - 0.001
    if whole:
        g[lay.G_REPS] += 1.0
    k = int(g[lay.G_RECORDS])
    if k >= records.shape[0]:
        return
    r = records[k]
    r[lay.R_START] = g[lay.G_REP_T]
    r[lay.R_END] = now
    r[lay.R_X_START] = g[lay.G_REP_X]
    r[lay.R_X_END] = x
    r[lay.R_MEAN_V] = (x - g[lay.G_REP_X]) / max(now - g[lay.G_REP_T], p[lay.P_DT])
    r[lay.R_PROP_V] = (g[lay.G_PROP_X] - g[lay.G_REP_X]) / max(g[lay.G_PROP_T] - g[lay.G_REP_T], p[lay.P_DT])
    r[lay.R_PEAK_V] = g[lay.G_PEAK_V]
    r[lay.R_MIN_V] = g[lay.G_MIN_V]
    r[lay.R_MIN_S] = g[lay.G_MIN_S]
    r[lay.R_COMPLETED] = 1.0 if whole else 0.0
    r[lay.R_LOAD] = g[lay.G_REP_LOAD]
    r[lay.R_CAPACITY] = mean_capacity(p, cables)
    g[lay.G_RECORDS] += 1.0


@compiled
def _observe_repetition(p: FloatArray, cables: FloatArray, g: FloatArray) -> None:
    """Bookkeeping of the running repetition: start of movement, propulsive end, peak and dip of velocity."""
    v = _mean(cables, lay.C_V)
    x = _mean(cables, lay.C_X)
    now = g[lay.G_STEP] * p[lay.P_DT]
    if g[lay.G_MOVING] == 0.0 and v > 0.01:
        g[lay.G_MOVING] = 1.0
        g[lay.G_REP_T] = now
        g[lay.G_REP_X] = x
    if (v - g[lay.G_LAST_V]) / p[lay.P_DT] > -STANDARD_GRAVITY_M_S2:
        g[lay.G_PROP_T] = now
        g[lay.G_PROP_X] = x
    g[lay.G_LAST_V] = v
    if v > g[lay.G_PEAK_V]:
        g[lay.G_PEAK_V] = v
    s = (x - p[lay.P_START]) / p[lay.P_ROM]
    if 0.08 < s < 0.9 and v < g[lay.G_MIN_V]:
        g[lay.G_MIN_V] = v
        g[lay.G_MIN_S] = s


@compiled
def _concentric(p: FloatArray, cables: FloatArray, g: FloatArray, random: RandomState, records: FloatArray) -> None:
    _observe_repetition(p, cables, g)
    all_up, stuck, fallen = True, False, False
    for i in range(cables.shape[0]):
        left_m = g[lay.G_TOP_GOAL] - cables[i, lay.C_X]
        slow = cables[i, lay.C_V] < p[lay.P_V_GRIND]
        done_m = max(g[lay.G_TOP_GOAL] - p[lay.P_START] - (1.0 - _FULL_ROM_SHARE) * p[lay.P_ROM], 0.0)
        done_m = min(done_m, _FULL_ROM_SHARE * p[lay.P_ROM] - 0.001)
        if left_m > _ARRIVED_M and not (slow and cables[i, lay.C_X] - p[lay.P_START] > done_m):
            all_up = False
            if slow:
                stuck = True
            if cables[i, lay.C_X] < p[lay.P_START] - 0.03:
                fallen = True
    if all_up:
        _record(p, cables, g, records)
        g[lay.G_RETRIES] = 0.0
        talks = p[lay.P_TALK_AFTER] > 0.0 and g[lay.G_REPS] >= p[lay.P_TALK_AFTER] and g[lay.G_TALKED] == 0.0
        _enter(g, _TALKING if talks else _TOP)
        g[lay.G_PAUSE] = p[lay.P_TALK_S] if talks else _tired_pause(p, cables, random, p[lay.P_PAUSE_TOP])
        if talks:
            g[lay.G_TALKED] = 1.0
        return
    if stuck:
        g[lay.G_GRIND] += p[lay.P_DT]
    else:
        g[lay.G_GRIND] = max(g[lay.G_GRIND] - 2.0 * p[lay.P_DT], 0.0)
    if g[lay.G_GRIND] > p[lay.P_PATIENCE] or fallen:
        _record(p, cables, g, records)
        if p[lay.P_RELEASES] > 0.0:
            _enter(g, _RELEASED)
            _aim(cables, _OFF, 0.0, 0.0)
            g[lay.G_DONE] = 1.0
        else:
            _enter(g, _FAILED)
            g[lay.G_PAUSE] = -1.0
            _aim(cables, _SERVO, p[lay.P_START], p[lay.P_V_MOVE])


@compiled
def _wait_at_bottom(
    p: FloatArray, cables: FloatArray, g: FloatArray, random: RandomState, felt: float, in_phase_s: float
) -> None:
    if felt > _LOADED_N and g[lay.G_SETTLED] > _SETTLE_S and in_phase_s > g[lay.G_PAUSE]:
        strength = 0.0
        for i in range(cables.shape[0]):
            strength += cables[i, lay.C_F0]
        ratio = mean_capacity(p, cables) * strength / (felt * cables.shape[0])
        if p[lay.P_RESERVE] > 0.0 and ratio < 1.0 + p[lay.P_RESERVE]:
            _put_down(p, cables, g)
        else:
            _start_concentric(p, cables, g, random, felt)
    elif in_phase_s > 60.0:
        _put_down(p, cables, g)


@compiled
def _feel(p: FloatArray, cables: FloatArray, g: FloatArray, random: RandomState, felt: float) -> None:
    """Slow sense of the load (settled or changing, gone or not) and the noise of the drive."""
    dt = p[lay.P_DT]
    g[lay.G_FELT_SLOW] += (felt - g[lay.G_FELT_SLOW]) * dt / _FELT_SLOW_S
    if abs(felt - g[lay.G_FELT_SLOW]) < _SETTLED_SHARE * felt:
        g[lay.G_SETTLED] += dt
    else:
        g[lay.G_SETTLED] = 0.0
    if g[lay.G_LOAD_REF] > 0.0 and felt < max(_LOADED_N, _UNLOADED_SHARE * g[lay.G_LOAD_REF]):
        g[lay.G_UNLOADED] += dt
    else:
        g[lay.G_UNLOADED] = 0.0
    gain = 1.0 + g[lay.G_REP_GAIN]
    if p[lay.P_NOISE] > 0.0:
        g[lay.G_NOISE] += -g[lay.G_NOISE] * dt / _NOISE_S + math.sqrt(2.0 * dt / _NOISE_S) * normal(random)
        gain += p[lay.P_NOISE] * g[lay.G_NOISE]
    if p[lay.P_JERK] > 0.0 and g[lay.G_PHASE] == _CONCENTRIC:
        calm = max(_mean(cables, lay.C_V) / _JERK_BELOW_M_S, 0.0)
        swing = math.sin(_JERK_RAD_S * g[lay.G_STEP] * dt + g[lay.G_JERK_PHASE])
        gain += p[lay.P_JERK] * swing / (1.0 + calm * calm)
    if p[lay.P_BOOST] > 0.0 and g[lay.G_PHASE] == _CONCENTRIC:
        gain += p[lay.P_BOOST] * math.exp(-(g[lay.G_STEP] - g[lay.G_PHASE_STEP]) * dt / p[lay.P_BOOST_S])
    for i in range(cables.shape[0]):
        cables[i, lay.C_GAIN] = gain


@compiled
def _arrive_at_bottom(
    p: FloatArray, cables: FloatArray, g: FloatArray, random: RandomState, x: float, phase: int
) -> None:
    """End the lowering, or the way from the dock, which may come from below."""
    above_m = x - g[lay.G_BOTTOM]
    if above_m < _ARRIVED_M and (phase == _ECCENTRIC or above_m > -_ARRIVED_M):
        _to_bottom(p, cables, g, random)


@compiled
def _wait_at_top(p: FloatArray, cables: FloatArray, g: FloatArray, random: RandomState, in_phase_s: float) -> None:
    if in_phase_s > g[lay.G_PAUSE]:
        _enter(g, _ECCENTRIC)
        g[lay.G_BOTTOM] = p[lay.P_START]
        if p[lay.P_DEPTH_SD] > 0.0:
            off = min(max(normal(random), -_DEEPEST_SD), _DEEPEST_SD)
            g[lay.G_BOTTOM] = max(p[lay.P_START] + p[lay.P_DEPTH_SD] * off, _ARRIVED_M)
        _aim(cables, _SERVO, g[lay.G_BOTTOM], p[lay.P_V_ECCENTRIC] / _varied(p, random))


@compiled
def _wait_after_failure(
    p: FloatArray, cables: FloatArray, g: FloatArray, random: RandomState, x: float, felt: float
) -> None:
    """Lower the load to the bottom, then go on with a lighter one, try the same again, or put the handle down."""
    if g[lay.G_PAUSE] < 0.0:
        if x - p[lay.P_START] < _ARRIVED_M:
            g[lay.G_PAUSE] = g[lay.G_STEP] * p[lay.P_DT]
    elif felt < p[lay.P_RETRY_RATIO] * g[lay.G_LOAD_REF] and g[lay.G_SETTLED] > _SETTLE_S:
        g[lay.G_RETRIES] = 0.0
        _to_bottom(p, cables, g, random)
    elif g[lay.G_STEP] * p[lay.P_DT] - g[lay.G_PAUSE] > p[lay.P_RETRY_WAIT]:
        if g[lay.G_RETRIES] < p[lay.P_RETRIES]:
            g[lay.G_RETRIES] += 1.0
            _to_bottom(p, cables, g, random)
        else:
            _put_down(p, cables, g)


@compiled
def decide(p: FloatArray, cables: FloatArray, g: FloatArray, random: RandomState, records: FloatArray) -> None:
    """Take the lifter's decision for the coming step; changes goals, phase and records in place.

    Args:
        p: parameters, float64, shape (P_SIZE,).
        cables: one row per cable, float64, shape (n_cables, C_SIZE).
        g: the lifter as a whole, float64, shape (G_SIZE,).
        random: state of the random stream, uint64, shape (1,).
        records: repetition records, float64, shape (MAX_RECORDS, R_SIZE).
    """
    phase = int(g[lay.G_PHASE])
    if phase in (_REST, _RELEASED, _EXTERNAL):
        return
    in_phase_s = (g[lay.G_STEP] - g[lay.G_PHASE_STEP]) * p[lay.P_DT]
    x = _mean(cables, lay.C_X)
    felt = _mean(cables, lay.C_FELT)
    _feel(p, cables, g, random, felt)
    if g[lay.G_UNLOADED] > p[lay.P_REACTION] and phase != _PUTTING_DOWN:
        _put_down(p, cables, g)
        return
    if phase == _BOTTOM:
        _wait_at_bottom(p, cables, g, random, felt, in_phase_s)
    elif phase == _CONCENTRIC:
        _concentric(p, cables, g, random, records)
    elif phase in (_TOP, _TALKING):
        _wait_at_top(p, cables, g, random, in_phase_s)
    elif phase in (_PICKING_UP, _ECCENTRIC):
        _arrive_at_bottom(p, cables, g, random, x, phase)
    elif phase == _FAILED:
        _wait_after_failure(p, cables, g, random, x, felt)
    elif phase == _PUTTING_DOWN and x < 0.004:
        _enter(g, _REST)
        _aim(cables, _OFF, 0.0, 0.0)
        g[lay.G_DONE] = 1.0
