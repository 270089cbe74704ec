"""What the guard knows of the rig's telemetry: the newest good sample, when it arrived, the dock, the load applied.

The guard's own bookkeeping; it shares none with the regulator's. Everything is ordered by the rig's clock, each fact by
itself, and a message that is not good never was. No rules about commands here.
"""

from __future__ import annotations

from typing import Any

from ebbset.controller.messages.events import Acknowledged, RepetitionSeen, RigAnnounced, Samples
from ebbset.models.contract.field_types import FORCE_N, LAST_SEQUENCE, LATEST_US, LOAD_N, POSITION_M, VELOCITY_M_S
from ebbset.models.contract.rig_messages import (
    FASTEST_RAMP_N_PER_S,
    GREATEST_LOAD_N,
    LEAST_LOAD_N,
    LONGEST_LEASE_MS,
    LONGEST_ROM_M,
    SAMPLE_RATE_HZ,
)


class Telemetry:
    """Telemetry of one boot of one rig.

    Attributes:
        newest_t_us: rig time of the newest good sample, or acknowledgement of a rig without frames.
        arrived_us: when that arrived, controller's clock; 0 before.
        docked: the handle is in the dock, as far as is known.
        applied_n: load that the rig says it applies, newtons per cable; empty while unknown.
    """

    __slots__ = ("_docked_t_us", "_frame_seq", "_repetition_seq", "applied_n", "arrived_us", "docked", "newest_t_us")

    def __init__(self) -> None:
        self.newest_t_us: int | None = None
        self.arrived_us = 0
        self.docked = False
        self.applied_n: tuple[float, ...] = ()
        self._docked_t_us: int | None = None
        self._frame_seq = -1
        self._repetition_seq = -1

    def see_samples(self, event: Samples, rig: RigAnnounced) -> None:
        """A frame is good when it follows on and has a finite value for each time and cable.

        Args:
            event: the frame.
            rig: as announced.
        """
        t_us, newest, cables = event.t_us, self.newest_t_us, rig.cables
        if not self._frame_seq < event.seq <= LAST_SEQUENCE or not t_us or not _loads_fit(event.applied_n, cables):
            return
        if (newest is not None and t_us[0] <= newest) or not 0 <= t_us[0] <= t_us[-1] <= LATEST_US:
            return
        n = len(t_us)
        earlier = 0
        for t in t_us:
            if t < earlier:
                return
            earlier = t
        for columns, bounds, required in (
            (event.position_m, POSITION_M, True),
            (event.velocity_m_s, VELOCITY_M_S, False),
            (event.force_n, FORCE_N, rig.has_force),
        ):
            if len(columns) != cables:
                return
            for column in columns:
                if required if column is None else not _fit(column, n, bounds):
                    return
        self._frame_seq = event.seq
        self._take(t_us[-1], event.now_us, event.docked, event.applied_n)

    def see_ack(self, event: Acknowledged, rig: RigAnnounced) -> None:
        """Where the rig sends no frames, its acknowledgements are the sign of life and carry its clock.

        Args:
            event: the acknowledgement, of the nonce that is armed.
            rig: as announced.
        """
        if rig.telemetry != "repetitions" or not _loads_fit(event.applied_n, rig.cables):
            return
        if not 0 <= event.t_us <= LATEST_US:
            return
        if self.newest_t_us is None or event.t_us >= self.newest_t_us:
            self._take(event.t_us, event.now_us, event.docked, event.applied_n)

    def _take(self, t_us: int, now_us: int, docked: bool, applied_n: tuple[float, ...]) -> None:
        self.newest_t_us, self.arrived_us, self.applied_n = t_us, now_us, applied_n
        if not docked or self._docked_t_us is None or t_us > self._docked_t_us:
            self.docked = docked
        self._docked_t_us = t_us if self._docked_t_us is None else max(t_us, self._docked_t_us)

    def see_repetition(self, event: RepetitionSeen, rig: RigAnnounced) -> None:
        """A summary tells where the handle was, and which load was applied, when the repetition ended.

        Args:
            event: the summary.
            rig: as announced.
        """
        if rig.telemetry != "repetitions" or not self._repetition_seq < event.seq <= LAST_SEQUENCE:
            return
        figures = (
            (event.rom_m, (0.0, LONGEST_ROM_M)),
            (event.mean_velocity_m_s, VELOCITY_M_S),
            (event.peak_velocity_m_s, VELOCITY_M_S),
            (tuple(0.0 if value is None else value for value in event.mean_force_n), FORCE_N),
        )
        if not _loads_fit(event.applied_n, rig.cables) or not 0 <= event.t_start_us <= event.t_end_us <= LATEST_US:
            return
        if not all(_fit(column, rig.cables, bounds) for column, bounds in figures):
            return
        self._repetition_seq = event.seq
        if self.newest_t_us is None or event.t_end_us >= self.newest_t_us:
            self.applied_n = event.applied_n
        self.see_dock(event.t_end_us, docked=event.docked)

    def see_dock(self, t_us: int, *, docked: bool) -> None:
        """Take in whether the handle was docked at this rig time; facts older than what is known are ignored.

        Args:
            t_us: rig clock, microseconds.
            docked: where it was then.
        """
        if not 0 <= t_us <= LATEST_US:
            return
        known = [t for t in (self.newest_t_us, self._docked_t_us) if t is not None]
        if all(t_us > t for t in known) or (not docked and all(t_us >= t for t in known)):
            self.docked, self._docked_t_us = docked, t_us


def can_be(rig: RigAnnounced) -> bool:
    """The announcement is one that a rig can make; every limit of a command is derived from it."""
    given: Any = rig
    return (
        given.cables in (1, 2)
        and 0 < given.max_load_n <= GREATEST_LOAD_N
        and _fit((given.sample_rate_hz,), 1, SAMPLE_RATE_HZ)
        and _fit((given.min_load_n,), 1, LEAST_LOAD_N)
        and _fit((given.max_ramp_n_per_s,), 1, FASTEST_RAMP_N_PER_S)
        and _fit((given.max_lease_ms,), 1, LONGEST_LEASE_MS)
    )


def _loads_fit(applied_n: tuple[float, ...], cables: int) -> bool:
    return _fit(applied_n, cables, LOAD_N)


def _fit(column: tuple[float, ...], n: int, bounds: tuple[float, float]) -> bool:
    """So many values, and none beyond the bounds or no number at all."""
    if len(column) != n:
        return False
    least, most = bounds
    try:
        for value in column:
            if not least <= value <= most:
                return False
    except TypeError:
        # No number at all, or, in a compiled core, which makes a float of each, one that is larger than any float.
        return False
    return True
