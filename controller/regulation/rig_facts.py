"""What the regulator knows of the rig and how fresh it is. The two clocks are never subtracted from each other.

Plain bookkeeping: no decisions about the set, no commands.
"""

from __future__ import annotations

from dataclasses import replace
from math import isfinite
from typing import Final

from ebbset.controller.messages.events import Acknowledged, RepetitionSeen, RigAnnounced, RigReported, Samples
from ebbset.controller.messages.reasons import Reason
from ebbset.controller.regulation.outcomes import Finding
from ebbset.models.contract.constants import UNLOADED_N
from ebbset.models.contract.rig_messages import RigEventKind

APPLIED_TOLERANCE_N: Final = 10.0
APPLIED_TOLERANCE_PART: Final = 0.06


class RigFacts:
    """The rig as last heard."""

    __slots__ = (
        "applied_n",
        "docked",
        "fresh_us",
        "identity",
        "last_frame_seq",
        "last_repetition_seq",
        "last_t_us",
        "rig_nonce",
    )

    def __init__(self) -> None:
        self.identity: RigAnnounced | None = None
        self.forget()

    def forget(self) -> None:
        """Telemetry from before no longer counts: a new boot, or a new connection."""
        self.docked: bool | None = None
        self.applied_n: tuple[float, ...] = ()
        self.rig_nonce: str | None = None
        self.fresh_us: int | None = None
        self.last_t_us: int | None = None
        self.last_frame_seq = -1
        self.last_repetition_seq = -1

    def lost(self) -> None:
        """The rig or the link is gone: nothing is known any more."""
        self.identity = None
        self.forget()

    def silence(self, now_us: int, *, since_us: int, allowed_us: int) -> Finding | None:
        """Usable telemetry was silent for too long.

        Args:
            now_us: controller's clock, microseconds.
            since_us: where to count from while nothing was heard, on the same clock.
            allowed_us: how long it may be silent.
        """
        silence_us = now_us - (since_us if self.fresh_us is None else self.fresh_us)
        if silence_us <= allowed_us:
            return None
        allowed = (("telemetry_timeout_ms", allowed_us / 1e3),)
        return Finding(Reason.TELEMETRY_LOST, (("silence_ms", silence_us / 1e3),), allowed)

    @property
    def by_frames(self) -> bool:
        """The rig sends sample frames (else repetition summaries, and its acks are the sign of life)."""
        return self.identity is None or self.identity.telemetry == "frames"

    def knows(self, event: RigAnnounced) -> bool:
        """The announcement says nothing new."""
        return self.identity is not None and replace(event, now_us=self.identity.now_us) == self.identity

    def announced(self, event: RigAnnounced) -> None:
        """The rig said who it is."""
        if self.identity is None or self.identity.boot_id != event.boot_id:
            self.forget()
        self.identity = event

    def accept_samples(self, event: Samples) -> bool:
        """Take a frame in if it is new: same boot, sequence and rig time both later. Else nothing changes."""
        identity = self.identity
        if identity is None or event.boot_id != identity.boot_id or not _is_sound(event, identity.cables):
            return False
        t_us = event.t_us
        if event.seq <= self.last_frame_seq or (self.last_t_us is not None and t_us[0] <= self.last_t_us):
            return False
        self.last_frame_seq = event.seq
        self.last_t_us = t_us[-1]
        self.fresh_us = event.now_us
        self.docked = event.docked
        self.applied_n = event.applied_n
        self.rig_nonce = event.nonce
        return True

    def accept_repetition(self, event: RepetitionSeen) -> bool:
        """Take a summary in if it is new."""
        identity = self.identity
        if identity is None or event.boot_id != identity.boot_id or len(event.rom_m) != identity.cables:
            return False
        figures = (*event.applied_n, *event.rom_m, *event.mean_velocity_m_s, *event.peak_velocity_m_s)
        if event.seq <= self.last_repetition_seq or not all(map(isfinite, figures)):
            return False
        self.last_repetition_seq = event.seq
        self.rig_nonce = event.nonce
        if not self.is_old(event.t_end_us):
            self.docked = event.docked
            self.applied_n = event.applied_n
        return True

    def is_old(self, t_us: int) -> bool:
        """Something newer is known already."""
        return self.last_t_us is not None and t_us < self.last_t_us

    def accept_report(self, event: RigReported) -> bool:
        """Take a report that the handle was docked or undocked in if it is new."""
        if self.identity is None or event.boot_id != self.identity.boot_id or self.is_old(event.t_us):
            return False
        self.docked = event.kind is RigEventKind.DOCKED
        return True

    def accept_ack(self, event: Acknowledged) -> bool:
        """Take an ack in. Only where the rig sends no frames does it count as a sign of life."""
        identity = self.identity
        if identity is None or event.boot_id != identity.boot_id:
            return False
        if not self.by_frames:
            if self.is_old(event.t_us):
                return False
            self.last_t_us = event.t_us
            self.fresh_us = event.now_us
            self.docked = event.docked
            self.applied_n = event.applied_n
        return True

    def disagreement(self, nonce: str, target_n: tuple[float, ...]) -> Finding | None:
        """What the rig reports does not fit a set whose last load it had time to reach.

        Args:
            nonce: of the set.
            target_n: commanded load, newtons per cable.
        """
        if self.rig_nonce != nonce:
            return Finding(Reason.RIG_DISAGREES, (("nonce_matches", 0.0),), (("nonce_matches", 1.0),))
        excess = self.disagreement_n(target_n)
        if excess is None:
            return None
        return Finding(Reason.RIG_DISAGREES, (("difference_n", excess[0]),), (("allowed_n", excess[1]),))

    def disagreement_n(self, target_n: tuple[float, ...]) -> tuple[float, float] | None:
        """Largest excess of |applied - target| over what is allowed: (difference, allowed), or None."""
        if self.applied_n == target_n:
            return None
        for applied, target in zip(self.applied_n, target_n, strict=False):
            allowed = max(APPLIED_TOLERANCE_N, APPLIED_TOLERANCE_PART * target)
            if abs(applied - target) > allowed:
                return abs(applied - target), allowed
        return None

    @property
    def unloaded(self) -> bool:
        """The rig reports no load on any cable."""
        return bool(self.applied_n) and max(self.applied_n) <= UNLOADED_N


def _is_sound(event: Samples, cables: int) -> bool:
    """One column for each cable, one finite value for each time. The wire promises it; an embedder may not."""
    t_us, applied_n = event.t_us, event.applied_n
    n = len(t_us)
    if n == 0 or t_us[-1] < t_us[0] or len(applied_n) != cables:
        return False
    total = sum(applied_n)
    for columns in (event.position_m, event.velocity_m_s, event.force_n):
        if len(columns) != cables:
            return False
        for column in columns:
            if column is not None:
                if len(column) != n:
                    return False
                total += sum(column)
    # A finite sum has only finite terms, and is quicker; one that is not may be no more than too large.
    return isfinite(total) or _all_finite(event)


def _all_finite(event: Samples) -> bool:
    columns = (event.applied_n, *event.position_m, *event.velocity_m_s, *event.force_n)
    return all(isfinite(value) for column in columns if column is not None for value in column)
