"""Whether an event is one that the contract allows: every figure within its bounds, every column as long as it must be.

The wire refuses what is not; an embedding that makes its own events may not. The regulator drops what is not sound;
the guard holds the same bounds in code of its own. Pure functions without any state. Single figures are
read as of any type, since a compiled core makes a float of what is declared one, and cannot of every whole number.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Any, Final, TypeVar

from ebbset.controller.messages.events import Acknowledged, Event, RepetitionSeen, RigAnnounced, RigReported, Samples
from ebbset.models.contract.field_types import FORCE_N, LAST_SEQUENCE, LATEST_US, LOAD_N, POSITION_M, VELOCITY_M_S
from ebbset.models.contract.rig_messages import (
    FASTEST_RAMP_N_PER_S,
    GREATEST_LOAD_N,
    LEAST_LOAD_N,
    LONGEST_LEASE_MS,
    LONGEST_ROM_M,
    SAMPLE_RATE_HZ,
)

Bounds = tuple[float, float]
AnyEvent = TypeVar("AnyEvent", bound=Event)

_ROM_M: Final = (0, LONGEST_ROM_M)


def timed(event: AnyEvent) -> AnyEvent:
    """The event with an arrival time that arithmetic bears; all but a broken clock give one."""
    if -LATEST_US <= event.now_us <= LATEST_US:
        return event
    return replace(event, now_us=LATEST_US if event.now_us > 0 else -LATEST_US)


def is_sound_announcement(event: RigAnnounced) -> bool:
    """The rig says of itself what a rig can be."""
    given: Any = event
    return (
        given.cables in (1, 2)
        and _within(given.sample_rate_hz, SAMPLE_RATE_HZ)
        and 0 < given.max_load_n <= GREATEST_LOAD_N
        and _within(given.min_load_n, LEAST_LOAD_N)
        and _within(given.max_ramp_n_per_s, FASTEST_RAMP_N_PER_S)
        and _within(given.max_lease_ms, LONGEST_LEASE_MS)
    )


def is_sound_frame(event: Samples, rig: RigAnnounced) -> bool:
    """One column for each cable, one value within bounds for each time, and force where the rig announced it.

    Args:
        event: the frame.
        rig: as announced.
    """
    t_us, cables = event.t_us, rig.cables
    n = len(t_us)
    if n == 0 or not 0 <= t_us[0] <= t_us[-1] <= LATEST_US or not 0 <= event.seq <= LAST_SEQUENCE:
        return False
    before_us = 0
    for at_us in t_us:
        if at_us < before_us:
            return False
        before_us = at_us
    if not _is_sound_row(event.applied_n, cables, LOAD_N):
        return False
    if not len(event.position_m) == len(event.velocity_m_s) == len(event.force_n) == cables:
        return False
    for position_m, velocity_m_s, force_n in zip(event.position_m, event.velocity_m_s, event.force_n, strict=True):
        if not _is_sound_row(position_m, n, POSITION_M):
            return False
        if velocity_m_s is not None and not _is_sound_row(velocity_m_s, n, VELOCITY_M_S):
            return False
        if rig.has_force if force_n is None else not _is_sound_row(force_n, n, FORCE_N):
            return False
    return True


def is_sound_repetition(event: RepetitionSeen, rig: RigAnnounced) -> bool:
    """One figure within bounds for each cable, and times in their order.

    Args:
        event: the summary.
        rig: as announced.
    """
    given: tuple[Any, ...] = event.mean_force_n
    force_n = [0.0 if value is None else value for value in given]
    return (
        0 <= event.t_start_us <= event.t_end_us <= LATEST_US
        and 0 <= event.seq <= LAST_SEQUENCE
        and _is_sound_row(event.applied_n, rig.cables, LOAD_N)
        and _is_sound_row(event.rom_m, rig.cables, _ROM_M)
        and _is_sound_row(event.mean_velocity_m_s, rig.cables, VELOCITY_M_S)
        and _is_sound_row(event.peak_velocity_m_s, rig.cables, VELOCITY_M_S)
        and _is_sound_row(force_n, rig.cables, FORCE_N)
    )


def is_sound_answer(event: Acknowledged, rig: RigAnnounced) -> bool:
    """A rig time, and one load for each cable.

    Args:
        event: the acknowledgement.
        rig: as announced.
    """
    return _is_rig_time(event.t_us) and _is_sound_row(event.applied_n, rig.cables, LOAD_N)


def is_sound_report(event: RigReported) -> bool:
    """The report has a rig time. A stop counts without one too: see `triggers`."""
    return _is_rig_time(event.t_us)


def _is_rig_time(t_us: int) -> bool:
    return 0 <= t_us <= LATEST_US


def _within(value: Any, bounds: Bounds) -> bool:
    return bool(bounds[0] <= value <= bounds[1])


def _is_sound_row(values: Sequence[float], n: int, bounds: Bounds) -> bool:
    """So many values, each within its bounds, which what is no number never is."""
    if len(values) != n:
        return False
    least, most = bounds
    try:
        for value in values:
            if not least <= value <= most:
                return False
    except TypeError:
        # A compiled core makes a float of each, and says this of a whole number that is larger than any float.
        return False
    return True
