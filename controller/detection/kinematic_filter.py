"""Position and velocity of one cable from its samples, without the noise and with little lag.

What lives here: a second-order fading-memory observer on the rig's own timestamps, applied to a frame's raw columns.
What never does: what the movement means (`segmenter`). docs/method.md has the equations.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Iterator
from typing import Final

FILTER_S: Final = 0.018
GAP_US: Final = 300_000
NEVER_US: Final = -(10**15)

RawSample = tuple[int, float, float | None, float | None]
"""Rig time in microseconds, position in metres, velocity in m/s and tension in newtons where the rig reports them."""
FilteredSample = tuple[int, float, float, float, float | None]
"""Rig time in microseconds, raw and filtered position in metres, filtered velocity in m/s, tension in newtons."""
WINDOW_US: Final = 70_000
FEWEST: Final = 5
THINNED_US: Final = 4_000
"""Samples that follow more closely than this add work and hardly any certainty."""


class KinematicFilter:
    """Filters one cable.

    Attributes:
        t_us: rig time of the newest sample, ``None`` before the first.
        position_m: filtered position.
        velocity_m_s: filtered velocity.
        raw_m: newest position as the rig gave it.
        restarted: the last run ended at a gap too long to bridge, or at the first sample of all.
        from_t_us: rig time of the sample before the frame, or of the last gap in it.
        from_raw_m: its position as the rig gave it.
        moved_by_velocity_m: the rig's velocity integrated over the frame.
        path_m: the same of its absolute value.
        low_raw_m: lowest position of the frame as the rig gave it.
        high_raw_m: and the highest.
        slowest_m_s: lowest filtered velocity of the last run, at most 0.
    """

    __slots__ = (
        "_dt_s",
        "_gain_v",
        "_gain_vx",
        "_gain_x",
        "from_raw_m",
        "from_t_us",
        "high_raw_m",
        "low_raw_m",
        "moved_by_velocity_m",
        "path_m",
        "position_m",
        "raw_m",
        "restarted",
        "slowest_m_s",
        "t_us",
        "velocity_m_s",
    )

    def __init__(self) -> None:
        self.t_us: int | None = None
        self.position_m = self.velocity_m_s = self.raw_m = 0.0
        self.restarted = False
        self.slowest_m_s = 0.0
        self._dt_s = self._gain_x = self._gain_vx = self._gain_v = 0.0
        self.begin_frame(0.0)

    def begin_frame(self, first_raw_m: float) -> None:
        """A frame begins whose first position, as the rig gave it, is this."""
        self.from_t_us = self.t_us or 0
        self.from_raw_m = self.raw_m
        self.moved_by_velocity_m = self.path_m = 0.0
        self.low_raw_m = self.high_raw_m = first_raw_m

    def run(self, samples: Iterator[RawSample]) -> list[FilteredSample]:
        """Filter samples up to their end or up to a gap; samples that are not newer than the last are left out.

        The sample after a gap restarts the filter and is in no list.
        """
        filtered: list[FilteredSample] = []
        last = NEVER_US if self.t_us is None else self.t_us
        x, v, raw = self.position_m, self.velocity_m_s, self.raw_m
        dt_s, gain_x, gain_vx, gain_v = self._dt_s, self._gain_x, self._gain_vx, self._gain_v
        moved_by_velocity, path = self.moved_by_velocity_m, self.path_m
        low_raw, high_raw = self.low_raw_m, self.high_raw_m
        self.restarted = False
        slowest = 0.0
        for t, z, w, f in samples:
            since_us = t - last
            if since_us > GAP_US:
                x = raw = self.from_raw_m = z
                v = w if w is not None else 0.0
                last = self.from_t_us = t
                self.restarted = True
                break
            if since_us <= 0:
                continue
            dt = since_us * 1e-6
            last = t
            if dt != dt_s:
                dt_s = dt
                q = dt / FILTER_S
                pole = 1.0 / (1.0 + q + 0.5 * q * q)
                gain_x = 1.0 - pole * pole
                gain_vx = (1.0 - pole) * (1.0 - pole) / dt
                gain_v = dt / (dt + FILTER_S)
            x += v * dt
            e = z - x
            x += gain_x * e
            v += gain_vx * e
            if w is not None:
                v += gain_v * (w - v)
                moved_m = w * dt
                moved_by_velocity += moved_m
                path += moved_m if w > 0.0 else -moved_m
            if z < low_raw:
                low_raw = z
            elif z > high_raw:
                high_raw = z
            raw = z
            if v < slowest:
                slowest = v
            filtered.append((t, z, x, v, f))
        self.t_us, self.raw_m, self.position_m, self.velocity_m_s = last, raw, x, v
        self._dt_s, self._gain_x, self._gain_vx, self._gain_v = dt_s, gain_x, gain_vx, gain_v
        self.slowest_m_s = slowest
        self.moved_by_velocity_m, self.path_m = moved_by_velocity, path
        self.low_raw_m, self.high_raw_m = low_raw, high_raw
        return filtered


class MotionOffset:
    """When a handle was last as fast as the stall velocity, known 0.05 s later without the filter's lag.

    The slope of position over a short window belongs to the window's middle. Only a prescribed grinding time needs it:
    it counts from there to within hundredths of a second, and a filtered velocity of a handle that slows gently is not
    that exact. Whether it is a stall is for `stall_rule`.

    Args:
        threshold_m_s: the stall velocity.

    Attributes:
        at_us: rig time at which the velocity last fell below it; ``None`` while it has not, or is not known yet.
    """

    __slots__ = ("_before_t", "_before_v", "_threshold", "_window", "at_us")

    def __init__(self, threshold_m_s: float) -> None:
        self._threshold = threshold_m_s
        self._window: deque[tuple[int, float]] = deque()
        self.at_us: int | None = None
        self.restart()

    def restart(self) -> None:
        """A new ascent, or a new load in it."""
        self._window.clear()
        self.at_us = None
        self._before_t = 0
        self._before_v = self._threshold

    def sample(self, t_us: int, position_m: float) -> None:
        """Take in one position as the rig gave it.

        Args:
            t_us: rig time, microseconds.
            position_m: cable paid out, metres.
        """
        window = self._window
        if window and t_us - window[-1][0] < THINNED_US:
            return
        window.append((t_us, position_m))
        while len(window) > FEWEST and window[0][0] < t_us - WINDOW_US:
            window.popleft()
        count = len(window)
        if count < FEWEST:
            return
        first = window[0][0]
        mean_t = mean_x = 0.0
        for t, x in window:
            mean_t += t - first
            mean_x += x
        mean_t /= count
        mean_x /= count
        across = along = 0.0
        for t, x in window:
            off = t - first - mean_t
            across += off * (x - mean_x)
            along += off * off
        v = across / along * 1e6
        middle = first + round(mean_t)
        if v >= self._threshold:
            self.at_us = None
        elif self.at_us is None:
            part = (self._before_v - self._threshold) / (self._before_v - v)
            crossed = self._before_t + round(part * (middle - self._before_t)) if self._before_t else middle
            self.at_us = crossed
        self._before_t, self._before_v = middle, v
