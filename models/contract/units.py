"""Units at the surface: newtons inside, kilograms or pounds for people.

A load of one kilogram is the weight of one kilogram under standard gravity (ISO 80000-4: 9.80665 m/s²); the
international pound is 0.45359237 kg exactly (agreement of 1959). No other conversion lives in the project.
"""

from __future__ import annotations

import re
from typing import Final, Literal

LoadUnit = Literal["kg", "lb", "N"]
STANDARD_GRAVITY_M_S2: Final = 9.80665
POUND_KG: Final = 0.45359237
_NEWTONS_PER: Final[dict[str, float]] = {
    "kg": STANDARD_GRAVITY_M_S2,
    "lb": STANDARD_GRAVITY_M_S2 * POUND_KG,
    "N": 1.0,
}
_QUANTITY = re.compile(r"^\s*([0-9]+(?:\.[0-9]+)?)\s*(kg|lb|N)\s*$")


def to_newtons(value: float, unit: LoadUnit) -> float:
    """Load in newtons.

    Args:
        value: load in that unit.
        unit: kg, lb or N.
    """
    return value * _NEWTONS_PER[unit]


def from_newtons(load_n: float, unit: LoadUnit) -> float:
    """Load in the unit people asked for.

    Args:
        load_n: newtons.
        unit: unit people asked for.
    """
    return load_n / _NEWTONS_PER[unit]


def parse_load(value: float | str) -> float:
    """Newtons from a number (already newtons) or from text with a unit, e.g. ``"32 kg"``.

    Raises:
        ValueError: the text is not a number followed by kg, lb or N.
    """
    if isinstance(value, int | float) and not isinstance(value, bool):
        return float(value)
    match = None if isinstance(value, bool) else _QUANTITY.match(value)
    if match is None:
        raise ValueError(f"load is {value!r}; allowed: newtons as a number, or text such as '32 kg', '70 lb', '314 N'")
    unit: LoadUnit = match.group(2)  # type: ignore[assignment]
    return to_newtons(float(match.group(1)), unit)
