"""A benchmark's claim: a figure, its unit, and its bound."""

from __future__ import annotations

import statistics
import time
from collections.abc import Callable
from dataclasses import dataclass


@dataclass(frozen=True)
class Claim:
    """One timing claim."""

    name: str
    measured: float
    unit: str
    target: float
    at_most: bool
    note: str = ""

    @property
    def met(self) -> bool:
        return self.measured <= self.target if self.at_most else self.measured >= self.target

    def line(self) -> str:
        relation = "<=" if self.at_most else ">="
        verdict = "met" if self.met else "NOT MET"
        note = f"  ({self.note})" if self.note else ""
        return (
            f"{self.name:<58} {self.measured:10.3g} {self.unit:<14} target {relation} {self.target:g}  {verdict}{note}"
        )


def side_by_side(*works: Callable[[], object], repeats: int = 7) -> list[float]:
    """Median processor time of each of several calls in seconds, taken in turns, so that all meet the same machine.

    Args:
        *works: what is timed; each is called once before, to warm up.
        repeats: number of turns.
    """
    taken: list[list[float]] = [[] for _ in works]
    for work in works:
        work()
    for _ in range(repeats):
        for work, seconds in zip(works, taken, strict=True):
            begun = time.process_time()
            work()
            seconds.append(time.process_time() - begun)
    return [statistics.median(seconds) for seconds in taken]


def median_seconds(work: Callable[[], object], *, repeats: int = 7) -> float:
    """Median wall time of a call in seconds, after one call to warm up.

    Args:
        work: what is timed.
        repeats: number of timed calls.
    """
    work()
    times = []
    for _ in range(repeats):
        begun = time.perf_counter()
        work()
        times.append(time.perf_counter() - begun)
    return statistics.median(times)
