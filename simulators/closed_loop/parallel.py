"""Map a function over items, in this process, on several or on a cluster: results in order, only a few items ahead.

The order of results does not depend on which finished first, so they are the same for any number of workers. Items
travel in pieces that take about a quarter of a second, so that handing over costs little beside the work.
"""

from __future__ import annotations

import os
import time
import traceback
from collections import deque
from collections.abc import Callable, Iterable, Iterator, Sequence, Sized
from concurrent.futures import ProcessPoolExecutor
from contextlib import contextmanager
from dataclasses import dataclass
from functools import partial
from itertools import islice
from multiprocessing import get_context
from typing import Any, Final, Protocol, TypeVar

A = TypeVar("A")
R = TypeVar("R")
Mapper = Callable[[Callable[[Any], Any], Iterable[Any]], Iterator[Any]]
"""`map`, or something like it that keeps the order of the items."""
AHEAD_PER_WORKER: Final = 3
PIECE_S: Final = 0.25
MOST_IN_A_PIECE: Final = 64
PIECES_PER_WORKER: Final = 8
"""Where the number of items is known, each worker gets at least so many pieces, so that all finish together."""


class Future(Protocol):
    """What an executor gives back."""

    def result(self) -> Any:
        """Wait for the value."""


class Executor(Protocol):
    """Anything that can be handed work: a process pool, a cluster."""

    def submit(self, fn: Callable[..., Any], /, *args: Any) -> Any:
        """Start ``fn(*args)`` somewhere.

        Args:
            fn: function to call.
            *args: its arguments.
        """


@dataclass(frozen=True, slots=True)
class Piece:
    """What came of some items handed over together.

    Attributes:
        results: in the order of the items, up to the one that failed.
        error: what that one raised; None when all went well.
        seconds: how long they took.
    """

    results: list[Any]
    error: Exception | None
    seconds: float


def run_piece(function: Callable[[Any], Any], items: Sequence[Any]) -> Piece:
    """Work on some items, where the executor is.

    Args:
        function: what is done with each.
        items: one or more.
    """
    begun = time.perf_counter()
    results: list[Any] = []
    error = None
    try:
        for item in items:
            results.append(function(item))
    except Exception as found:  # it travels with the results of the items before it
        found.add_note(f"Where the work was done:\n{traceback.format_exc()}")
        error = found
    return Piece(results, error, time.perf_counter() - begun)


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
    if executor is None:
        with mapping(workers) as mapper:
            yield from mapper(function, items)
    else:
        count = _allowed(workers)
        yield from _through(executor, function, items, lambda: count)


@contextmanager
def mapping(workers: int | None = None, cluster: str | None = None) -> Iterator[Mapper]:
    """A mapper that can be used several times: in this process, in several that stay, or on a cluster.

    Args:
        workers: processes, one per core when None; 1 works in this one. Of no account on a cluster.
        cluster: address of a Dask scheduler, such as ``tcp://host:8786``.

    Raises:
        ClusterError: the cluster cannot be used, or is lost on the way.
        ModuleNotFoundError: ``distributed`` is not installed.
        ValueError: fewer than one worker.
    """
    count = _allowed(workers)
    if cluster is not None:
        from ebbset.simulators.closed_loop.cluster import Cluster

        with Cluster(cluster) as shared:
            yield partial(_through, shared, workers=shared.workers)
    elif count == 1:
        yield map
    else:
        # Spawned, not forked: a forked child would inherit locks and threads of whatever runs here.
        with ProcessPoolExecutor(count, mp_context=get_context("spawn")) as pool:
            yield partial(_through, pool, workers=lambda: count)


def _allowed(workers: int | None) -> int:
    count = workers if workers is not None else os.cpu_count() or 1
    if count < 1:
        raise ValueError(f"workers is {count!r}; allowed: 1 or more")
    return count


def _through(
    executor: Executor, function: Callable[[A], R], items: Iterable[A], workers: Callable[[], int]
) -> Iterator[R]:
    source, size = iter(items), 1
    most = MOST_IN_A_PIECE
    if isinstance(items, Sized):
        most = min(most, max(1, len(items) // (PIECES_PER_WORKER * max(workers(), 1))))
    waiting: deque[tuple[int, Future]] = deque()
    while True:
        while len(waiting) < AHEAD_PER_WORKER * max(workers(), 1) and (taken := list(islice(source, size))):
            waiting.append((len(taken), executor.submit(run_piece, function, taken)))
        if not waiting:
            return
        count, future = waiting.popleft()
        piece: Piece = future.result()
        if piece.seconds < PIECE_S and count == size:
            size = min(2 * size, most)
        elif piece.seconds > 2.0 * PIECE_S:
            size = max(size // 2, 1)
        yield from piece.results
        if piece.error is not None:
            raise piece.error
