"""Named single faults of a rig's software, each injected in one place, to test what must find them.

A good rig has none. The conformance kit is tested on one virtual rig per entry. Faults of commands act in `firmware`,
those of telemetry in `distort` below, those of a held load in `misdriven` (`simulated_rig`), those of messages and
connection in `rig_link` and `virtual_rig`.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from enum import StrEnum
from typing import Final

from ebbset.models.contract.rig_messages import Refusal
from ebbset.models.contract.units import STANDARD_GRAVITY_M_S2
from ebbset.rig.rig_messages import FrameContent


class Defect(StrEnum):
    """One thing that a rig does wrong."""

    # commands
    LEASE_NEVER_EXPIRES = "lease_never_expires"
    LEASE_EXPIRES_LATE = "lease_expires_late"
    LEASE_EXPIRY_NOT_REPORTED = "lease_expiry_not_reported"
    LAPSES_SLOWLY = "lapses_slowly"
    UNLOAD_RENEWS_NOTHING = "unload_renews_nothing"
    LEASE_STARTS_AT_LOAD = "lease_starts_at_load"
    LOCKED_AFTER_LAPSE = "locked_after_lapse"
    ACCEPTS_FOREIGN_NONCE = "accepts_foreign_nonce"
    ACCEPTS_SPENT_NONCE = "accepts_spent_nonce"
    ACCEPTS_REPEATED_SEQUENCE = "accepts_repeated_sequence"
    ACCEPTS_STALE_CITATION = "accepts_stale_citation"
    ACCEPTS_FUTURE_CITATION = "accepts_future_citation"
    ACCEPTS_ABOVE_CEILING = "accepts_above_ceiling"
    ACCEPTS_BELOW_FLOOR = "accepts_below_floor"
    ACCEPTS_RISE_WHILE_UNDOCKED = "accepts_rise_while_undocked"
    ACCEPTS_STEEP_RAMP = "accepts_steep_ramp"
    ACCEPTS_LONG_LEASE = "accepts_long_lease"
    ACCEPTS_WRONG_CABLES = "accepts_wrong_cables"
    IGNORES_RAMP = "ignores_ramp"
    STEPS_TO_ZERO = "steps_to_zero"
    ARMING_LOADS = "arming_loads"
    UNLOAD_NEEDS_NONCE = "unload_needs_nonce"
    UNLOAD_NEEDS_SEQUENCE = "unload_needs_sequence"
    RELEASE_FORGETS_NOTHING = "release_forgets_nothing"
    STOP_NOT_LATCHED = "stop_not_latched"
    STOP_KEEPS_LOAD = "stop_keeps_load"
    STOP_NOT_REPORTED = "stop_not_reported"
    RESET_LOADS = "reset_loads"
    REBOOT_LOADS = "reboot_loads"
    DOCKED_STUCK = "docked_stuck"
    RISES_WHEN_TAKEN = "rises_when_taken"
    UNLOAD_SLOWS_DOWN = "unload_slows_down"
    # a load that has been held for a while
    LOAD_SAGS = "load_sags"
    LOAD_CREEPS_UNSEEN = "load_creeps_unseen"
    LOAD_JUMPS = "load_jumps"
    # telemetry
    FORCE_IN_KILOGRAMS = "force_in_kilograms"
    FORCE_OFFSET = "force_offset"
    FORCE_SIGN_REVERSED = "force_sign_reversed"
    FORCE_COMES_AND_GOES = "force_comes_and_goes"
    VELOCITY_SIGN_REVERSED = "velocity_sign_reversed"
    POSITION_SIGN_REVERSED = "position_sign_reversed"
    APPLIED_IS_TARGET = "applied_is_target"
    APPLIED_IN_KILOGRAMS = "applied_in_kilograms"
    TIME_IN_MILLISECONDS = "time_in_milliseconds"
    TIME_RUNS_BACKWARDS = "time_runs_backwards"
    SEQUENCE_SKIPS = "sequence_skips"
    SEQUENCE_REPEATS = "sequence_repeats"
    IRREGULAR_SAMPLING = "irregular_sampling"
    SLOWER_THAN_ANNOUNCED = "slower_than_announced"
    UNKNOWN_FIELD = "unknown_field"
    # connection
    DEAF_AFTER_NULL = "deaf_after_null"
    NEVER_ACKS = "never_acks"
    SLOW_ACKS = "slow_acks"
    NO_WILL = "no_will"
    IDENTITY_NOT_RETAINED = "identity_not_retained"
    BOOT_ID_NEVER_CHANGES = "boot_id_never_changes"


OVERLOOKED: Final[dict[Defect, Refusal]] = {
    Defect.ACCEPTS_FOREIGN_NONCE: Refusal.FOREIGN_NONCE,
    Defect.ACCEPTS_SPENT_NONCE: Refusal.SPENT_NONCE,
    Defect.ACCEPTS_REPEATED_SEQUENCE: Refusal.REPEATED_SEQUENCE,
    Defect.ACCEPTS_STALE_CITATION: Refusal.STALE_CITATION,
    Defect.ACCEPTS_FUTURE_CITATION: Refusal.FUTURE_CITATION,
    Defect.ACCEPTS_ABOVE_CEILING: Refusal.ABOVE_CEILING,
    Defect.ACCEPTS_BELOW_FLOOR: Refusal.BELOW_FLOOR,
    Defect.ACCEPTS_RISE_WHILE_UNDOCKED: Refusal.RISE_WHILE_UNDOCKED,
    Defect.ACCEPTS_STEEP_RAMP: Refusal.RAMP_TOO_STEEP,
    Defect.ACCEPTS_LONG_LEASE: Refusal.LEASE_TOO_LONG,
    Defect.ACCEPTS_WRONG_CABLES: Refusal.WRONG_CABLES,
}
"""The refusal that a rig with this defect never gives."""

LATE_LEASES: Final = 3
SLOW_LAPSE: Final = 4.0
"""How many times slower than the armed ramp a rig that lapses slowly unloads."""
FORCE_OFFSET_N: Final = 40.0
HELD_S: Final = 4.0
"""A load that has not changed for so long is held; a shorter one gives nothing away."""
DRIFT_PART_PER_S: Final = 0.025
JUMP_EVERY_S: Final = 3.0
JUMP_S: Final = 0.1
JUMP_PART: Final = 0.4
MISDRIVING: Final = frozenset({Defect.LOAD_SAGS, Defect.LOAD_CREEPS_UNSEEN, Defect.LOAD_JUMPS})
"""Faults of the drive that show in a load that is held."""


def _scaled(
    columns: tuple[tuple[float, ...], ...], factor: float, offset: float = 0.0
) -> tuple[tuple[float, ...], ...]:
    return tuple(tuple(factor * value + offset for value in column) for column in columns)


def _late_samples(frame: FrameContent) -> tuple[int, ...]:
    """Every second sample, the last one excepted, late by four fifths of the sampling period."""
    last, step = frame.t_us[-1], (frame.t_us[-1] - frame.t_us[0]) // (len(frame.t_us) - 1)
    late = (step * 4) // 5
    return tuple(t + (late if k % 2 and t != last else 0) for k, t in enumerate(frame.t_us))


def _time_jumps_back(frame: FrameContent) -> FrameContent:
    if frame.seq % 20 != 19:
        return frame
    return replace(frame, t_us=tuple(max(t - 200_000, k) for k, t in enumerate(frame.t_us)))


def _irregular(frame: FrameContent) -> FrameContent:
    return replace(frame, t_us=_late_samples(frame)) if len(frame.t_us) > 1 else frame


def _reversed_force(frame: FrameContent) -> FrameContent:
    # The wire allows no tension under -200 N, so a large reversed one would be caught by the schema alone.
    return replace(frame, force_n=tuple(tuple(max(-v, -199.0) for v in column) for column in frame.force_n))


_DISTORTIONS: Final[dict[Defect, Callable[[FrameContent], FrameContent]]] = {
    Defect.FORCE_IN_KILOGRAMS: lambda frame: replace(frame, force_n=_scaled(frame.force_n, 1 / STANDARD_GRAVITY_M_S2)),
    Defect.FORCE_OFFSET: lambda frame: replace(frame, force_n=_scaled(frame.force_n, 1.0, FORCE_OFFSET_N)),
    Defect.FORCE_SIGN_REVERSED: _reversed_force,
    Defect.FORCE_COMES_AND_GOES: lambda frame: replace(frame, force_n=()) if frame.seq % 10 == 9 else frame,
    Defect.VELOCITY_SIGN_REVERSED: lambda frame: replace(frame, velocity_m_s=_scaled(frame.velocity_m_s, -1.0)),
    Defect.POSITION_SIGN_REVERSED: lambda frame: replace(frame, position_m=_scaled(frame.position_m, -1.0)),
    Defect.APPLIED_IN_KILOGRAMS: lambda frame: replace(
        frame, applied_n=tuple(v / STANDARD_GRAVITY_M_S2 for v in frame.applied_n)
    ),
    # In milliseconds neighbouring samples stay apart up to 1 kHz; the message is valid, only its unit is not.
    Defect.TIME_IN_MILLISECONDS: lambda frame: replace(frame, t_us=tuple(t // 1_000 for t in frame.t_us)),
    Defect.TIME_RUNS_BACKWARDS: _time_jumps_back,
    Defect.SEQUENCE_SKIPS: lambda frame: replace(frame, seq=frame.seq + frame.seq // 10),
    Defect.SEQUENCE_REPEATS: lambda frame: replace(frame, seq=frame.seq - frame.seq // 10),
    Defect.IRREGULAR_SAMPLING: _irregular,
}


def distort(defect: Defect | None, frame: FrameContent, *, target_n: tuple[float, ...]) -> FrameContent:
    """The frame as a rig with this defect would send it; unchanged for every other defect and for none.

    Args:
        defect: what the rig does wrong; None for a good rig.
        frame: what a good rig would send.
        target_n: what the motors are driven to, N per cable.
    """
    if defect is None:
        return frame
    if defect is Defect.APPLIED_IS_TARGET:
        return replace(frame, applied_n=target_n)
    distortion = _DISTORTIONS.get(defect)
    return frame if distortion is None else distortion(frame)


def misdriven(defect: Defect, target_n: tuple[float, ...], since_s: float) -> tuple[float, ...]:
    """What the motors are driven to instead of a target that has not changed for ``since_s`` seconds.

    Args:
        defect: what the rig does wrong.
        target_n: what they ought to be driven to, N per cable.
        since_s: how long that has been so, s.
    """
    held_s = since_s - HELD_S
    if held_s <= 0.0:
        return target_n
    if defect is Defect.LOAD_SAGS:
        part = -min(DRIFT_PART_PER_S * held_s, 0.5)
    elif defect is Defect.LOAD_CREEPS_UNSEEN:
        part = min(DRIFT_PART_PER_S * held_s, 0.5)
    elif defect is Defect.LOAD_JUMPS and held_s % JUMP_EVERY_S < JUMP_S:
        part = JUMP_PART
    else:
        part = 0.0
    return tuple((1.0 + part) * target for target in target_n)
