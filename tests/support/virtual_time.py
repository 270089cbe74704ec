"""An event loop whose clock jumps to the next timer instead of waiting for it.

Whoever asks the loop for the time sees seconds go by, and the order of events is the same in every run, however busy
the machine is. It is for code that waits on timers alone: nothing here may wait for a socket, a thread or a process.
"""

from __future__ import annotations

import asyncio
import selectors
from collections.abc import Callable, Coroutine
from typing import Any, TypeVar

T = TypeVar("T")


class _JumpingSelector(selectors.DefaultSelector):
    """Never waits: the time that it should have waited is added to the clock."""

    now_s = 0.0

    def select(self, timeout: float | None = None) -> list[tuple[selectors.SelectorKey, int]]:
        ready = super().select(0.0)
        if ready:
            return ready
        if timeout is None:
            raise RuntimeError("every task waits, and no timer would ever wake one")
        self.now_s += max(timeout, 0.0)
        return []


class VirtualTimeLoop(asyncio.SelectorEventLoop):
    """See the module."""

    def __init__(self) -> None:
        self._jumping = _JumpingSelector()
        super().__init__(self._jumping)

    def time(self) -> float:
        """Seconds since the loop was made."""
        return self._jumping.now_s


def run_in_virtual_time(main: Callable[[], Coroutine[Any, Any, T]]) -> T:
    """Run a coroutine to its end in a loop of its own.

    Args:
        main: makes the coroutine.

    Raises:
        RuntimeError: every task waits for something other than a timer.
    """
    with asyncio.Runner(loop_factory=VirtualTimeLoop) as runner:
        return runner.run(main())
