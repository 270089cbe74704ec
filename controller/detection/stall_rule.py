"""When an ascent counts as stalled: how long the handle has been slow, and whether evidence may call it.

What lives here: one cable's clock of a slow handle. What never does: where and why it is slow (`stall`), the evidence
(`stall_evidence`).
"""

from __future__ import annotations

from typing import Final

from ebbset.controller.detection.kinematic_filter import MotionOffset
from ebbset.models.contract.prescription import StallSection

FILTER_LAG_US: Final = 22_000
"""The filtered velocity falls below a threshold this much later than the true one; measured on simulated stalls."""
HALF_A_LOOK_US: Final = 5_000
"""A handle is evaluated about every 10 ms: a grinding time is over at the evaluation nearest to its end."""
SLOWED_US: Final = 700_000
"""A handle that slowed down for want of strength and stands for this long counts as stalled; with "habits" only
while this person has not been seen to pause on the way up."""
FLICKER_US: Final = 60_000
"""A handle that slowed down for want of strength and is faster than the stall velocity for less than this has not moved
on: the muscle trembles, and the filter lets some noise through. Judgement."""
_NEVER_US: Final = 2**63


class StallRule:
    """Decides when an ascent counts as stalled.

    Motion has ended at the last instant at which the handle was faster than ``velocity_m_s``; ``grind_s`` counts from
    there. With the rule "dwell" the handle must have been slower for ``dwell_s``; with the rules "habits" and
    "evidence" the ascent is called as soon as it is certain enough that it will not come through, which is often before
    motion has ended, and at the latest after ``still_limit_s``.

    Args:
        stall: what counts as a stall.
        certain: least score of the evidence that is a stall.

    Attributes:
        threshold_m_s: the stall velocity.
        by_evidence: the rule goes by evidence, of either kind.
        certain: least score of the evidence that is a stall.
        slow_since_us: rig time at which the handle fell below the stall velocity, ``None`` while it moves.
        slow_t_us: rig time of the newest slow sample, while it counts toward a stall.
        due_us: rig time before which a slow sample does no more than become the newest; 0: each is to be judged.
        fired: a stall was called and is not over.
        motion_offset: tells that time more exactly a little later; only where a grinding time is prescribed.
    """

    __slots__ = (
        "_by_habits",
        "_grind_us",
        "_hold_until_us",
        "_limit_us",
        "_slowed_us",
        "_still_since_us",
        "by_evidence",
        "certain",
        "due_us",
        "fired",
        "motion_offset",
        "slow_since_us",
        "slow_t_us",
        "threshold_m_s",
    )

    def __init__(self, stall: StallSection, certain: float) -> None:
        self.threshold_m_s = stall.velocity_m_s
        self.by_evidence = stall.rule != "dwell"
        self._by_habits = stall.rule == "habits"
        self._grind_us = round(stall.grind_s * 1e6)
        self.certain = certain
        self._limit_us = self._grind_us + round((stall.still_limit_s if self.by_evidence else stall.dwell_s) * 1e6)
        self._slowed_us = min(self._limit_us, self._grind_us + SLOWED_US) if self.by_evidence else self._limit_us
        self.motion_offset = MotionOffset(stall.velocity_m_s) if self._grind_us > 0 else None
        self.slow_since_us: int | None = None
        self._still_since_us = 0
        self.slow_t_us: int | None = None
        self.due_us = 0
        self._hold_until_us = 0
        self.fired = False

    def moving(self) -> None:
        """The handle is faster than the stall velocity."""
        self.slow_since_us = None
        self.due_us = 0

    def recovered(self) -> None:
        """The ascent is well under way, or a new one begins: a stall may be called again."""
        self._restart()
        self.fired = False

    @property
    def slowed_limit_s(self) -> float | None:
        """Standstill after which a handle that slowed down for want of strength is stalled; None: as any other."""
        return self._slowed_us * 1e-6 if self._slowed_us < self._limit_us else None

    def hold(self, until_us: int) -> None:
        """A drop is under way: judge again from ``until_us`` on."""
        self._hold_until_us = until_us
        self._restart()
        self.fired = False

    def holding(self, t_us: int) -> bool:
        """A drop is under way: nothing is judged before the new load has settled."""
        return t_us < self._hold_until_us

    def _restart(self) -> None:
        self.slow_since_us = self.slow_t_us = None
        self.due_us = 0
        if self.motion_offset is not None:
            self.motion_offset.restart()

    def _ended_us(self) -> int | None:
        """When motion ended, as exactly as is known so far."""
        since = self.slow_since_us
        exact = self.motion_offset.at_us if self.motion_offset is not None else None
        return since if exact is None else exact

    def slow(self, t_us: int, *, slowed: bool = False, at_a_top: bool = False) -> float | None:
        """The handle is slower than the stall velocity; seconds since motion ended when that alone is a stall, once.

        Args:
            t_us: rig time.
            slowed: it slowed down for want of strength.
            at_a_top: it stopped on purpose where a repetition may end, so that standing is no stall as long as that
                holds.
        """
        if self.holding(t_us):
            return None
        before_us, self.slow_t_us = self.slow_t_us, t_us
        if self.slow_since_us is None:
            self.slow_since_us = t_us - FILTER_LAG_US
            if before_us is None or t_us - before_us > FLICKER_US:
                self._still_since_us = self.slow_since_us
            self.due_us = self._first_due_us()
            return None
        since = self._ended_us()
        limit_us = self._slowed_us if slowed else self._limit_us
        if (self._by_habits or (slowed and self.by_evidence)) and self._grind_us == 0:
            since = self._still_since_us
        if at_a_top or self.fired or since is None or t_us - since < limit_us:
            return None
        self._fire()
        return (t_us - since) * 1e-6

    def not_slowed(self) -> None:
        """It did not slow down for want of strength: until it moves on, only the whole limit makes it a stall."""
        if self.slow_since_us is not None and self._grind_us == 0 and not self.fired and not self._by_habits:
            self.due_us = self.slow_since_us + self._limit_us

    def ask_anew(self) -> None:
        """Why it stands may have changed."""
        if self.slow_since_us is not None:
            self.due_us = self._first_due_us()

    def _first_due_us(self) -> int:
        """Earliest rig time at which standing still may be a stall, whyever it stands."""
        if self.fired:
            return _NEVER_US
        # With a grinding time the end of motion, from which it counts, may yet become known more exactly.
        return 0 if self._grind_us > 0 else self._still_since_us + self._slowed_us

    def _fire(self) -> None:
        self.fired = True
        self.ask_anew()

    def judge(self, t_us: int) -> float | None:
        """Seconds since motion ended when evidence that is certain enough makes it a stall, once; 0: it was foreseen.

        Args:
            t_us: rig time.
        """
        if self.fired or self.holding(t_us):
            return None
        since = self._ended_us()
        if self._grind_us > 0 and (since is None or t_us - since < self._grind_us - HALF_A_LOOK_US):
            return None
        self._fire()
        return 0.0 if since is None else (t_us - since) * 1e-6
