"""Map a function over items on several processes or a cluster: results in order, with only a few items ahead.

Any executor with ``submit`` will do: the process pool of the standard library, or a Dask client. The order of
results does not depend on which finished first, so they are the same for any number of workers.
"""

from __future__ import annotations

import os
from collections import deque
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import ProcessPoolExecutor
from itertools import islice
from multiprocessing import get_context
from typing import Any, Final, Protocol, TypeVar

A = TypeVar("A")
R = TypeVar("R")
AHEAD_PER_WORKER: Final = 3


class Future(Protocol):
    """What an executor gives back."""

    def result(self) -> Any:
        """Wait for the value."""


class Executor(Protocol):
    """Anything that can be handed work: a process pool, or a Dask client."""

    def submit(self, fn: Callable[..., Any], /, *args: Any) -> Any:
        """Start ``fn(*args)`` somewhere.

        Args:
            fn: function to call.
            *args: its arguments.
        """


def parallel_map(
    function: Callable[[A], R], items: Iterable[A], *, workers: int | None = None, executor: Executor | None = None
) -> Iterator[R]:
    """``function`` of each item, in the order of the items.

    Args:
        function: importable by name, since other processes must find it.
        items: taken only a few ahead of the results.
        workers: processes, one per core when None; 1 works in this one. With an executor: how many it has.
        executor: where to work instead of a pool of our own.

    Raises:
        ValueError: fewer than one worker.
        Exception: whatever ``function`` raises, at the place of its item.
    """
    count = workers if workers is not None else (os.cpu_count() or 1)
    if count < 1:
        raise ValueError(f"workers is {count!r}; allowed: 1 or more")
    if executor is not None:
        yield from _through(executor, function, items, count)
    elif count == 1:
        yield from map(function, items)
    else:
        # Spawned, not forked: a forked child would inherit locks and threads of whatever runs here.
        with ProcessPoolExecutor(count, mp_context=get_context("spawn")) as pool:
            yield from _through(pool, function, items, count)


def _through(executor: Executor, function: Callable[[A], R], items: Iterable[A], count: int) -> Iterator[R]:
    source = iter(items)
    waiting: deque[Future] = deque(executor.submit(function, item) for item in islice(source, count * AHEAD_PER_WORKER))
    while waiting:
        found: Any = waiting.popleft().result()
        waiting.extend(executor.submit(function, item) for item in islice(source, 1))
        yield found
