"""Motion offset: when a handle was last as fast as the stall velocity, known 0.05 s later without a filter's lag.

What lives here: the slope of position over a short window, which belongs to the window's middle. What never does:
whether that is a stall (`stall`). Only a prescribed grinding time needs it: it counts from there to within
hundredths of a second, and a filtered velocity of a handle that slows gently is not that exact.
"""

from __future__ import annotations

from collections import deque
from typing import Final

WINDOW_US: Final = 70_000
FEWEST: Final = 5
THINNED_US: Final = 4_000
"""Samples that follow more closely than this add work and hardly any certainty."""


class MotionOffset:
    """Follows the positions of one ascent.

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
