"""A clock for rigs and controllers within a test's process."""

from __future__ import annotations

import time


class UnhurriedClock:
    """Seconds that go by while this process is run.

    A busy machine may not run a process for a second. A rig within it would then find that its lease ran out, although
    the controller had no chance to renew it, and a controller that telemetry was silent, although it waits to be read;
    by this clock no more than ``most_s`` went by.

    Args:
        most_s: the longest time between two looks at the clock while the process is run.
    """

    def __init__(self, most_s: float = 0.03) -> None:
        self._most_s = most_s
        self._looked_s = time.monotonic()
        self._now_s = 0.0

    def __call__(self) -> float:
        """Seconds since the clock was made."""
        now_s = time.monotonic()
        self._now_s += min(now_s - self._looked_s, self._most_s)
        self._looked_s = now_s
        return self._now_s
