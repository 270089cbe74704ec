"""Armings of rigs that are served in one loop, one after the other: whoever has a set under way waits for one at most.

An arming takes the loop for a while, and so do the threads that begin its recording, since Python runs one thread at a
time. Fifty at once would keep a sample waiting behind all of them. Never here: whether a rig may be armed.
"""

from __future__ import annotations

import asyncio
import contextlib
from collections.abc import AsyncIterator
from typing import Final

MOST_TURN_S: Final = 0.05
"""After this the next rig has its turn, too, so that a disk that does not answer holds up one rig only."""


class ArmingTurns:
    """Turns in the order in which they were asked for.

    Args:
        most_s: how long a turn keeps the others waiting, seconds.
    """

    def __init__(self, most_s: float = MOST_TURN_S) -> None:
        self._most_s = most_s
        self._taken = asyncio.Lock()

    @contextlib.asynccontextmanager
    async def turn(self) -> AsyncIterator[None]:
        """Wait for a turn and have it. What became ready meanwhile runs before the next one begins."""
        await self._taken.acquire()
        over = False

        def end() -> None:
            nonlocal over
            if not over:
                over = True
                self._taken.release()

        ending = asyncio.get_running_loop().call_later(self._most_s, end)
        try:
            yield
        finally:
            ending.cancel()
            end()
