"""Where ascents of one cable begin and how long they are: the bottom and the reference range of motion.

What lives here: learning both from repetitions. What never does: finding repetitions (`segmenter`).
"""

from __future__ import annotations

from typing import Final

BOTTOM_PART: Final = 0.25
UNKNOWN_M: Final = 0.42
"""Stands in for the ROM before one is known; a common ROM of the upper body."""
FROM_PROFILE_FOR: Final = 3


class RangeOfMotion:
    """Bottom and reference ROM; both ``None`` until known."""

    __slots__ = ("_from_profile", "_repetitions", "bottom_m", "reference_m")

    def __init__(self, rom_m: float | None) -> None:
        self.reference_m = rom_m
        self.bottom_m: float | None = None
        self._from_profile = rom_m is not None
        self._repetitions = 0

    @property
    def known(self) -> bool:
        """A whole repetition was seen."""
        return self._repetitions > 0

    def fraction(self, x: float) -> float | None:
        """Position as a share of the range."""
        rom, bottom = self.reference_m, self.bottom_m
        return None if rom is None or bottom is None else (x - bottom) / rom

    def began_at(self, low_m: float) -> None:
        """An ascent began here: the bottom moves toward it, unless it began in mid-range."""
        if self.bottom_m is None:
            self.bottom_m = low_m
        elif low_m < self.bottom_m + BOTTOM_PART * (self.reference_m or UNKNOWN_M):
            self.bottom_m += 0.3 * (low_m - self.bottom_m)

    def completed(self, travel_m: float) -> None:
        """The reference is what the first repetitions show; later it only grows, so that a shrinking ROM is seen."""
        self._repetitions += 1
        reference = self.reference_m
        if reference is None:
            self.reference_m = travel_m
        elif travel_m > reference or (self._from_profile and self._repetitions <= FROM_PROFILE_FOR):
            self.reference_m = reference + 0.5 * (travel_m - reference)
