"""How many people it takes for an interval of a given width: Wilson's interval with a design effect.

Attempts of one person are alike: with ``m`` attempts each and an intraclass correlation ``r``, ``n`` people give as
much as ``n m / (1 + (m - 1) r)`` attempts of as many different people (the design effect: Kish 1965, Survey Sampling).
The interval is Wilson's score (Wilson 1927, doi:10.1080/01621459.1927.10502953; recommended for small parts by Brown,
Cai & DasGupta 2001, doi:10.1214/ss/1009213286; all three from memory). Nothing is drawn here.
"""

from __future__ import annotations

from math import sqrt
from statistics import NormalDist
from typing import Final

MOST_PEOPLE: Final = 1_000_000
PLANNED: Final = (
    ("false drops per completed repetition", 0.02, 0.01, 30),
    ("stalls called before given up", 0.92, 0.05, 4),
    ("steps within ±1 repetition", 0.70, 0.10, 3),
    ("inside an 80 % interval", 0.80, 0.10, 1),
)
"""Figure, the value expected, the half-width wanted, and trials a person in two sessions (judgement: 30 completed
repetitions, four failures; three steps; one 1RM)."""
CORRELATIONS: Final = (0.0, 0.1, 0.3)


def wilson(part: float, trials: float, *, level: float) -> tuple[float, float]:
    """Wilson's score interval of a part.

    Args:
        part: observed, 0 to 1.
        trials: number of independent trials, which may be a fraction.
        level: coverage, 0 to 1.
    """
    z = NormalDist().inv_cdf(0.5 + level / 2.0)
    scale = 1.0 + z * z / trials
    middle = (part + z * z / (2.0 * trials)) / scale
    half = z / scale * sqrt(part * (1.0 - part) / trials + z * z / (4.0 * trials * trials))
    # Exactly, where rounding would leave a little.
    return (0.0 if part <= 0.0 else middle - half), (1.0 if part >= 1.0 else middle + half)


def design_effect(per_person: float, correlation: float) -> float:
    """By how much the variance is larger than that of as many different people.

    Args:
        per_person: trials of each person.
        correlation: intraclass correlation, 0 to 1.
    """
    return 1.0 + (per_person - 1.0) * correlation


def half_width(part: float, people: int, per_person: float, correlation: float, *, level: float) -> float:
    """Half the width of the interval that so many people give.

    Args:
        part: expected.
        people: how many.
        per_person: trials of each.
        correlation: intraclass correlation.
        level: coverage.
    """
    low, high = wilson(part, people * per_person / design_effect(per_person, correlation), level=level)
    return (high - low) / 2.0


def people_needed(
    part: float, wanted_half_width: float, *, per_person: float, correlation: float, level: float = 0.95
) -> int:
    """The fewest people whose interval is no wider than wanted.

    Args:
        part: expected, 0 to 1.
        wanted_half_width: half the width wanted, above 0 and below 0.5.
        per_person: trials of each person, at least 1.
        correlation: intraclass correlation of the trials of one person, 0 to 1.
        level: coverage of the interval, 0 to 1.

    Raises:
        ValueError: a value that is not allowed.
    """
    for name, value, low, high in (
        ("part", part, 0.0, 1.0),
        ("wanted_half_width", wanted_half_width, 1e-4, 0.5),
        ("per_person", per_person, 1.0, 1e6),
        ("correlation", correlation, 0.0, 1.0),
        ("level", level, 0.5, 0.9999),
    ):
        if not low <= value <= high:
            raise ValueError(f"{name} is {value!r}; allowed: {low:g} to {high:g}")
    few, many = 0, 1
    while half_width(part, many, per_person, correlation, level=level) > wanted_half_width:
        few, many = many, 2 * many
        if many > MOST_PEOPLE:
            raise ValueError(f"wanted_half_width is {wanted_half_width!r}; allowed: one for which a million people do")
    while many - few > 1:
        middle = (few + many) // 2
        wide = half_width(part, middle, per_person, correlation, level=level) > wanted_half_width
        few, many = (middle, many) if wide else (few, middle)
    return many


def planning_table() -> str:
    """People needed for the figures that `ebbset evaluate` reports, as a Markdown table for the documentation."""
    heads = [f"{level:.0%}, r = {r:g}".replace("%", " %") for level in (0.80, 0.95) for r in CORRELATIONS]
    lines = [
        "| figure | expected | ± | trials a person | " + " | ".join(heads) + " |",
        "|---|---|---|---|" + "---|" * len(heads),
    ]
    for name, part, half, per_person in PLANNED:
        counts = [
            str(people_needed(part, half, per_person=per_person, correlation=r, level=level))
            for level in (0.80, 0.95)
            for r in CORRELATIONS
        ]
        lines.append(f"| {name} | {part:.2f} | {half:.2f} | {per_person} | " + " | ".join(counts) + " |")
    return "\n".join(lines) + "\n"
