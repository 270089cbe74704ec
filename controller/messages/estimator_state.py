"""What an estimator knows at one moment, as plain values that an event can carry from one set to the next.

Values only; `estimation.capacity` gives them meaning. They are here so that code which reads events, such as the
guard, does not import the estimator.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from ebbset.models.contract.rig_messages import RepetitionOutcome


@dataclass(frozen=True, slots=True)
class Observation:
    """One observation, kept so that a set can be estimated again without a misleading profile."""

    kind: Literal["repetition", "stall", "rest"]
    value: float
    velocity_m_s: float = 0.0
    outcome: RepetitionOutcome = RepetitionOutcome.FAILED
    load_changed: bool = False


@dataclass(frozen=True, slots=True)
class CapacityState:
    """All that an estimator knows at one moment, as plain values; only the estimator interprets them."""

    unit_n: float
    load_n: float
    seen: int
    doubted: bool
    z: tuple[float, ...]
    p: tuple[tuple[float, ...], ...]
    history: tuple[Observation, ...]
