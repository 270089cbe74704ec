"""Who does what when: seeded, balanced orders of conditions, and the counts that prove their balance.

Crossover orders come from Williams squares, in which every condition stands once in every period and follows every
other one equally often (one square for an even number of conditions, a pair of squares for an odd one). Parallel
groups come from permuted blocks. Both are drawn place by place along a list, so that a place keeps its order however
long the list becomes. Pure: the generator comes in, nothing is read or written.

Shuffles take raw 64-bit numbers of the bit generator, whose stream numpy promises to keep (NEP 19); that of
``Generator.permutation`` may change with a release, and an allocation must not.

Source: Williams EJ 1949 Aust J Sci Res A 2:149-168 (construction from memory; the tests count the balance by hand).
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import chain, islice, pairwise
from typing import TypeVar

import numpy as np

T = TypeVar("T")
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
        people: number of orders counted.
        conditions: number of conditions.
        per_period: for each period, the fewest and most times that a condition stands there.
        per_pair: fewest and most times that one condition directly follows another.
        per_condition: fewest and most sessions of a condition.
    """

    people: int
    conditions: int
    per_period: tuple[tuple[int, int], ...]
    per_pair: tuple[int, int]
    per_condition: tuple[int, int]

    @property
    def exact(self) -> bool:
        """Every period, every condition and every succession equally often."""
        return all(low == high for low, high in (*self.per_period, self.per_pair, self.per_condition))

    @property
    def period_difference(self) -> int:
        """Greatest difference between two conditions within a period."""
        return max((high - low for low, high in self.per_period), default=0)

    @property
    def least_period_difference(self) -> int:
        """The smallest such difference that this number of people allows."""
        return 1 if self.people % self.conditions else 0

    @property
    def pair_difference(self) -> int:
        """Difference between the most and the least frequent succession of two conditions."""
        return self.per_pair[1] - self.per_pair[0]


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
        people=len(orders),
        conditions=conditions,
        per_period=tuple(per_period),
        per_pair=_least_and_most([pairs[a, b] for a in range(conditions) for b in range(conditions) if a != b]),
        per_condition=_least_and_most([everyone[c] for c in range(conditions)]),
    )


def crossover(places: int, conditions: int, blocks: int, rng: np.random.Generator) -> tuple[Order, ...]:
    """One order per place of the list: in each block every condition once, by the rows of whole squares.

    Each block has a stream of its own, which draws the labels of the square and goes through the list square by square,
    with the rows of each in a drawn order; for an odd number of conditions the two squares of a pair come in a drawn
    order. So every whole square is balanced within periods, only the last may be broken off, no row is used more than
    once more than another, and a longer list begins with the shorter one.

    Args:
        places: length of the list.
        conditions: how many.
        blocks: blocks per participant.
        rng: source of the draws.
    """
    columns = [islice(_rows(conditions, stream), places) for stream in rng.spawn(blocks)]
    return tuple(tuple(chain.from_iterable(rows)) for rows in zip(*columns, strict=True))


def _rows(conditions: int, rng: np.random.Generator) -> Iterator[Order]:
    square = williams_square(conditions)
    parts = [square[at : at + conditions] for at in range(0, len(square), conditions)]
    labels = shuffled(range(conditions), rng)
    while True:
        for part in shuffled(parts, rng):
            for row in shuffled(part, rng):
                yield tuple(labels[value] for value in row)


def parallel(
    places: int, conditions: int, sessions: int, rng: np.random.Generator, *, planned: int | None = None
) -> tuple[Order, ...]:
    """One condition per place of the list, repeated for every session; a longer list begins with the shorter one.

    Without a planned number, blocks hold each condition once: groups never differ in size by more than one, but who
    knows the groups foresees the last of each block. With one, blocks hold one or two of each, drawn anew: groups may
    differ by two within a block, and by one at most at the planned number.

    Args:
        places: length of the list.
        conditions: how many.
        sessions: sessions per participant.
        rng: source of the draws.
        planned: planned number of participants, if any.
    """
    deal: list[int] = []
    while len(deal) < places:
        left = 0 if planned is None else planned - len(deal)
        single = planned is None or 0 < left < 2 * conditions
        each = 1 if single else 1 + _below(2, rng)
        deal += shuffled([c for c in range(conditions) for _ in range(each)], rng)
    return tuple((value,) * sessions for value in deal[:places])


def shuffled(items: Sequence[T], rng: np.random.Generator) -> list[T]:
    """The items in a drawn order (Fisher-Yates), which no release of numpy changes.

    Args:
        items: what to shuffle; left as it is.
        rng: source of the draws.
    """
    found = list(items)
    for k in range(len(found) - 1, 0, -1):
        other = _below(k + 1, rng)
        found[k], found[other] = found[other], found[k]
    return found


def _below(limit: int, rng: np.random.Generator) -> int:
    """A whole number from 0 to below a limit, each equally likely."""
    # What the last, incomplete stretch of numbers would favour is drawn again.
    usable = 2**64 - 2**64 % limit
    while (raw := int(rng.bit_generator.random_raw())) >= usable:
        pass
    return raw % limit


def _least_and_most(counts: Sequence[int]) -> tuple[int, int]:
    return (min(counts), max(counts)) if counts else (0, 0)
