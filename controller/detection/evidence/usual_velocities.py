"""How fast this person's ascents of this set were, place by place, and how that fell from one to the next.

What lives here: velocities learned in the set. What never does: what they say of the ascent under way
(`habit_evidence`).
Plain + - * / in a fixed order.
"""

from __future__ import annotations

from typing import Final

from ebbset.controller.detection.evidence.habit_figures import UNKNOWN

CELLS: Final = 20
HABIT_GAIN: Final = 0.4
FIRST_CELL: Final = 2
LAST_CELL: Final = 17
"""Gathering speed below, slowing down for the top above: neither says how strong somebody is."""


class UsualVelocities:
    """Velocities of earlier ascents at each place; ``UNKNOWN`` before the first.

    Attributes:
        here: shape (``CELLS`` + 1,), usual velocity at a place, m/s.
        ahead: shape (``CELLS`` + 1,), lowest usual velocity from a place on, m/s.
        last_low: lowest velocity of the newest ascent, m/s.
        best_low: greatest lowest velocity of any ascent, m/s.
        fall: by how much the newest was lower than the one before, m/s.
    """

    __slots__ = ("_count", "_sum", "ahead", "best_low", "fall", "here", "last_low")

    def __init__(self) -> None:
        self.here = [UNKNOWN] * (CELLS + 1)
        self.ahead = [UNKNOWN] * (CELLS + 1)
        self.last_low = self.best_low = self.fall = UNKNOWN
        self.begin()

    def begin(self) -> None:
        """An ascent begins."""
        self._sum = [0.0] * (CELLS + 1)
        self._count = [0] * (CELLS + 1)

    def sample(self, share: float, v: float) -> None:
        """Take in one sample of the ascent under way.

        Args:
            share: position as a share of the range of motion.
            v: velocity, m/s.
        """
        cell = cell_of(share)
        self._sum[cell] += v
        self._count[cell] += 1

    def learn(self) -> None:
        """The ascent came through at one load: it counts from now on."""
        lowest = -UNKNOWN
        for k in range(CELLS + 1):
            if self._count[k]:
                mean = self._sum[k] / self._count[k]
                self.here[k] = toward(self.here[k], mean)
                if FIRST_CELL <= k <= LAST_CELL and mean < lowest:
                    lowest = mean
        low = -UNKNOWN
        for k in range(CELLS, -1, -1):
            usual = self.here[k]
            if k <= LAST_CELL and usual != UNKNOWN and usual < low:
                low = usual
            self.ahead[k] = low if low < -UNKNOWN else UNKNOWN
        if lowest < -UNKNOWN:
            if self.last_low != UNKNOWN:
                self.fall = self.last_low - lowest
            self.last_low = lowest
            if lowest > self.best_low:
                self.best_low = lowest


def cell_of(share: float) -> int:
    """Number of a place.

    Args:
        share: position as a share of the range of motion.
    """
    place = share * CELLS
    return 0 if place < 0.0 else CELLS if place > CELLS else int(place)


def toward(usual: float, now: float) -> float:
    """A habit after one more ascent; the first one is taken as it is.

    Args:
        usual: before it.
        now: in it.
    """
    return now if usual == UNKNOWN else usual + HABIT_GAIN * (now - usual)
