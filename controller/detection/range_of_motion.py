"""Where ascents of one cable begin and how long they are: the bottom and the reference range of motion.

What lives here: learning both from repetitions. What never does: finding repetitions (`segmenter`).
"""

from __future__ import annotations

from typing import Final

BOTTOM_PART: Final = 0.25
UNKNOWN_M: Final = 0.42
"""Stands in for the ROM before one is known; a common ROM of the upper body."""
FROM_PROFILE_FOR: Final = 3
# Judgement, no source: people vary by less from one repetition to the next.
ANOTHER_BOTTOM: Final = 0.12
ANOTHER_BOTTOM_M: Final = 0.025
SAME_BOTTOM: Final = 0.1
USUAL_SPREAD_M: Final = 0.004
"""Taken for how much a bottom varies before it is known; judgement."""
SPREAD_GAIN: Final = 0.3
SPREADS: Final = 2.5
"""A bottom lies this many mean deviations lower than usual and is still no attempt; judgement."""
ANOTHER_ROM: Final = 1.15


class RangeOfMotion:
    """Bottom and reference ROM; both ``None`` until known.

    Both are hypotheses that later ascents confirm or replace. A bottom that was only a pause is let go at the first
    ascent from clearly below it; one that was only the dock, at the second from one and the same place above, as long
    as no second ascent began there. A ROM that was only a part is let go at the first ascent that is clearly longer.
    """

    __slots__ = (
        "_begun",
        "_from_profile",
        "_higher_m",
        "_repetitions",
        "_spread_m",
        "_top_m",
        "bottom_m",
        "reference_m",
    )

    def __init__(self, rom_m: float | None) -> None:
        self.reference_m = rom_m
        self.bottom_m: float | None = None
        self._from_profile = rom_m is not None
        self._repetitions = 0
        self._begun = 0
        self._higher_m: float | None = None
        self._top_m: float | None = None
        self._spread_m = USUAL_SPREAD_M

    @property
    def known(self) -> bool:
        """A whole repetition was seen."""
        return self._repetitions > 0

    @property
    def bottom_confirmed(self) -> bool:
        """Two ascents began at this bottom."""
        return self._begun > 1

    @property
    def lowest_usual_m(self) -> float | None:
        """As low as ascents of this person usually begin at most; ``None`` until a bottom is known."""
        return None if self.bottom_m is None else self.bottom_m - SPREADS * self._spread_m

    def fraction(self, x: float) -> float | None:
        """Position as a share of the range."""
        rom, bottom = self.reference_m, self.bottom_m
        return None if rom is None or bottom is None else (x - bottom) / rom

    def began_at(self, low_m: float) -> None:
        """An ascent began here: the bottom moves toward it, or to it when it was a false one."""
        bottom, rom_m = self.bottom_m, self.reference_m or UNKNOWN_M
        another_m = max(ANOTHER_BOTTOM_M, ANOTHER_BOTTOM * rom_m)
        higher, self._higher_m = self._higher_m, None
        if bottom is None:
            self._moved_to(low_m)
        elif low_m < bottom - another_m:
            self._moved_to(low_m)
            self._keep_top(low_m)
        elif higher is not None and -SAME_BOTTOM * rom_m < low_m - higher < SAME_BOTTOM * rom_m:
            self._moved_to(low_m)
            if not self._from_profile:
                self._keep_top(low_m)
        else:
            self._begun_near(low_m, bottom, rom_m, another_m)

    def _begun_near(self, low_m: float, bottom_m: float, rom_m: float, another_m: float) -> None:
        """An ascent began here, for which the bottom is not replaced."""
        if low_m < bottom_m + BOTTOM_PART * rom_m:
            self._spread_m += SPREAD_GAIN * (abs(low_m - bottom_m) - self._spread_m)
            self.bottom_m = bottom_m + 0.3 * (low_m - bottom_m)
        if low_m < bottom_m + another_m:
            self._begun += 1
        elif not self.bottom_confirmed:
            self._higher_m = low_m

    def _keep_top(self, low_m: float) -> None:
        """The bottom was a false one, so that the ROM from it was false too; the top is where it was."""
        if self._top_m is not None:
            self.reference_m = self._top_m - low_m

    def _moved_to(self, low_m: float) -> None:
        self.bottom_m = low_m
        self._begun = 1

    def completed(self, travel_m: float, top_m: float) -> None:
        """The reference is what the first repetitions show; later it only grows, so that a shrinking ROM is seen.

        Args:
            travel_m: from where the ascent began to its highest position.
            top_m: that position.
        """
        self._repetitions += 1
        self._top_m = top_m if self._top_m is None else max(top_m, self._top_m)
        reference = self.reference_m
        if reference is None or travel_m > ANOTHER_ROM * reference:
            self.reference_m = travel_m
        elif travel_m > reference or (self._from_profile and self._repetitions <= FROM_PROFILE_FOR):
            self.reference_m = reference + 0.5 * (travel_m - reference)

    def went_on_to(self, x: float) -> None:
        """What was taken for the top was a pause: the handle has gone on from there without coming down."""
        if self._top_m is not None and self.bottom_m is not None and not self._from_profile and x > self._top_m:
            self._top_m = x
            if self.reference_m is not None and x - self.bottom_m > self.reference_m:
                self.reference_m = x - self.bottom_m
