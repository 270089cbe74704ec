"""Whether an output can be written down: no figure in it is infinite, not a number or beyond all bounds."""

from __future__ import annotations

import dataclasses
import math
from typing import Any


def finite(value: Any) -> bool:
    """Every number in an output can be written down."""
    if isinstance(value, bool) or value is None or isinstance(value, str):
        return True
    if isinstance(value, int):
        return abs(value) <= 2**64
    if isinstance(value, float):
        return math.isfinite(value)
    if isinstance(value, tuple):
        return all(map(finite, value))
    if dataclasses.is_dataclass(value):
        return all(finite(getattr(value, field.name)) for field in dataclasses.fields(value))
    raise AssertionError(f"an output holds a {type(value).__name__}")
