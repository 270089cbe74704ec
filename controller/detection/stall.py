"""Whether a slowing ascent is a stall: the rule of one cable.

What lives here: the decision, from how long the handle has been still and from the evidence of the ascent. What never
does: finding repetitions (`tracker`), gathering evidence (`foresight`), strength (`capacity`), loads (policies).
"""

from __future__ import annotations

from typing import Final

from ebbset.controller.detection.motion_offset import MotionOffset
from ebbset.controller.detection.stall_classifier import score_of
from ebbset.models.contract.prescription import StallSection

FILTER_LAG_US: Final = 22_000
"""The filtered velocity falls below a threshold this much later than the true one; measured on simulated stalls."""
GRIND_CERTAINTY: Final = 0.5
"""Who has been given the prescribed time is called when it is more likely than not that the ascent will not come
through; only a pause on purpose is waited for, until ``still_limit_s``."""
HALF_A_LOOK_US: Final = 5_000
"""A handle is looked at every 10 ms or so: a grinding time is over at the look that is nearest to its end."""


class StallRule:
    """Decides when an ascent counts as stalled.

    Motion has ended at the last instant at which the handle was faster than ``velocity_m_s``; ``grind_s`` counts from
    there. With the rule "dwell" the handle must have been slower for ``dwell_s``; with the rule "evidence" the ascent
    is called as soon as it is certain enough that it will not come through, which is often before motion has ended,
    and at the latest after ``still_limit_s``.

    Attributes:
        threshold_m_s: the stall velocity.
        by_evidence: the rule is "evidence".
        certain: least score of the evidence that is a stall.
        slow_since_us: rig time at which the handle fell below the stall velocity, ``None`` while it moves.
        motion_end: tells that time more exactly a little later; only where a grinding time is prescribed.
    """

    __slots__ = (
        "_fired",
        "_grind_us",
        "_hold_until_us",
        "_limit_us",
        "by_evidence",
        "certain",
        "motion_end",
        "slow_since_us",
        "threshold_m_s",
    )

    def __init__(self, stall: StallSection) -> None:
        self.threshold_m_s = stall.velocity_m_s
        self.by_evidence = stall.rule == "evidence"
        self._grind_us = round(stall.grind_s * 1e6)
        self.certain = score_of(stall.certainty if self._grind_us == 0 else min(stall.certainty, GRIND_CERTAINTY))
        self._limit_us = self._grind_us + round((stall.still_limit_s if self.by_evidence else stall.dwell_s) * 1e6)
        self.motion_end = MotionOffset(stall.velocity_m_s) if self._grind_us > 0 else None
        self.slow_since_us: int | None = None
        self._hold_until_us = 0
        self._fired = False

    def moving(self) -> None:
        """The handle is faster than the stall velocity."""
        self.slow_since_us = None

    def recovered(self) -> None:
        """The ascent is well under way, or a new one begins: a stall may be called again."""
        self._restart()
        self._fired = False

    @property
    def fired(self) -> bool:
        """A stall was called and is not over."""
        return self._fired

    def hold(self, until_us: int) -> None:
        """A drop is under way: judge again from ``until_us`` on."""
        self._hold_until_us = until_us
        self._restart()
        self._fired = False

    def _restart(self) -> None:
        self.slow_since_us = None
        if self.motion_end is not None:
            self.motion_end.restart()

    def _ended_us(self) -> int | None:
        """When motion ended, as exactly as can be told by now."""
        since = self.slow_since_us
        exact = self.motion_end.at_us if self.motion_end is not None else None
        return since if exact is None else exact

    def holding(self, t_us: int) -> bool:
        """A drop is still on its way."""
        return t_us < self._hold_until_us

    def slow(self, t_us: int) -> float | None:
        """The handle is slower than the stall velocity; seconds since motion ended when that alone is a stall, once."""
        if t_us < self._hold_until_us:
            return None
        if self.slow_since_us is None:
            self.slow_since_us = t_us - FILTER_LAG_US
            return None
        since = self._ended_us()
        if self._fired or since is None or t_us - since < self._limit_us:
            return None
        self._fired = True
        return (t_us - since) * 1e-6

    def judge(self, t_us: int, score: float) -> float | None:
        """Evidence of this strength; seconds since motion ended when it is a stall, once, 0 when it was foreseen."""
        if self._fired or score < self.certain or t_us < self._hold_until_us:
            return None
        since = self._ended_us()
        if self._grind_us > 0 and (since is None or t_us - since < self._grind_us - HALF_A_LOOK_US):
            return None
        self._fired = True
        return 0.0 if since is None else (t_us - since) * 1e-6
