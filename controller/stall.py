"""Whether a slowing ascent will come through: the stall rule of one cable.

What lives here: the judgement of one concentric, sample by sample, once it is slow. What never does: finding
repetitions (`tracker`), strength (`capacity`), loads (policies). Plain arithmetic in a fixed order, so that a replay
gives the same bits on any machine.
"""

from __future__ import annotations

from ebbset.models.prescription import StallSection


class StallRule:
    """Decides when a handle that does not move counts as stalled.

    Motion has ended at the last instant at which the handle was faster than ``velocity_m_s``; the handle counts as
    stalled when it has stayed below for ``dwell_s`` and the ``grind_s`` that the prescription adds. Both are counted
    from the end of motion, so a longer filter does not make a longer dwell.
    """

    __slots__ = ("_fired", "_grind_us", "_hold_until_us", "_slow_since_us", "_wait_us", "threshold_m_s")

    def __init__(self, stall: StallSection) -> None:
        self.threshold_m_s = stall.velocity_m_s
        self._grind_us = round(stall.grind_s * 1e6)
        self._wait_us = round(stall.dwell_s * 1e6) + self._grind_us
        self._slow_since_us: int | None = None
        self._hold_until_us = 0
        self._fired = False

    @property
    def slow_since_us(self) -> int | None:
        """Rig time at which the handle fell below the stall velocity, ``None`` while it moves."""
        return self._slow_since_us

    def moving(self) -> None:
        """The handle is faster than the stall velocity."""
        self._slow_since_us = None
        self._fired = False

    def hold(self, until_us: int) -> None:
        """A drop is under way: judge again from ``until_us`` on."""
        self._hold_until_us = until_us
        self._slow_since_us = None
        self._fired = False

    def slow(self, t_us: int) -> float | None:
        """The handle is slower than the stall velocity; seconds since motion ended when that is a stall, once."""
        if t_us < self._hold_until_us:
            return None
        since = self._slow_since_us
        if since is None:
            self._slow_since_us = t_us
            return None
        if self._fired or t_us - since < self._wait_us:
            return None
        self._fired = True
        return (t_us - since) * 1e-6
