"""The ranges in which a simulation is meaningful and stable: one check for every record of parameters."""

from __future__ import annotations

import math
from collections.abc import Mapping

Bounds = Mapping[str, tuple[float, float]]


def check_bounds(parameters: object, bounds: Bounds) -> None:
    """Refuse a value that is not finite or outside its bounds.

    Args:
        parameters: the record; each name in ``bounds`` is one of its attributes.
        bounds: least and greatest value by name, both allowed.

    Raises:
        ValueError: names the attribute, its value and what is allowed.
    """
    for name, (low, high) in bounds.items():
        value = getattr(parameters, name)
        if not (math.isfinite(value) and low <= value <= high):
            raise ValueError(f"{name} is {value!r}; allowed: {low:g} to {high:g}")
