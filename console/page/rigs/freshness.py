"""How old the newest data are, judged by the clock of whoever receives them.

A message tells its sender's clock. The least difference between arrival and that clock is what the way takes at its
best; a message with a larger difference was on the way for that much longer, so it was old when it arrived. The least
difference may grow slowly, because two clocks never run alike. Pure: the time is passed in.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

DRIFT: Final = 200e-6
"""Fastest that two clocks run apart: quartz clocks keep 100 parts in a million (common practice, no source)."""


@dataclass(slots=True)
class Freshness:
    """Age of the newest message from one sender.

    Attributes:
        arrived_s: when it arrived, receiver's monotonic clock, s; None before the first.
        late_s: how much later than at best.
    """

    arrived_s: float | None = None
    late_s: float = 0.0
    _offset_s: float | None = None
    _sent_s: float = 0.0

    def take(self, sent_s: float, at_s: float) -> None:
        """Note a message.

        Args:
            sent_s: sender's clock in it, s.
            at_s: when it arrived, receiver's clock, s.
        """
        if self._offset_s is None or self.arrived_s is None or sent_s < self._sent_s:
            # The first, or the sender was started anew.
            self._offset_s = at_s - sent_s
        else:
            self._offset_s = min(at_s - sent_s, self._offset_s + DRIFT * (at_s - self.arrived_s))
        self.arrived_s, self._sent_s = at_s, sent_s
        self.late_s = at_s - sent_s - self._offset_s

    def arrive(self, at_s: float) -> None:
        """Note a message that tells no clock.

        Args:
            at_s: when it arrived, s.
        """
        self.arrived_s = at_s

    def age_s(self, now_s: float) -> float | None:
        """Age of the newest message, s; None before the first.

        Args:
            now_s: receiver's clock, s.
        """
        return None if self.arrived_s is None else max(now_s - self.arrived_s + self.late_s, 0.0)

    def forget(self) -> None:
        """Begin anew, after a broken connection: what is known of its ways no longer holds."""
        self.arrived_s, self._offset_s, self.late_s, self._sent_s = None, None, 0.0, 0.0
