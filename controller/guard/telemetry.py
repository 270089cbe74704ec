"""What the guard knows of the rig's telemetry: the newest good sample, when it arrived, the dock, the load applied.

The guard's own bookkeeping; it shares none with the regulator's. Everything is ordered by the rig's clock, each fact by
itself, and a message that is not good never was. No rules about commands here.
"""

from __future__ import annotations

from math import isfinite

from ebbset.controller.messages.events import Acknowledged, RepetitionSeen, RigAnnounced, Samples


class Telemetry:
    """Telemetry of one boot of one rig.

    Attributes:
        newest_t_us: rig time of the newest good sample, or acknowledgement of a rig without frames.
        arrived_us: when that arrived, controller's clock.
        docked: the handle is in the dock, as far as is known.
        applied_n: load that the rig says it applies, newtons per cable; empty while unknown.
    """

    __slots__ = ("_docked_t_us", "_frame_seq", "_repetition_seq", "applied_n", "arrived_us", "docked", "newest_t_us")

    def __init__(self) -> None:
        self.newest_t_us: int | None = None
        self.arrived_us: int | None = None
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
        if event.seq <= self._frame_seq or not t_us or len(event.applied_n) != cables:
            return
        if (newest is not None and t_us[0] <= newest) or t_us[-1] < t_us[0]:
            return
        # A sum is finite only if every term is: one test for all columns.
        n, total = len(t_us), sum(event.applied_n)
        for columns in (event.position_m, event.velocity_m_s, event.force_n):
            if len(columns) != cables:
                return
            for column in columns:
                if column is not None:
                    if len(column) != n:
                        return
                    total += sum(column)
        if not isfinite(total):
            return
        self._frame_seq = event.seq
        self._take(t_us[-1], event.now_us, event.docked, event.applied_n)

    def see_ack(self, event: Acknowledged, rig: RigAnnounced) -> None:
        """Where the rig sends no frames, its acknowledgements are the sign of life and carry its clock.

        Args:
            event: the acknowledgement, of the nonce that is armed.
            rig: as announced.
        """
        if rig.telemetry != "repetitions" or len(event.applied_n) != rig.cables or not isfinite(sum(event.applied_n)):
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
        if rig.telemetry != "repetitions" or event.seq <= self._repetition_seq:
            return
        figures = (event.applied_n, event.rom_m, event.mean_velocity_m_s, event.peak_velocity_m_s)
        if any(len(column) != rig.cables or not isfinite(sum(column)) for column in figures):
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
        known = [t for t in (self.newest_t_us, self._docked_t_us) if t is not None]
        if all(t_us > t for t in known) or (not docked and all(t_us >= t for t in known)):
            self.docked, self._docked_t_us = docked, t_us
