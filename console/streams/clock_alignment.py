"""The offset between a remote clock and the local one, from when messages that cite the remote clock arrive.

Every message arrives late by its own delay, so that arrival minus cited time is the offset and a delay, which is never
negative. The least of many is therefore nearest to the offset, and what remains is the least delay. It is taken over a
short window, since clocks drift: at 50 parts per million a window of 10 s lets the offset lag by 0.5 ms at most. A busy
machine that delays most messages does no harm as long as one in a window comes through. Pure: times come in.
"""

from __future__ import annotations

from collections import deque
from typing import Final

BLOCK_S: Final = 1.0
BLOCKS: Final = 10


class ClockAlignment:
    """Least difference between arrival and cited time over the last `BLOCKS` blocks of `BLOCK_S`.

    Args:
        needed: messages before there is an offset.
    """

    def __init__(self, needed: int) -> None:
        self._needed = needed
        self._seen = 0
        self._blocks: deque[tuple[float, float]] = deque(maxlen=BLOCKS)

    def note(self, cited_us: int, arrival_s: float) -> None:
        """Take one message in.

        Args:
            cited_us: the remote clock's time in it, microseconds.
            arrival_s: local clock at arrival, seconds.
        """
        self._seen += 1
        apart_s = arrival_s - cited_us * 1e-6
        if self._blocks and arrival_s - self._blocks[-1][0] < BLOCK_S:
            began_s, least_s = self._blocks[-1]
            self._blocks[-1] = (began_s, min(least_s, apart_s))
        else:
            self._blocks.append((arrival_s, apart_s))

    @property
    def offset_s(self) -> float | None:
        """What to add to the remote clock to get the local one, seconds; None before there were enough messages."""
        if self._seen < self._needed:
            return None
        return min(least_s for _, least_s in self._blocks)

    def local_s(self, cited_us: int) -> float | None:
        """Local time of a remote one, seconds; None while the offset is unknown."""
        offset_s = self.offset_s
        return None if offset_s is None else cited_us * 1e-6 + offset_s
