"""Ascents made by a formula, that no lifter of the simulator and no fit has seen."""

from __future__ import annotations

import math

from tests.support.traces import Trace

ROM = 0.4
BOTTOM = 0.1


def ascent(trace: Trace, fatigue_m_s: float, *, bottom_m: float = BOTTOM, longest_s: float = 4.0) -> float | None:
    """Add an ascent with a sticking region and this much fatigue; when it fell under 0.05 m/s for good, if it did."""
    x, v, began = bottom_m, 0.0, trace.now_s
    slow_since: float | None = None
    while x < BOTTOM + ROM - 0.001 and trace.now_s < began + longest_s:
        s = (x - BOTTOM) / ROM
        aim = 0.62 * (1.0 - 0.62 * math.exp(-(((s - 0.35) / 0.16) ** 2))) - fatigue_m_s
        brake = math.sqrt(max(0.0, 2.0 * 6.0 * (BOTTOM + ROM - x))) + 0.02
        v += (min(max(aim, 0.0), brake) - v) * trace.step_s / 0.04
        x += v * trace.step_s
        trace.position_m.append(x)
        if v >= 0.05:
            slow_since = None
        elif slow_since is None and trace.now_s > began + 0.3:
            slow_since = trace.now_s
    return slow_since if x < BOTTOM + 0.9 * ROM else None


def tiring(until_m_s: float, step_m_s: float) -> tuple[Trace, float | None]:
    """Repetitions, each slower than the one before, up to this much fatigue; when the last one stopped."""
    trace = Trace().hold(0.8)
    stopped: float | None = None
    fatigue = 0.0
    while fatigue <= until_m_s:
        stopped = ascent(trace, fatigue)
        if stopped is not None:
            break
        trace.hold(0.3).move(BOTTOM, 1.2).hold(0.2)
        fatigue += step_m_s
    return trace, stopped
