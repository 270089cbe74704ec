"""What the segmenter of one cable tells the regulator: repetitions, stalls, releases, sensors that disagree.

Frozen values without behaviour, so that the segmenter can be replaced or compared without touching the regulator.
"""

from __future__ import annotations

from dataclasses import dataclass

from ebbset.controller.messages.reasons import Reason
from ebbset.models.contract.rig_messages import RepetitionOutcome


@dataclass(frozen=True, slots=True, kw_only=True)
class RepetitionStarted:
    """A concentric began. ``t_us`` is when it began, not when that became certain."""

    t_us: int


@dataclass(frozen=True, slots=True, kw_only=True)
class RepetitionEnded:
    """A concentric ended: at the top, or by turning back (partial or failed)."""

    outcome: RepetitionOutcome
    t_start_us: int
    t_end_us: int
    rom_m: float
    mean_velocity_m_s: float
    peak_velocity_m_s: float
    min_velocity_m_s: float
    mean_force_n: float | None
    load_changed: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class StallSeen:
    """The lifter can no longer move this load (or, foreseen, will not come through).

    Reasons: STALL_IN_CONCENTRIC, STALL_FORESEEN, REVERSAL, FAILED_START.
    """

    reason: Reason
    t_us: int
    velocity_m_s: float
    force_n: float | None
    position_fraction: float | None
    duration_s: float
    probability: float
    slowed_limit_s: float | None = None
    """Time at a standstill that alone made it a stall, since the handle had slowed down for want of strength."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ReleaseSeen:
    """The handle was let go: it runs toward the rig, or its cable has no tension while a load is applied."""

    t_us: int
    velocity_m_s: float
    force_n: float | None


@dataclass(frozen=True, slots=True, kw_only=True)
class SensorTrouble:
    """Reasons: TELEMETRY_FROZEN, SENSORS_DISAGREE."""

    reason: Reason
    t_us: int
    quantity: str
    value: float
    allowed: float


Signal = RepetitionStarted | RepetitionEnded | StallSeen | ReleaseSeen | SensorTrouble
