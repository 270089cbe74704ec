"""A clock for rigs that share a process with their controllers."""

from __future__ import annotations

import time

MOST_S = 0.03


class UnhurriedClock:
    """Seconds that go by while this process is run.

    A busy machine may not run a process for a second. A rig within it would then find that its lease ran out, although
    the controller had no chance to renew it; by this clock no more than `MOST_S` went by.
    """

    def __init__(self) -> None:
        self._looked_s = time.monotonic()
        self._now_s = 0.0

    def __call__(self) -> float:
        """Seconds since the clock was made."""
        now_s = time.monotonic()
        self._now_s += min(now_s - self._looked_s, MOST_S)
        self._looked_s = now_s
        return self._now_s
