"""Checks the invariants that show only at the rig: loads that ramp, cables that stay taut, no load without a lease.

Complements `invariant_monitor`, which reads inputs and outputs of the controller; this one reads the truth of a
simulated rig. It only observes.
"""

from __future__ import annotations

from typing import Final

from ebbset.simulators.closed_loop.invariant_monitor import Breach

_TOLERANCE_N: Final = 1e-6
_RAMP_TOLERANCE: Final = 1.001


class RigMonitor:
    """Watches one simulated rig; `breaches` is empty as long as invariants 4 and 7 hold there.

    Args:
        max_ramp_n_per_s: the rig's own steepest ramp.
    """

    def __init__(self, *, max_ramp_n_per_s: float) -> None:
        self.breaches: list[Breach] = []
        self._max_ramp_n_per_s = max_ramp_n_per_s
        self._granted_us: int | None = None

    def granted(self, until_us: int) -> None:
        """The rig accepted a load; its lease runs out at this rig time."""
        self._granted_us = until_us

    def step(
        self,
        *,
        now_us: int,
        t_us: int,
        elapsed_s: float,
        before_n: tuple[float, ...],
        applied_n: tuple[float, ...],
        target_n: tuple[float, ...],
        slack_in_hand: bool,
    ) -> None:
        """One stretch of time at the rig.

        Args:
            now_us: controller clock at its end, for the record.
            t_us: rig clock at its end.
            elapsed_s: its length.
            before_n: load applied at its start, N per cable.
            applied_n: load applied at its end.
            target_n: what the motors hold or go to at its end.
            slack_in_hand: a cable went slack while the lifter held it and the load was going down to a floor.
        """
        allowed_n = self._max_ramp_n_per_s * elapsed_s * _RAMP_TOLERANCE + _TOLERANCE_N
        if applied_n != before_n:
            for before, applied in zip(before_n, applied_n, strict=True):
                if abs(applied - before) > allowed_n:
                    went = f"applied_n went {before} to {applied}"
                    self._breach(4, now_us, f"{went}; allowed: a change of {allowed_n:.3f} N")
        if slack_in_hand:
            self._breach(4, now_us, "a cable went slack during a drop; allowed: tension above 0")
        granted_us = self._granted_us
        if (granted_us is None or t_us > granted_us) and max(target_n) > 0.0:
            self._breach(7, now_us, f"target_n is {target_n} without a lease; allowed: 0 once it ran out")

    def _breach(self, invariant: int, now_us: int, detail: str) -> None:
        self.breaches.append(Breach(invariant, now_us, detail))
