"""Lies: a force cell that is off, or a drive that applies another load than it says. As a step, or creeping up.

What lives here: how each is put into a simulated set. What never does: who lifts (`population`).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from enum import StrEnum
from typing import Final

import numpy as np
import numpy.typing as npt

from ebbset.simulators.lifter.lifter import LifterParameters
from ebbset.simulators.plant.plant import Plant
from ebbset.simulators.plant.rig_parameters import RigParameters
from ebbset.simulators.rig.sensors import FaultKind, SensedQuantity, SensorFault

FloatArray = npt.NDArray[np.float64]

CREEP_N_PER_S: Final = 20.0
STAIR_N: Final = 5.0


class Liar(StrEnum):
    """What is wrong, and how it comes on."""

    CELL_STEP = "cell, step"
    CELL_CREEP = "cell, creep"
    DRIVE_STEP = "drive, step"
    DRIVE_CREEP = "drive, creep"
    CELL_STEP_IN_HOLD = "cell, step in a hold"
    DRIVE_STEP_IN_HOLD = "drive, step in a hold"

    @property
    def in_hold(self) -> bool:
        """The lifter stands at the top when it comes on."""
        return self in (Liar.CELL_STEP_IN_HOLD, Liar.DRIVE_STEP_IN_HOLD)


@dataclass(frozen=True, slots=True, kw_only=True)
class Lie:
    """One lie.

    Attributes:
        liar: what is wrong.
        bias_n: by how much in the end, newtons; positive: more force shown, or more load applied, than is said.
        from_s: true time at which it begins.
    """

    liar: Liar
    bias_n: float
    from_s: float

    def faults(self) -> tuple[SensorFault, ...]:
        """What it does to the force cell of the first cable."""
        if self.bias_n == 0.0:
            return ()
        if self.liar in (Liar.CELL_STEP, Liar.CELL_STEP_IN_HOLD):
            return (self._offset(self.bias_n, self.from_s),)
        if self.liar is not Liar.CELL_CREEP:
            return ()
        stairs = max(1, round(abs(self.bias_n) / STAIR_N))
        each_s = abs(self.bias_n) / stairs / CREEP_N_PER_S
        return tuple(self._offset(self.bias_n / stairs, self.from_s + (k + 1) * each_s) for k in range(stairs))

    def _offset(self, offset_n: float, from_s: float) -> SensorFault:
        return SensorFault(kind=FaultKind.OFFSET, quantity=SensedQuantity.FORCE, from_s=from_s, offset=offset_n)

    def drive_n(self, t_s: float) -> float:
        """What the drive of the first cable adds to its load at a true time, newtons."""
        since_s = t_s - self.from_s
        if since_s < 0.0 or self.liar in (Liar.CELL_STEP, Liar.CELL_CREEP, Liar.CELL_STEP_IN_HOLD):
            return 0.0
        if self.liar is not Liar.DRIVE_CREEP:
            return self.bias_n
        crept_n = min(CREEP_N_PER_S * since_s, abs(self.bias_n))
        return crept_n if self.bias_n > 0.0 else -crept_n


class LyingPlant(Plant):
    """A plant whose motors pull otherwise than the rig believes: in proportion on each cable, by a lie on the first.

    Args:
        rig: the rig.
        lifter: the person.
        rng: as of any plant.
        dt_s: integration step, s.
        part: error in proportion to the load.
        drive_n: what is added at a true time in seconds, newtons.
    """

    __slots__ = ("_drive_n", "_part", "_ramp_n_per_s", "_said_n", "_target_n")

    def __init__(
        self,
        rig: RigParameters,
        lifter: LifterParameters,
        rng: np.random.Generator,
        dt_s: float,
        *,
        part: float,
        drive_n: Callable[[float], float],
    ) -> None:
        super().__init__(rig, lifter, rng, dt_s)
        self._part = part
        self._drive_n = drive_n
        self._target_n = self._said_n = (0.0,) * rig.n_cables
        self._ramp_n_per_s = rig.max_ramp_n_per_s

    def command(self, target_n: tuple[float, ...], ramp_n_per_s: float) -> None:
        """Take a command, and pull otherwise.

        Args:
            target_n: N per cable.
            ramp_n_per_s: N/s.
        """
        self._target_n, self._ramp_n_per_s = target_n, min(ramp_n_per_s, self.rig.max_ramp_n_per_s)
        self._drive()

    @property
    def applied_n(self) -> tuple[float, ...]:
        """What the rig believes."""
        return self._said_n

    def run_frame(self, n_samples: int, steps_per_sample: int, out: FloatArray) -> float:
        """Advance; the lie goes on frame by frame.

        Args:
            n_samples: samples to write.
            steps_per_sample: integration steps before each.
            out: as of any plant.
        """
        self._drive()
        most_n = self._ramp_n_per_s * n_samples * steps_per_sample * self.step_s
        self._said_n = tuple(
            said + max(-most_n, min(most_n, target - said))
            for said, target in zip(self._said_n, self._target_n, strict=True)
        )
        return super().run_frame(n_samples, steps_per_sample, out)

    def _drive(self) -> None:
        added_n = (self._drive_n(self.time_s), *(0.0 for _ in self._target_n[1:]))
        pulled_n = tuple(
            max(0.0, (1.0 + self._part) * target + added) if target > 0.0 else 0.0
            for target, added in zip(self._target_n, added_n, strict=True)
        )
        super().command(pulled_n, self._ramp_n_per_s)
