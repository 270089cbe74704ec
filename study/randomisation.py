"""Who does what when: seeded, balanced orders of conditions, and the counts that prove their balance.

Crossover orders come from Williams squares, in which every condition stands once in every period and follows every
other one equally often (one square for an even number of conditions, a pair of squares for an odd one). Parallel
groups come from permuted blocks. Pure: the generator comes in, nothing is read or written.

Source: Williams EJ 1949 Aust J Sci Res A 2:149-168 (construction from memory; the tests count the balance by hand).
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np

Order = tuple[int, ...]


def williams_square(conditions: int) -> tuple[Order, ...]:
    """Sequences of condition numbers 0 .. n-1, as many rows as conditions, or twice as many for an odd number.

    Raises:
        ValueError: fewer than two or more than 20 conditions.
    """
    if not 2 <= conditions <= 20:
        raise ValueError(f"conditions is {conditions!r}; allowed: 2 to 20")
    first = [0]
    for step in range(1, conditions):
        first.append((step + 1) // 2 if step % 2 else conditions - step // 2)
    rows = [tuple((value + shift) % conditions for value in first) for shift in range(conditions)]
    if conditions % 2:
        rows += [row[::-1] for row in rows]
    return tuple(rows)


@dataclass(frozen=True, slots=True)
class Balance:
    """How evenly a set of orders is spread.

    Attributes:
        per_period: for each period, the fewest and most times that a condition stands there.
        per_pair: fewest and most times that one condition directly follows another.
        per_condition: fewest and most sessions of a condition.
    """

    per_period: tuple[tuple[int, int], ...]
    per_pair: tuple[int, int]
    per_condition: tuple[int, int]

    @property
    def exact(self) -> bool:
        """Every period, every condition and every succession equally often."""
        return all(low == high for low, high in (*self.per_period, self.per_pair, self.per_condition))


def balance_of(orders: Sequence[Order], conditions: int, *, period_length: int | None = None) -> Balance:
    """Count the balance of orders.

    Args:
        orders: one sequence per participant, all of one length.
        conditions: how many conditions there are.
        period_length: successions are counted inside stretches of this many sessions (one crossover block); the whole
            sequence when None.
    """
    length = len(orders[0]) if orders else 0
    stretch = period_length or length
    per_period = []
    for period in range(length):
        counts = Counter(order[period] for order in orders)
        per_period.append(_least_and_most([counts[c] for c in range(conditions)]))
    pairs: Counter[tuple[int, int]] = Counter()
    for order in orders:
        for begin in range(0, length, stretch):
            pairs.update(pairwise(order[begin : begin + stretch]))
    everyone = Counter(value for order in orders for value in order)
    return Balance(
        per_period=tuple(per_period),
        per_pair=_least_and_most([pairs[a, b] for a in range(conditions) for b in range(conditions) if a != b]),
        per_condition=_least_and_most([everyone[c] for c in range(conditions)]),
    )


def crossover(participants: int, conditions: int, blocks: int, rng: np.random.Generator) -> tuple[Order, ...]:
    """One order per participant: in each block every condition once, the rows of the square dealt evenly.

    The labels of the square are permuted and its rows shuffled anew for every deal, so that nobody can foresee an
    order; how often each row is used differs by one at most.

    Args:
        participants: how many.
        conditions: how many.
        blocks: blocks per participant.
        rng: source of the draws.
    """
    square = williams_square(conditions)
    orders: list[list[int]] = [[] for _ in range(participants)]
    for _ in range(blocks):
        labels = rng.permutation(conditions)
        deal: list[int] = []
        while len(deal) < participants:
            deal += rng.permutation(len(square)).tolist()
        for order, row in zip(orders, deal, strict=False):
            order += [int(labels[value]) for value in square[row]]
    return tuple(tuple(order) for order in orders)


def parallel(participants: int, conditions: int, sessions: int, rng: np.random.Generator) -> tuple[Order, ...]:
    """One condition per participant, repeated for every session; groups differ in size by one at most.

    Blocks hold one or two of each condition, drawn anew, so that the last of a block cannot be foreseen for sure.

    Args:
        participants: how many.
        conditions: how many.
        sessions: sessions per participant.
        rng: source of the draws.
    """
    deal: list[int] = []
    while len(deal) < participants:
        left = participants - len(deal)
        each = int(rng.integers(1, 3)) if left >= 2 * conditions else 1
        deal += rng.permutation(np.repeat(np.arange(conditions), each)).tolist()
    return tuple((int(value),) * sessions for value in deal[:participants])


def _least_and_most(counts: Sequence[int]) -> tuple[int, int]:
    return (min(counts), max(counts)) if counts else (0, 0)
