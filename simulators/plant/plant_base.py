"""The rig's half of a plant: motors, dock and time, whoever is at the handles.

The numbers live in flat vectors for the compiled loop (`plant_state`, `physics`); this class gives them names. True
values only: sensors, clocks, firmware and networks are elsewhere.
"""

from __future__ import annotations

import math
from abc import ABC, abstractmethod
from typing import Final, Self

import numpy as np
import numpy.typing as npt

from ebbset.simulators.lifter import layout as lay
from ebbset.simulators.lifter.compiled import compiled_apart
from ebbset.simulators.plant.plant_state import PlantState
from ebbset.simulators.plant.rig_parameters import RigParameters
from ebbset.simulators.plant.truth import Truth

FloatArray = npt.NDArray[np.float64]

_DOCKED_M: Final = 0.005
_OFF: Final = float(lay.Hand.OFF)
_COMMAND, _STEP, _DT = lay.C_COMMAND, lay.G_STEP, lay.P_DT


@compiled_apart
def _all_docked(cables: FloatArray) -> bool:
    away = 0
    for i in range(cables.shape[0]):
        if cables[i, lay.C_X] >= _DOCKED_M or cables[i, lay.C_HAND] != _OFF:
            away += 1
    return away == 0


class PlantBase(ABC):
    """A rig with somebody at it.

    Positions grow as cable is paid out; a positive velocity is concentric; 0 is the docked handle.

    Args:
        rig: the rig.
        state: its vectors.
        exercise: what is lifted.
        bottom_m: cable paid out at the bottom of the movement, m.
        rom_m: the lifter's whole range of motion, m.

    Attributes:
        state: the vectors of the compiled loop; for whoever studies or steers it from outside the lifter and the rig.
    """

    __slots__ = ("bottom_m", "exercise", "rig", "rom_m", "state")

    def __init__(self, rig: RigParameters, state: PlantState, *, exercise: str, bottom_m: float, rom_m: float) -> None:
        self.rig = rig
        self.state = state
        self.exercise = exercise
        self.bottom_m = bottom_m
        self.rom_m = rom_m

    # -- the rig

    def command(self, target_n: tuple[float, ...], ramp_n_per_s: float) -> None:
        """Set the motors' target (N per cable, from now on) and how fast to go there (N/s).

        Values beyond the rig's own limits are cut to them, as a real drive would.

        Args:
            target_n: N per cable.
            ramp_n_per_s: N/s.

        Raises:
            ValueError: wrong number of targets, or a value that is not finite or negative.
        """
        if len(target_n) != self.rig.n_cables:
            raise ValueError(f"target_n is {target_n!r}; allowed: {self.rig.n_cables} values, one per cable")
        for value in (*target_n, ramp_n_per_s):
            if not (math.isfinite(value) and value >= 0.0):
                raise ValueError(f"target_n, ramp_n_per_s are {target_n!r}, {ramp_n_per_s!r}; allowed: finite, >= 0")
        for row, value in zip(self.state.cables, target_n, strict=True):
            row[lay.C_TARGET] = min(value, self.rig.max_load_n)
        self.state.lifter[lay.G_RAMP] = ramp_n_per_s

    @property
    def docked(self) -> bool:
        """Every handle is in its dock (within 5 mm) and nobody holds it."""
        return bool(_all_docked(self.state.cables))

    @property
    def applied_n(self) -> tuple[float, ...]:
        """Load commanded to each motor now, after the ramp and before the motor's own lag, N."""
        return tuple(self.state.cables[:, _COMMAND].tolist())

    def pull(self, force_n: tuple[float, ...]) -> None:
        """Instead of the lifter, pull at the bare handle with this force (N per cable) until told otherwise.

        For identification and for comparison with other simulators; positive pays cable out.

        Raises:
            ValueError: wrong number of forces, or one that is not finite.
        """
        if len(force_n) != self.rig.n_cables or not all(math.isfinite(f) for f in force_n):
            raise ValueError(f"force_n is {force_n!r}; allowed: {self.rig.n_cables} finite values")
        self.state.lifter[lay.G_PHASE] = float(lay.Phase.EXTERNAL)
        self.state.cables[:, lay.C_HAND] = float(lay.Hand.EXTERNAL)
        self.state.cables[:, lay.C_EXTERNAL] = force_n

    def guide(self, goal_m: float, speed_m_s: float) -> None:
        """Instead of the lifter's set, a hand takes every handle to ``goal_m`` at this speed and holds it there.

        Args:
            goal_m: cable paid out, m.
            speed_m_s: m/s, above 0.

        Raises:
            ValueError: a goal or a speed that is not finite, or a speed not above 0.
        """
        if not (math.isfinite(goal_m) and math.isfinite(speed_m_s) and speed_m_s > 0.0):
            raise ValueError(f"goal_m, speed_m_s are {goal_m!r}, {speed_m_s!r}; allowed: finite, speed above 0")
        self.state.lifter[lay.G_PHASE] = float(lay.Phase.EXTERNAL)
        self.state.cables[:, lay.C_HAND] = float(lay.Hand.SERVO)
        self.state.cables[:, lay.C_GAIN] = 1.0
        self.state.cables[:, lay.C_GOAL] = goal_m
        self.state.cables[:, lay.C_V_LIMIT] = speed_m_s

    def let_go(self) -> None:
        """Nobody holds a handle any more."""
        self.state.lifter[lay.G_PHASE] = float(lay.Phase.REST)
        self.state.cables[:, lay.C_HAND] = float(lay.Hand.OFF)

    # -- the lifter

    @abstractmethod
    def start(self) -> None:
        """The lifter picks the handle up and begins to lift once it is loaded; counts and records start again."""

    def rest(self, duration_s: float) -> None:
        """Let the lifter recover with the handle docked: the first second is simulated, the rest is skipped.

        Args:
            duration_s: for so long; the time of the plant goes on by whole steps.

        Raises:
            ValueError: a duration that is negative or not finite, or the handle is not docked.
        """
        if not (math.isfinite(duration_s) and duration_s >= 0.0):
            raise ValueError(f"duration_s is {duration_s!r}; allowed: finite, >= 0")
        if not self.docked:
            raise ValueError("docked is False; allowed: rest only with the handle docked")
        steps = round(duration_s / self.step_s)
        shown = min(steps, round(1.0 / self.step_s))
        self.advance(shown)
        self._recover((steps - shown) * self.step_s)
        self.state.lifter[lay.G_STEP] += steps - shown

    @abstractmethod
    def _recover(self, duration_s: float) -> None:
        """Let the lifter recover for a time that is not simulated."""

    @property
    @abstractmethod
    def phase(self) -> lay.Phase:
        """What the lifter is doing."""

    @property
    @abstractmethod
    def attempts_ended(self) -> int:
        """Repetitions tried and ended since ``start``, completed or not."""

    @property
    @abstractmethod
    def done(self) -> bool:
        """The lifter has ended the set."""

    @property
    @abstractmethod
    def capacity(self) -> float:
        """Greatest force possible now over the fresh one, at standstill at the weakest point, all arms."""

    @property
    @abstractmethod
    def truth(self) -> Truth:
        """The present state, including everything that is hidden from sensors."""

    @abstractmethod
    def fork(self) -> Self:
        """Exact, independent copy, random numbers included."""

    # -- time

    @abstractmethod
    def advance(self, n_steps: int) -> None:
        """Advance by ``n_steps`` integration steps."""

    @abstractmethod
    def run_frame(self, n_samples: int, steps_per_sample: int, out: FloatArray) -> float:
        """Advance and write true samples; the hot path, nothing is checked or allocated.

        Args:
            n_samples: samples to write.
            steps_per_sample: integration steps before each.
            out: float64, shape (>= n_samples, n_cables, 4): t_s, position_m, velocity_m_s, tension_n.

        Returns:
            Simulated time after the last of them, s.
        """

    @property
    def step_s(self) -> float:
        """Integration step."""
        return float(self.state.parameters[lay.P_DT])

    @property
    def time_s(self) -> float:
        """Simulated time."""
        return float(self.state.lifter.item(_STEP) * self.state.parameters.item(_DT))
