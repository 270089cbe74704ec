"""Sources of choices for a fuzzed run: a seeded generator, or bytes from a fuzzer."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Protocol, TypeVar

import numpy as np

T = TypeVar("T")


class Choices(Protocol):
    """A source of choices that never runs out."""

    def below(self, n: int) -> int:
        """A whole number from 0 to ``n`` - 1."""

    def raw(self, n: int) -> bytes:
        """Up to ``n`` bytes."""


def pick(choices: Choices, options: Sequence[T]) -> T:
    """One of some options.

    Args:
        choices: which decides.
        options: at least one.
    """
    return options[choices.below(len(options))]


class RandomChoices:
    """From a seeded generator, drawn in blocks because a draw of one number is slow."""

    def __init__(self, rng: np.random.Generator) -> None:
        self._rng = rng
        self._block: list[int] = []

    def below(self, n: int) -> int:
        """A whole number from 0 to ``n`` - 1."""
        if not self._block:
            self._block = self._rng.integers(0, 2**31, size=4096).tolist()
        return self._block.pop() % n

    def raw(self, n: int) -> bytes:
        """Up to ``n`` bytes."""
        return self._rng.bytes(self.below(n + 1))


class ByteChoices:
    """From bytes; when they run out, always the first option."""

    def __init__(self, data: bytes) -> None:
        self._data = data
        self._at = 0

    def below(self, n: int) -> int:
        """A whole number from 0 to ``n`` - 1."""
        width = 1 if n <= 256 else 4
        part = self._data[self._at : self._at + width]
        self._at += width
        return int.from_bytes(part, "little") % n

    def raw(self, n: int) -> bytes:
        """Up to ``n`` bytes."""
        size = self.below(n + 1)
        part = self._data[self._at : self._at + size]
        self._at += size
        return part

    @property
    def left(self) -> bool:
        """True while there are bytes left."""
        return self._at < len(self._data)
