"""Invented lifters: sets of known truth by the thousand, from lifters whose every figure and law is drawn at random.

They are for fitting alone, and like nobody in particular: force-velocity laws of three kinds, strength along the range
with up to two weak places, fatigue within and after repetitions, mass that moves with the load or not, and conduct from
explosive to slow, with pauses where nobody expects them. A rule that separates stalls from everything else here has
little to hold on to but what is common to all lifters. All ranges are ours, wide on purpose.

The whole set runs in one compiled loop at 1 kHz; every attempt is branched as in `ground_truth`, whose `TrueSet` is
what comes out. No random number is drawn in the loop: noise and habits of each repetition are drawn before, so that a
branch and the set that it left share them.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Any, Final, TypeVar, cast

import numba
import numpy as np
import numpy.typing as npt

from ebbset.simulators.evaluation.ground_truth import (
    LONGEST_SET_S,
    MOST_DROPS,
    RAMP_N_PER_S,
    RUNAWAY_M_S,
    STILL_M_S,
    Attempt,
    TrueSet,
)
from ebbset.simulators.lifter.exercises import EXERCISES

FloatArray = npt.NDArray[np.float64]
INVENTED: Final = "invented"
_F = TypeVar("_F", bound=Callable[..., Any])
_njit: Any = numba.njit(error_model="numpy", cache=True)
_DT: Final = 1e-3
_STEPS: Final = round(LONGEST_SET_S * 1000)
_REPETITIONS: Final = 64
_MOST_ATTEMPTS: Final = 40
_AHEAD_STEPS: Final = 40_000

_PAUSES_SOMEWHERE: Final = 0.05
_PAUSES_ALWAYS: Final = 0.05
"""Shares of people who hold on purpose on the way up: now and then, or always at the same place."""


def _compiled(function: _F) -> _F:
    return cast("_F", _njit(function))


# phases
_WAITS, _PICKS_UP, _BOTTOM, _UP, _TOP, _DOWN, _FAILED, _OVER = range(8)
# state
(_X, _V, _PHASE, _IN_PHASE, _EFFORT, _LEFT, _LOAD, _TARGET, _STUCK, _GOAL, _LIMIT, _HELD, _NUMBER, _RETRIES) = range(14)
(_LOW, _TOP_AT, _FELT, _REFERENCE, _PAUSE, _SPENT, _PULL, _SLOW_FELT, _SETTLED, _FIRST_M_S2) = range(14, 24)
_STATE: Final = 24
# figures of a person
(P_F0, P_VMAX, P_LAW, P_CURVE, P_LONG, P_TILT, P_DIP1, P_AT1, P_WIDE1, P_DIP2, P_AT2, P_WIDE2) = range(12)
(P_MASS, P_WITH_LOAD, P_FRICTION, P_VISCOUS, P_BOTTOM, P_ROM, P_COST, P_TIRING, P_RECOVERS) = range(12, 21)
(P_SPEED, P_LOWERS, P_HANDLES, P_BRAKES, P_GATHERS, P_RISE, P_PAUSE_BOTTOM, P_PAUSE_TOP, P_GROWTH) = range(21, 30)
(P_GRIND, P_PATIENCE, P_RETRIES, P_WAITS, P_TALKS_AFTER, P_TALKS_S, P_STOPS, P_JERK, P_JERK_HZ, P_SLOWER) = range(
    30, 40
)
(P_HEAVE, P_HEAVE_AFTER, P_WOBBLE_M, P_WOBBLE_HZ, P_PARTIAL, P_SINK_M) = range(40, 46)
_FIGURES: Final = 46
# drawn for each repetition
(R_SPREAD, R_LOW_M, R_TOP, R_HOLD_AT, R_HOLD_S, R_GAIN, R_SHORT, R_PAUSE) = range(8)


@_compiled
def _strength(p: Any, place: float) -> float:
    shape = 1.0 + p[P_TILT] * (min(max(place, -0.1), 1.1) - 0.5)
    a, b = (place - p[P_AT1]) / p[P_WIDE1], (place - p[P_AT2]) / p[P_WIDE2]
    return float(shape * (1.0 - p[P_DIP1] * math.exp(-a * a)) * (1.0 - p[P_DIP2] * math.exp(-b * b)))


@_compiled
def _greatest_pull(p: Any, left: float, place: float, v: float) -> float:
    u = v / p[P_VMAX]
    if u <= 0.0:
        law = min(1.0 - 2.0 * u, p[P_LONG])
    elif p[P_LAW] < 0.5:
        law = max(1.0 - u, 0.0)
    elif p[P_LAW] < 1.5:
        law = max((1.0 - u) / (1.0 + u / p[P_CURVE]), 0.0)
    else:
        law = max(1.0 - u * math.sqrt(u), 0.0)
    return float(p[P_F0] * left * _strength(p, place) * law)


@_compiled
def _enter(s: Any, phase: int, goal: float, limit: float) -> None:
    s[_PHASE], s[_GOAL], s[_LIMIT], s[_IN_PHASE] = phase, goal, limit, 0.0


@_compiled
def _decide(s: Any, p: Any, r: Any) -> None:  # noqa: C901 - one compiled switch over the phases
    phase = int(s[_PHASE])
    x, v, number = s[_X], s[_V], int(s[_NUMBER])
    habit = r[number]
    tired = 1.0 + p[P_GROWTH] * (1.0 - s[_LEFT])
    if phase in (_PICKS_UP, _DOWN):
        if abs(x - s[_LOW]) < 0.008 or (phase == _DOWN and x < s[_LOW]):
            s[_PAUSE] = p[P_PAUSE_BOTTOM] * tired * habit[R_PAUSE]
            _enter(s, _BOTTOM, s[_LOW] - p[P_SINK_M] * habit[R_SHORT], p[P_HANDLES])
    elif phase == _BOTTOM:
        if p[P_STOPS] > 0.0 and number >= p[P_STOPS]:
            _enter(s, _OVER, 0.0, p[P_HANDLES])
        elif s[_IN_PHASE] > s[_PAUSE] and s[_SETTLED] > 0.25:
            s[_REFERENCE] = s[_FELT]
            s[_STUCK] = 0.0
            s[_HELD] = 0.0
            short = p[P_PARTIAL] * (1.0 - s[_LEFT]) * habit[R_SHORT]
            s[_TOP_AT] = p[P_BOTTOM] + p[P_ROM] * (habit[R_TOP] - min(short, 0.6))
            slower = math.exp(-p[P_SLOWER] * number)
            _enter(s, _UP, s[_TOP_AT], p[P_SPEED] * habit[R_SPREAD] * slower)
    elif phase == _UP:
        hold_m = p[P_BOTTOM] + p[P_ROM] * habit[R_HOLD_AT]
        # the hand is told to stop where it can
        brake_m = v * v / (2.0 * p[P_BRAKES]) if v > 0.0 else 0.0
        if s[_HELD] < habit[R_HOLD_S] and x + brake_m >= hold_m:
            if s[_HELD] == 0.0:
                s[_GOAL] = max(x + brake_m, hold_m)
            s[_HELD] += _DT
            if s[_HELD] >= habit[R_HOLD_S]:
                s[_GOAL] = s[_TOP_AT]
            return
        left_m = s[_TOP_AT] - x
        slow = v < p[P_GRIND]
        if left_m < 0.008 or (slow and left_m < 0.05 * p[P_ROM]):
            s[_NUMBER] += 1.0
            s[_RETRIES] = 0.0
            talks = p[P_TALKS_AFTER] > 0.0 and s[_NUMBER] == p[P_TALKS_AFTER]
            s[_PAUSE] = p[P_TALKS_S] if talks else p[P_PAUSE_TOP] * tired * habit[R_PAUSE]
            _enter(s, _TOP, max(s[_TOP_AT], x), p[P_HANDLES])
            return
        s[_STUCK] = s[_STUCK] + _DT if slow else max(s[_STUCK] - 2.0 * _DT, 0.0)
        if s[_STUCK] > p[P_PATIENCE] * habit[R_SPREAD] or x < s[_LOW] - 0.03:
            s[_PAUSE] = -1.0
            _enter(s, _FAILED, s[_LOW], p[P_HANDLES])
    elif phase == _TOP:
        if s[_IN_PHASE] > s[_PAUSE]:
            s[_LOW] = max(p[P_BOTTOM] + habit[R_LOW_M], 0.3 * p[P_BOTTOM])
            _enter(s, _DOWN, s[_LOW], p[P_LOWERS] * habit[R_SPREAD])
    elif phase == _FAILED:
        if s[_PAUSE] < 0.0:
            if x - s[_LOW] < 0.008:
                s[_PAUSE] = s[_IN_PHASE]
        elif s[_FELT] < 0.95 * s[_REFERENCE] and s[_SETTLED] > 0.25:
            s[_RETRIES] = 0.0
            s[_PAUSE] = p[P_PAUSE_BOTTOM] * tired * habit[R_PAUSE]
            _enter(s, _BOTTOM, s[_LOW], p[P_HANDLES])
        elif s[_IN_PHASE] - s[_PAUSE] > p[P_WAITS]:
            if s[_RETRIES] < p[P_RETRIES]:
                s[_RETRIES] += 1.0
                s[_PAUSE] = p[P_PAUSE_BOTTOM]
                _enter(s, _BOTTOM, s[_LOW], p[P_HANDLES])
            else:
                _enter(s, _OVER, 0.0, p[P_HANDLES])


@_compiled
def _step(s: Any, p: Any, r: Any, noise: float, t_s: float) -> None:
    """One millisecond of a lifter with the handle in hand."""
    ramp = RAMP_N_PER_S * _DT
    s[_LOAD] += min(max(s[_TARGET] - s[_LOAD], -ramp), ramp)
    s[_IN_PHASE] += _DT
    s[_FELT] += (s[_PULL] - s[_FELT]) * _DT / 0.25
    s[_SLOW_FELT] += (s[_FELT] - s[_SLOW_FELT]) * _DT / 0.4
    s[_SETTLED] = s[_SETTLED] + _DT if abs(s[_FELT] - s[_SLOW_FELT]) < 0.03 * s[_FELT] else 0.0
    _decide(s, p, r)
    x, v = s[_X], s[_V]
    phase = int(s[_PHASE])
    place = (x - p[P_BOTTOM]) / p[P_ROM]
    to_go = s[_GOAL] - x
    if phase in (_BOTTOM, _TOP):
        to_go += p[P_WOBBLE_M] * math.sin(6.283 * p[P_WOBBLE_HZ] * t_s)
    plan = math.sqrt(2.0 * p[P_BRAKES] * abs(to_go))
    limit = s[_LIMIT]
    if phase == _UP and s[_HELD] == 0.0:
        limit = min(limit, 0.02 + p[P_GATHERS] * s[_IN_PHASE])
    plan = min(plan, limit, 8.0 * abs(to_go) + 0.005)
    if to_go < 0.0:
        plan = -plan
    still = _greatest_pull(p, s[_LEFT], place, 0.0)
    at_plan = max(_greatest_pull(p, s[_LEFT], place, plan), 0.1 * still)
    wanted = s[_FELT] / at_plan + 8.0 * (plan - v)
    wanted = min(max(wanted, -0.3), 1.0)
    s[_EFFORT] += (wanted - s[_EFFORT]) * min(p[P_RISE] * _DT, 1.0)
    gain = 1.0 + noise + r[int(s[_NUMBER])][R_GAIN]
    if phase == _UP:
        calm = max(v / 0.15, 0.0)
        gain += p[P_JERK] * math.sin(6.283 * p[P_JERK_HZ] * s[_IN_PHASE]) / (1.0 + calm * calm)
        if s[_STUCK] > p[P_HEAVE_AFTER]:
            gain += p[P_HEAVE]
    effort = s[_EFFORT]
    pull = gain * effort * _greatest_pull(p, s[_LEFT], place, v) if effort > 0.0 else effort * still
    over_m = x - (p[P_BOTTOM] + 1.03 * p[P_ROM])
    if over_m > 0.0:
        pull -= 8000.0 * over_m + 200.0 * v
    mass = p[P_MASS] + p[P_WITH_LOAD] * s[_LOAD] / 9.81
    drag = p[P_FRICTION] * math.tanh(v / 0.01) + p[P_VISCOUS] * v
    a = (pull - s[_LOAD] - drag) / mass
    s[_V] += a * _DT
    s[_X] += s[_V] * _DT
    if s[_X] < 0.0:
        s[_X] = 0.0
        s[_V] = max(s[_V], 0.0)
    rig_mass = 3.0 + p[P_WITH_LOAD] * s[_LOAD] / 9.81
    s[_PULL] = max(s[_LOAD] + drag + rig_mass * a, 0.0)
    # fatigue: while working, and by the repetition when it is over
    if phase == _UP:
        s[_SPENT] += max(effort, 0.0) * _DT
    elif s[_SPENT] > 0.0:
        s[_LEFT] -= p[P_COST] * (2.0 if phase == _FAILED else 1.0)
        s[_SPENT] = 0.0
    s[_LEFT] += (_DT / p[P_RECOVERS]) * (1.0 - s[_LEFT]) - p[P_TIRING] * max(effort, 0.0) * s[_LEFT] * _DT
    s[_LEFT] = max(s[_LEFT], 0.1)


@_compiled
def _branch(state: Any, p: Any, r: Any, noise: Any, k: int, out: Any) -> None:
    """How the ascent goes on without a drop: through, end of motion (s), end (s), lowest velocity on the way."""
    s = state.copy()
    began_k = k
    moved, slowest = k, 1e9
    while int(s[_PHASE]) == _UP and k < began_k + _AHEAD_STEPS:
        _step(s, p, r, noise[k % len(noise)], k * _DT)
        k += 1
        # between the same shares as in `ground_truth`
        share = (s[_X] - p[P_BOTTOM]) / p[P_ROM]
        if s[_V] >= STILL_M_S and s[_X] > p[P_BOTTOM] - 0.02:
            moved = k
        if 0.08 < share < 0.9 and s[_V] < slowest:
            slowest = s[_V]
    out[0] = 1.0 if int(s[_PHASE]) == _TOP else 0.0
    out[1], out[2], out[3] = moved * _DT, k * _DT, slowest


@_compiled
def _run(p: Any, r: Any, noise: Any, chance: Any, load_n: float, rows: Any, attempts: Any, drops: Any) -> Any:  # noqa: C901
    """Fills ``rows`` (position, velocity, tension, load, docked, left) and returns how many of each there are."""
    s = np.zeros(_STATE)
    s[_LEFT] = 1.0
    s[_LOAD] = s[_TARGET] = load_n
    s[_PULL] = s[_FELT] = s[_SLOW_FELT] = load_n
    s[_LOW] = max(p[P_BOTTOM] + r[0][R_LOW_M], 0.3 * p[P_BOTTOM])
    s[_PHASE] = _WAITS
    judged, branch = False, np.zeros(4)
    began_s, drop_s, continued, n_attempts, n_drops = 0.0, 1e9, 0.0, 0, 0
    draw = 0
    k = 0
    while k < len(rows):
        now_s = k * _DT
        if int(s[_PHASE]) == _WAITS and now_s > 0.8:
            _enter(s, _PICKS_UP, s[_LOW], p[P_HANDLES])
        before = int(s[_PHASE])
        if before != _WAITS:
            _step(s, p, r, noise[k % len(noise)], now_s)
        phase = int(s[_PHASE])
        docked = phase == _WAITS or (phase == _OVER and s[_X] < 0.004)
        rows[k] = (s[_X], s[_V], s[_PULL], s[_TARGET], 1.0 if docked else 0.0, s[_LEFT])
        k += 1
        now_s = k * _DT
        if phase == _OVER and (s[_X] < 0.004 or s[_IN_PHASE] > 3.0):
            break
        if phase == _UP and before != _UP:
            began_s, continued = now_s, 0.0
            _branch(s, p, r, noise, k, branch)
            judged = True
            draw += 2
            late = chance[draw % len(chance)] < 0.5
            drop_s = branch[1] + 0.5 + 0.7 * chance[(draw + 1) % len(chance)] if late else branch[2] + 0.3
        elif before == _UP and phase != _UP and judged:
            attempts[n_attempts] = (
                began_s, now_s, 1.0 - branch[0], branch[1], branch[2], branch[3], s[_TARGET],
                (s[_X] - p[P_BOTTOM]) / p[P_ROM], continued,
            )  # fmt: skip
            n_attempts += 1
            if branch[0] > 0.5:
                judged = False
            else:
                drop_s = max(drop_s, now_s + 0.3)
        if judged and branch[0] < 0.5 and now_s >= drop_s and n_drops < MOST_DROPS:
            draw += 2
            lower_n = s[_TARGET] * (0.7 + 0.22 * chance[draw % len(chance)])
            if phase == _UP:
                attempts[n_attempts] = (
                    began_s, now_s, 1.0, branch[1], branch[2], branch[3], s[_TARGET],
                    (s[_X] - p[P_BOTTOM]) / p[P_ROM], continued,
                )  # fmt: skip
                n_attempts += 1
            drops[n_drops] = (now_s, lower_n, (s[_TARGET] - lower_n) / RAMP_N_PER_S + 0.15)
            n_drops += 1
            s[_TARGET] = lower_n
            began_s, continued = now_s, 1.0
            judged, drop_s = False, 1e9
            if phase == _UP:
                _branch(s, p, r, noise, k, branch)
                judged = True
                drop_s = branch[1] + 0.6 + 0.6 * chance[(draw + 1) % len(chance)]
        if n_attempts >= _MOST_ATTEMPTS or s[_NUMBER] >= _REPETITIONS - 2:
            break
    return k, n_attempts, n_drops


def _figures(rng: np.random.Generator) -> FloatArray:
    """One person, and how they behave."""

    def within(low: float, high: float) -> float:
        return float(rng.uniform(low, high))

    def spread(middle: float, sd: float, low: float, high: float) -> float:
        return float(np.clip(middle * math.exp(sd * rng.standard_normal()), low, high))

    def some(chance: float, value: float) -> float:
        return value if rng.random() < chance else 0.0

    p = np.zeros(_FIGURES)
    p[P_F0] = spread(500.0, 0.5, 120.0, 2500.0)
    p[P_VMAX] = spread(1.5, 0.4, 0.6, 4.0)
    p[P_LAW], p[P_CURVE], p[P_LONG] = float(rng.integers(3)), within(0.2, 1.0), within(1.1, 1.8)
    p[P_TILT] = within(-0.3, 0.3)
    p[P_DIP1], p[P_AT1], p[P_WIDE1] = some(0.8, within(0.03, 0.35)), within(0.1, 0.8), within(0.06, 0.3)
    p[P_DIP2], p[P_AT2], p[P_WIDE2] = some(0.3, within(0.03, 0.2)), within(0.05, 0.95), within(0.05, 0.2)
    p[P_MASS], p[P_WITH_LOAD] = within(3.5, 15.0), some(0.3, within(0.1, 1.0))
    p[P_FRICTION], p[P_VISCOUS] = within(0.0, 15.0), within(0.0, 15.0)
    p[P_BOTTOM], p[P_ROM] = within(0.05, 0.6), within(0.22, 0.8)
    p[P_COST], p[P_TIRING] = within(0.0, 0.05), within(0.0, 0.03)
    p[P_RECOVERS] = spread(60.0, 0.5, 15.0, 300.0)
    p[P_SPEED] = 99.0 if rng.random() < 0.5 else within(0.12, 0.7)
    p[P_LOWERS], p[P_HANDLES], p[P_BRAKES] = within(0.15, 0.7), within(0.15, 0.45), within(1.0, 12.0)
    p[P_GATHERS] = 99.0 if rng.random() < 0.5 else within(0.3, 4.0)
    p[P_RISE] = within(8.0, 40.0)
    p[P_PAUSE_BOTTOM], p[P_PAUSE_TOP] = float(rng.exponential(0.4)), float(rng.exponential(0.5))
    p[P_GROWTH] = within(0.0, 4.0)
    p[P_GRIND], p[P_PATIENCE] = within(0.02, 0.08), spread(1.3, 0.6, 0.25, 5.0)
    p[P_RETRIES], p[P_WAITS] = float(rng.integers(0, 3)), within(0.5, 4.0)
    p[P_TALKS_AFTER], p[P_TALKS_S] = some(0.12, float(rng.integers(1, 5))), within(2.0, 12.0)
    p[P_STOPS] = some(0.15, float(rng.integers(3, 12)))
    p[P_JERK], p[P_JERK_HZ] = some(0.25, within(0.02, 0.15)), within(1.5, 7.0)
    p[P_SLOWER] = some(0.3, within(0.0, 0.08))
    p[P_HEAVE], p[P_HEAVE_AFTER] = some(0.2, within(0.01, 0.06)), within(0.1, 0.8)
    p[P_WOBBLE_M], p[P_WOBBLE_HZ] = some(0.5, within(0.0, 0.006)), within(0.2, 1.2)
    p[P_PARTIAL], p[P_SINK_M] = some(0.15, within(0.3, 1.0)), some(0.3, within(0.0, 0.02))
    return p


def _of_repetitions(rng: np.random.Generator) -> FloatArray:
    """What differs from one repetition to the next."""
    n = _REPETITIONS
    r = np.zeros((n, 8))
    cv = float(rng.uniform(0.0, 0.25))
    r[:, R_SPREAD] = np.exp(cv * rng.standard_normal(n))
    r[:, R_PAUSE] = np.exp(2.0 * cv * rng.standard_normal(n))
    low_sd = float(rng.uniform(0.0, 0.025)) if rng.random() < 0.7 else 0.0
    r[:, R_LOW_M] = low_sd * np.clip(rng.standard_normal(n), -2.0, 2.0)
    top_cv = float(rng.uniform(0.0, 0.05))
    r[:, R_TOP] = 1.0 + np.minimum(top_cv * np.clip(rng.standard_normal(n), -2.0, 2.0), 0.02)
    r[:, R_GAIN] = float(rng.uniform(0.0, 0.04)) * rng.standard_normal(n)
    r[:, R_SHORT] = rng.random(n)
    kind = rng.random()
    places, seconds = rng.uniform(0.08, 0.8, n), np.exp(0.4 * rng.standard_normal(n)) * rng.uniform(0.25, 1.2)
    if kind < _PAUSES_SOMEWHERE:
        # pauses now and then, anywhere
        seconds[rng.random(n) > rng.uniform(0.1, 0.5)] = 0.0
    elif kind < _PAUSES_SOMEWHERE + _PAUSES_ALWAYS:
        # always at the same place, as a paused press is done
        places = np.clip(rng.uniform(0.05, 0.75) + 0.02 * rng.standard_normal(n), 0.04, 0.8)
        seconds *= 1.0 + 0.05 * np.arange(n)
    else:
        seconds[:] = 0.0
    r[:, R_HOLD_AT], r[:, R_HOLD_S] = places, seconds
    return r


def _noise(rng: np.random.Generator) -> FloatArray:
    """Fluctuation of force, correlated over some tenths of a second."""
    steps, tau = 20_000, float(rng.uniform(0.1, 0.5))
    coarse = rng.standard_normal(steps // 20)
    keep = math.exp(-0.02 / tau)
    for k in range(1, len(coarse)):
        coarse[k] = keep * coarse[k - 1] + math.sqrt(1.0 - keep * keep) * coarse[k]
    sd = float(rng.uniform(0.003, 0.025))
    return np.asarray(sd * np.interp(np.arange(steps) / 20.0, np.arange(len(coarse)), coarse))


def drawn_set(rng: np.random.Generator) -> TrueSet:
    """Draw a person, a load and a set, run it and branch every attempt.

    Args:
        rng: source of all randomness of this set.
    """
    p, r, noise = _figures(rng), _of_repetitions(rng), _noise(rng)
    weakest = min(_strength(p, place) for place in np.linspace(0.0, 0.95, 40))
    best_n = p[P_F0] * weakest - p[P_FRICTION]
    rows, attempts, drops = np.zeros((_STEPS, 6)), np.zeros((_MOST_ATTEMPTS + 2, 9)), np.zeros((MOST_DROPS, 3))
    load_n = float(rng.uniform(0.6, 0.93)) * best_n
    n, n_attempts, n_drops = _run(p, r, noise, rng.random(64), load_n, rows, attempts, drops)
    data = rows[:n]
    loose = np.flatnonzero(data[:, 1] < RUNAWAY_M_S)
    t_s = np.arange(1, n + 1) * _DT
    return TrueSet(
        behaviour="as_drawn",
        family=INVENTED,
        exercise=EXERCISES[int(rng.integers(len(EXERCISES)))] if rng.random() < 0.7 else "something_new",
        one_rm_n=float(best_n),
        tested_m_s=(),
        t_s=t_s,
        position_m=data[:, 0].copy(),
        velocity_m_s=data[:, 1].copy(),
        tension_n=data[:, 2].copy(),
        applied_n=data[:, 3].copy(),
        docked=data[:, 4] > 0.5,
        capacity=data[::5, 5].copy(),
        attempts=tuple(
            Attempt(
                start_s=float(a[0]),
                end_s=float(a[1]),
                stalled=bool(a[2] > 0.5),
                motion_ended_s=float(a[3]),
                failed_s=float(a[4]),
                slowest_m_s=float(a[5]),
                load_n=float(a[6]),
                end_share=float(a[7]),
                continued=bool(a[8] > 0.5),
            )
            for a in attempts[:n_attempts]
        ),
        drops=tuple((float(d[0]), float(d[1]), float(d[2])) for d in drops[:n_drops]),
        released_s=None,
        loose_s=float(t_s[loose[0]]) if len(loose) else None,
    )
