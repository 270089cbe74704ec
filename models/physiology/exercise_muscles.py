"""Which muscles an exercise trains, how much of a repetition counts for each, and how far two exercises share muscles.

A repetition counts whole for a muscle that the exercise is for, and half for one that helps. The half is the
"fractional" count, which explained growth over weekly volume best among whole, half and none: meta-regressions of 67
studies ("The Resistance Training Dose-Response", SportRxiv 2024, abstract read). Which muscles help in which exercise
is common practice, no source.
"""

from __future__ import annotations

from collections.abc import Mapping
from types import MappingProxyType
from typing import Final

TARGET: Final = 1.0
"""Share of a repetition that counts for a muscle that the exercise is for."""
HELPER: Final = 0.5
"""Share that counts for a muscle that helps: the same meta-regressions."""

_TARGETS_AND_HELPERS: Final[dict[str, tuple[tuple[str, ...], tuple[str, ...]]]] = {
    "bench_press": (("chest",), ("front deltoid", "triceps")),
    "row": (("latissimus", "upper back"), ("biceps", "rear deltoid")),
    "shoulder_press": (("front deltoid", "side deltoid"), ("triceps",)),
    "curl": (("biceps",), ("forearm",)),
    "leg_press": (("quadriceps",), ("gluteus", "adductors")),
}

EXERCISE_MUSCLES: Final[Mapping[str, Mapping[str, float]]] = MappingProxyType(
    {
        exercise: MappingProxyType(dict.fromkeys(targets, TARGET) | dict.fromkeys(helpers, HELPER))
        for exercise, (targets, helpers) in _TARGETS_AND_HELPERS.items()
    }
)
"""Exercise -> muscle -> share of a repetition that counts for it, above 0 to 1."""


def muscle_shares(exercise: str) -> Mapping[str, float]:
    """The muscles of an exercise with their shares; empty for an exercise that ebbset does not know.

    Empty rather than an error, because a lifter may train anything: who counts by muscle must then say that these
    repetitions are not counted.
    """
    return EXERCISE_MUSCLES.get(exercise, MappingProxyType({}))


def _shared(before: Mapping[str, float], after: Mapping[str, float]) -> float:
    return sum(min(share, before.get(muscle, 0.0)) for muscle, share in after.items()) / sum(after.values())


OVERLAP: Final[Mapping[tuple[str, str], float]] = MappingProxyType(
    {
        (before, after): _shared(of_before, of_after)
        for before, of_before in EXERCISE_MUSCLES.items()
        for after, of_after in EXERCISE_MUSCLES.items()
    }
)
"""(exercise before, exercise after) -> the part of the later one's muscle work that the earlier one has also done, 0 to
1; one for the same exercise. Not symmetric: rows do a third of what curls need, curls a sixth of what rows need. Taking
the smaller of the two shares, muscle by muscle, is our judgement."""


def overlap(before: str, after: str) -> float | None:
    """How much of the later exercise's muscle work the earlier one has also done, 0 to 1; see `OVERLAP`.

    Args:
        before: exercise done first.
        after: exercise done next.

    Returns:
        One for the same exercise, also an unknown one; None for two of which one is unknown.
    """
    return 1.0 if before == after else OVERLAP.get((before, after))
