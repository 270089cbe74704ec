"""Parts that the reports of an evaluation share: a target against its figure, and plain values for JSON."""

from __future__ import annotations

import json
import math
from dataclasses import dataclass
from typing import Any

import numpy as np


@dataclass(frozen=True, slots=True)
class EvaluationTarget:
    """One figure against what was asked for."""

    name: str
    asked: str
    value: float
    met: bool

    def row(self) -> dict[str, Any]:
        """The target as plain values."""
        return {"name": self.name, "asked": self.asked, "value": self.value, "met": self.met}


def at_most(name: str, value: float, limit: float) -> EvaluationTarget:
    """A target that is met by a value of at most ``limit``; what could not be measured does not meet it.

    Args:
        name: what is asked.
        value: what was measured.
        limit: greatest value allowed.
    """
    return EvaluationTarget(name, f"at most {limit:g}", value, value <= limit)


def at_least(name: str, value: float, limit: float) -> EvaluationTarget:
    """A target that is met by a value of at least ``limit``; what could not be measured does not meet it.

    Args:
        name: what is asked.
        value: what was measured.
        limit: least value allowed.
    """
    return EvaluationTarget(name, f"at least {limit:g}", value, value >= limit)


def within(name: str, value: float, low: float, high: float) -> EvaluationTarget:
    """A target that is met by a value in a range; what could not be measured does not meet it.

    Args:
        name: what is asked.
        value: what was measured.
        low: least value allowed.
        high: greatest.
    """
    return EvaluationTarget(name, f"{low:g} to {high:g}", value, low <= value <= high)


def as_json(body: dict[str, Any]) -> str:
    """Plain values as JSON; what is not a number (never called) is null.

    Args:
        body: dictionaries, lists and numbers, of numpy or not.
    """
    return json.dumps(_jsonable(body), allow_nan=False, indent=1)


def _jsonable(value: Any) -> Any:
    if isinstance(value, dict):
        return {key: _jsonable(one) for key, one in value.items()}
    if isinstance(value, list | tuple):
        return [_jsonable(one) for one in value]
    plain = value.item() if isinstance(value, np.generic) else value
    return None if isinstance(plain, float) and not math.isfinite(plain) else plain
