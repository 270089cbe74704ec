"""Consistency of one cable's sensors: position against velocity, force against the applied load.

What lives here: slow checks, once per frame. What never does: what to do about it. A rig that stands still without
noise is healthy; a rig that reports velocity while its position stands still is not.
"""

from __future__ import annotations

from typing import Final

from ebbset.controller.detection.signals import SensorTrouble
from ebbset.controller.messages.reasons import Reason

# Judgement, no source: wide enough for a filtered velocity that lags, a cable that stretches and a drive that has
# friction, small against a sensor that is wrong.
FROZEN_PATH_M: Final = 0.03
FROZEN_POSITION_M: Final = 0.0005
DRIFT_M: Final = 0.06
DRIFT_PART: Final = 0.25
LEAK_S: Final = 0.6
FORCE_PART: Final = 0.5
FORCE_N: Final = 60.0
# Longer than the inertia of any handle adds to or takes from its load within one ascent.
FORCE_S: Final = 1.0


class SensorCheck:
    """Running comparison of the columns of one cable; each kind of trouble is reported once until it is over."""

    __slots__ = ("_drift_m", "_force_s", "_frozen_path_m", "_path_m", "_told")

    def __init__(self) -> None:
        self._told: Reason | str | None = None
        self.restart()

    def restart(self) -> None:
        """Forget sums: samples were lost."""
        self._drift_m = self._path_m = self._frozen_path_m = self._force_s = 0.0

    @property
    def told(self) -> bool:
        """A trouble was told and is not over."""
        return self._told is not None

    def frame(
        self,
        t_us: int,
        since_us: int,
        moved_by_velocity_m: float | None,
        path_m: float,
        moved_m: float,
        span_m: float,
        force_n: float | None,
        load_n: float,
        *,
        docked: bool,
    ) -> SensorTrouble | None:
        """One frame.

        Args:
            t_us: rig time of its newest sample.
            since_us: time since the frame before.
            moved_by_velocity_m: velocity integrated over the frame; ``None`` without a velocity column.
            path_m: absolute velocity integrated.
            moved_m: change of raw position.
            span_m: largest less smallest raw position.
            force_n: newest cable tension; ``None`` without a force cell.
            load_n: load that the rig reports as applied, newtons.
            docked: the handle rests at the rig, which may take the tension, so force is not compared.
        """
        seconds = since_us * 1e-6
        if moved_by_velocity_m is not None and seconds > 0.0:
            keep = 1.0 / (1.0 + seconds / LEAK_S)
            self._drift_m = keep * (self._drift_m + moved_by_velocity_m - moved_m)
            self._path_m = keep * (self._path_m + path_m)
            self._frozen_path_m = self._frozen_path_m + path_m if span_m < FROZEN_POSITION_M else 0.0
            # noise alone adds to the path too, so the signed sum must agree that the handle should have moved
            drift = self._drift_m if self._drift_m > 0.0 else -self._drift_m
            if self._frozen_path_m > FROZEN_PATH_M and drift > FROZEN_PATH_M:
                return self._tell(Reason.TELEMETRY_FROZEN, t_us, "position_m", drift, FROZEN_PATH_M)
            allowed = DRIFT_M + DRIFT_PART * self._path_m
            if drift > allowed:
                return self._tell(Reason.SENSORS_DISAGREE, t_us, "velocity_m_s", drift, allowed)
        if force_n is not None and not docked and load_n > 0.0:
            off = force_n - load_n if force_n > load_n else load_n - force_n
            allowed = FORCE_N + FORCE_PART * load_n
            self._force_s = self._force_s + seconds if off > allowed else 0.0
            if self._force_s > FORCE_S:
                return self._tell(Reason.SENSORS_DISAGREE, t_us, "force_n", off, allowed)
        if self._drift_m < 0.02 and self._force_s == 0.0:
            self._told = None
        return None

    def _tell(self, reason: Reason, t_us: int, quantity: str, value: float, allowed: float) -> SensorTrouble | None:
        if self._told == quantity:
            return None
        self._told = quantity
        return SensorTrouble(reason=reason, t_us=t_us, quantity=quantity, value=value, allowed=allowed)
