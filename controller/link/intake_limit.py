"""How much of a kind of input is taken in: a burst at once, and so much a second in the long run.

What goes beyond is left out and counted. Pure: the caller gives the time.
"""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(slots=True)
class IntakeLimit:
    """A token bucket.

    Attributes:
        per_s: how many are taken in a second in the long run.
        burst: how many are taken at once.
        left_out: how many were not taken since the count was last taken over.
    """

    per_s: float
    burst: float
    left_out: int = 0
    _spent: float = 0.0
    _since_us: int = 0

    def takes(self, now_us: int, cost: float = 1.0) -> bool:
        """Whether one more is taken in; one that is not is counted.

        Args:
            now_us: the caller's clock, microseconds.
            cost: how many ordinary ones it counts for.
        """
        self._spent = max(0.0, self._spent - max(0, now_us - self._since_us) / 1e6 * self.per_s)
        self._since_us = max(now_us, self._since_us)
        if self._spent + cost > self.burst:
            self.left_out += 1
            return False
        self._spent += cost
        return True

    def take_count(self) -> int:
        """How many were left out since this was last asked."""
        count, self.left_out = self.left_out, 0
        return count
