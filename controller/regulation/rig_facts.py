"""What the regulator knows of the rig and how fresh it is. The two clocks are never subtracted from each other.

Plain bookkeeping: no decisions about the set, no commands.
"""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise
from typing import Final

from ebbset.controller.messages.events import Acknowledged, RepetitionSeen, RigAnnounced, RigReported, Samples
from ebbset.controller.messages.reasons import Reason
from ebbset.controller.messages.soundness import (
    is_sound_announcement,
    is_sound_answer,
    is_sound_frame,
    is_sound_repetition,
    is_sound_report,
)
from ebbset.controller.regulation.outcomes import Finding
from ebbset.models.contract.constants import UNLOADED_N
from ebbset.models.contract.rig_messages import RigEventKind

APPLIED_TOLERANCE_N: Final = 10.0
APPLIED_TOLERANCE_PART: Final = 0.06
RESTING_N: Final = 5.0
"""Judgement: what a rig may apply at the dock to keep its cable taut, far below any load that is lifted."""


def allowed_difference_n(target_n: float) -> float:
    """By how much the applied load may differ from this target, newtons."""
    return max(APPLIED_TOLERANCE_N, APPLIED_TOLERANCE_PART * target_n)


class RigFacts:
    """The rig as last heard. What a message says about the dock is ordered by the rig's clock, not by arrival."""

    __slots__ = (
        "_before_t_us",
        "_docked_t_us",
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
        self._docked_t_us: int | None = None
        self.applied_n: tuple[float, ...] = ()
        self.rig_nonce: str | None = None
        self.fresh_us: int | None = None
        self.last_t_us: int | None = None
        self._before_t_us: int | None = None
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
            since_us: where to count from while nothing was heard since, on the same clock. A rig that sends frames is
                heard before it is armed, so its frames count from before.
            allowed_us: how long it may be silent.
        """
        fresh_us = self.fresh_us
        if fresh_us is None or not (self.by_frames or fresh_us >= since_us):
            fresh_us = since_us
        silence_us = now_us - fresh_us
        if silence_us <= allowed_us:
            return None
        allowed = (("telemetry_timeout_ms", allowed_us / 1e3),)
        return Finding(Reason.TELEMETRY_LOST, (("silence_ms", silence_us / 1e3),), allowed)

    def heard_since(self, since_us: int) -> bool:
        """There is a rig time to cite: a frame, or since then an acknowledgement.

        Args:
            since_us: when the set was armed, controller's clock.
        """
        return self.fresh_us is not None and (self.by_frames or self.fresh_us >= since_us)

    @property
    def by_frames(self) -> bool:
        """The rig sends sample frames (else repetition summaries, and its acks are the sign of life)."""
        return self.identity is None or self.identity.telemetry == "frames"

    def knows(self, event: RigAnnounced) -> bool:
        """The announcement says nothing new."""
        return self.identity is not None and replace(event, now_us=self.identity.now_us) == self.identity

    def announced(self, event: RigAnnounced) -> None:
        """The rig said who it is. One that says what no rig can be is as good as gone."""
        if not is_sound_announcement(event):
            self.lost()
            return
        if self.identity is None or self.identity.boot_id != event.boot_id:
            self.forget()
        self.identity = event

    def accept_samples(self, event: Samples) -> bool:
        """Take a frame in if it is new: same boot, sequence and rig time both later. Else nothing changes."""
        identity = self.identity
        if identity is None or event.boot_id != identity.boot_id or not is_sound_frame(event, identity):
            return False
        t_us = event.t_us
        if event.seq <= self.last_frame_seq or (self.last_t_us is not None and t_us[0] <= self.last_t_us):
            return False
        self.last_frame_seq = event.seq
        self._before_t_us, self.last_t_us = self.last_t_us, t_us[-1]
        self.fresh_us = event.now_us
        self._dock_said(event.docked, t_us[-1])
        self.applied_n = event.applied_n
        self.rig_nonce = event.nonce
        return True

    def leap(self, frame: Samples, allowed_us: int) -> Finding | None:
        """By the rig's own clock there is a hole in its samples, in this frame or before it, that is too long.

        Args:
            frame: which was just taken in.
            allowed_us: how long telemetry may be silent.
        """
        since_us = self._before_t_us
        if since_us is None or frame.t_us[-1] - since_us <= allowed_us:
            return None
        gap_us = max(later - earlier for earlier, later in pairwise((since_us, *frame.t_us)))
        if gap_us <= allowed_us:
            return None
        allowed = (("telemetry_timeout_ms", allowed_us / 1e3),)
        return Finding(Reason.TELEMETRY_LOST, (("rig_clock_gap_ms", gap_us / 1e3),), allowed)

    def _dock_said(self, docked: bool, t_us: int) -> None:
        """Telemetry in its order tells of the dock. "Docked" does not undo a later, or equally late, "undocked"."""
        known_t_us = self._docked_t_us
        if known_t_us is None or t_us > known_t_us:
            self.docked, self._docked_t_us = docked, t_us
        elif not docked:
            self.docked = False

    def accept_repetition(self, event: RepetitionSeen) -> bool:
        """Take a summary in if it is new."""
        identity = self.identity
        if identity is None or event.boot_id != identity.boot_id or event.seq <= self.last_repetition_seq:
            return False
        if not is_sound_repetition(event, identity):
            return False
        self.last_repetition_seq = event.seq
        self.rig_nonce = event.nonce
        if not self.is_old(event.t_end_us):
            if not self._dock_known_since(event.t_end_us):
                self._dock_said(event.docked, event.t_end_us)
            self.applied_n = event.applied_n
        return True

    def is_old(self, t_us: int) -> bool:
        """Something newer is known already."""
        return self.last_t_us is not None and t_us < self.last_t_us

    def _dock_known_since(self, t_us: int) -> bool:
        """Something newer is known about the dock."""
        return self._docked_t_us is not None and t_us < self._docked_t_us

    def accept_report(self, event: RigReported) -> bool:
        """Take a report that the handle was docked or undocked in if it is new."""
        if self.identity is None or event.boot_id != self.identity.boot_id or not is_sound_report(event):
            return False
        if self.is_old(event.t_us) or self._dock_known_since(event.t_us):
            return False
        self._dock_said(event.kind is RigEventKind.DOCKED, event.t_us)
        return True

    def accept_ack(self, event: Acknowledged) -> bool:
        """Take in an ack of the set's own. Only where the rig sends no frames does it count as a sign of life."""
        identity = self.identity
        if identity is None or event.boot_id != identity.boot_id:
            return False
        if not self.by_frames:
            if self.is_old(event.t_us) or not is_sound_answer(event, identity):
                return False
            self.last_t_us = event.t_us
            self.fresh_us = event.now_us
            self._dock_said(event.docked, event.t_us)
            self.applied_n = event.applied_n
            self.rig_nonce = event.nonce
        return True

    @property
    def at_rest(self) -> bool:
        """The rig reports no more on any cable than keeps it taut at the dock, so that a bout may begin."""
        return bool(self.applied_n) and max(self.applied_n) <= RESTING_N

    @property
    def unloaded(self) -> bool:
        """The rig reports no load on any cable."""
        return bool(self.applied_n) and max(self.applied_n) <= UNLOADED_N
