"""Many independent pieces of work on several processes: results in order, memory bounded, the same for any number.

The order of results never depends on which worker was first, so what is made of them is the same bytes for one worker
or many. No work is known here.
"""

from __future__ import annotations

import multiprocessing
from collections import deque
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import Future, ProcessPoolExecutor
from itertools import islice
from typing import Final, TypeVar

A = TypeVar("A")
R = TypeVar("R")
_AHEAD_PER_WORKER: Final = 4


def ordered_map(function: Callable[[A], R], items: Iterable[A], *, workers: int) -> Iterator[R]:
    """``function`` of each item, in the order of the items.

    Args:
        function: importable by name, since other processes must find it.
        items: taken only a few ahead of the results.
        workers: processes; 1 works in this one.

    Raises:
        ValueError: fewer than one worker.
        Exception: whatever ``function`` raises, at the place of its item.
    """
    if workers < 1:
        raise ValueError(f"workers is {workers!r}; allowed: 1 or more")
    if workers == 1:
        yield from map(function, items)
        return
    source = iter(items)
    # Spawned, not forked: a forked child would inherit locks and threads of whatever runs here.
    with ProcessPoolExecutor(workers, mp_context=multiprocessing.get_context("spawn")) as pool:
        waiting: deque[Future[R]] = deque(
            pool.submit(function, item) for item in islice(source, workers * _AHEAD_PER_WORKER)
        )
        try:
            while waiting:
                yield waiting.popleft().result()
                for item in islice(source, 1):
                    waiting.append(pool.submit(function, item))
        finally:
            for future in waiting:
                future.cancel()
