"""Rig and lifter as one object that a controller can be run against: command, advance, look.

The numbers live in flat vectors for the compiled loop (`plant_state`, `physics`); this class gives them names. True
values only: sensors, clocks, firmware and networks are elsewhere.
"""

from __future__ import annotations

import copy
import math
from dataclasses import dataclass
from typing import Final, Self

import numpy as np
import numpy.typing as npt

from ebbset.simulators.lifter import layout as lay
from ebbset.simulators.lifter.behaviour import capacity, mean_capacity
from ebbset.simulators.lifter.compiled import compiled_apart
from ebbset.simulators.lifter.lifter import LifterParameters
from ebbset.simulators.rig import physics
from ebbset.simulators.rig.plant_state import PlantState
from ebbset.simulators.rig.rig_parameters import RigParameters

FloatArray = npt.NDArray[np.float64]

_DOCKED_M: Final = 0.005
_OFF: Final = float(lay.Hand.OFF)
_COMMAND, _STEP, _DT = lay.C_COMMAND, lay.G_STEP, lay.P_DT


@dataclass(frozen=True, slots=True)
class RepetitionTruth:
    """One attempt at a repetition, as it really was.

    Attributes:
        start_s: first upward movement.
        end_s: end of the concentric phase, or giving in.
        start_m: position then.
        end_m: position at the end.
        mean_velocity_m_s: mean concentric velocity.
        propulsive_velocity_m_s: mean until the deceleration first exceeds gravity for good.
        peak_velocity_m_s: peak.
        min_velocity_m_s: lowest velocity between 8 and 90 % of the range.
        min_at_share: where that was, share of the range.
        completed: reached at least 95 % of the range.
        load_n: load felt per cable when it began.
        capacity: share of the fresh maximal force left at its end.
    """

    start_s: float
    end_s: float
    start_m: float
    end_m: float
    mean_velocity_m_s: float
    propulsive_velocity_m_s: float
    peak_velocity_m_s: float
    min_velocity_m_s: float
    min_at_share: float
    completed: bool
    load_n: float
    capacity: float


@dataclass(frozen=True, slots=True)
class Truth:
    """True values that cannot be measured on real people.

    Attributes:
        time_s: simulated time.
        phase: what the lifter is doing.
        repetitions: completed since ``start``.
        attempts: begun since ``start``.
        capacity: momentary maximal force over the fresh one, at standstill at the weakest point, all arms.
        isometric_n: that force per cable, N.
        fatigued: per cable, fatigued share of 3CC-r or spent share of the reserve.
        active: per cable, active share.
        records: attempts since ``start``, oldest first (the first 256).
        done: the lifter has ended the set (put the handle down or let go).
    """

    time_s: float
    phase: lay.Phase
    repetitions: int
    attempts: int
    capacity: float
    isometric_n: tuple[float, ...]
    fatigued: tuple[float, ...]
    active: tuple[float, ...]
    records: tuple[RepetitionTruth, ...]
    done: bool


@compiled_apart
def _all_docked(cables: FloatArray) -> bool:
    away = 0
    for i in range(cables.shape[0]):
        if cables[i, lay.C_X] >= _DOCKED_M or cables[i, lay.C_HAND] != _OFF:
            away += 1
    return away == 0


class Plant:
    """A lifter at a rig.

    Positions grow as cable is paid out; a positive velocity is concentric; 0 is the docked handle.

    Args:
        rig: the rig.
        lifter: the person.
        rng: source of every random number of this plant; one draw seeds its own stream.
        dt_s: integration step, s.

    Attributes:
        state: the vectors of the compiled loop; for whoever studies or steers it from outside the lifter and the rig.

    Raises:
        ValueError: a step too long for these parameters, or an impossible strength curve.
    """

    __slots__ = ("lifter", "rig", "state")

    def __init__(
        self, rig: RigParameters, lifter: LifterParameters, rng: np.random.Generator, dt_s: float = 0.001
    ) -> None:
        if not 1e-6 <= dt_s <= 0.005:
            raise ValueError(f"dt_s is {dt_s!r}; allowed: 1e-06 to 0.005")
        self.rig = rig
        self.lifter = lifter
        self.state = PlantState.fresh(rig, lifter, rng, dt_s)

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

    # -- the lifter

    def start(self) -> None:
        """The lifter picks the handle up and begins to lift once it is loaded; counts and records start again."""
        g = self.state.lifter
        keep = g[lay.G_STEP], g[lay.G_RAMP], g[lay.G_NOISE]
        g[:] = 0.0
        g[lay.G_STEP], g[lay.G_RAMP], g[lay.G_NOISE] = keep
        g[lay.G_PHASE] = float(lay.Phase.PICKING_UP)
        g[lay.G_PHASE_STEP] = g[lay.G_STEP]
        self.state.cables[:, lay.C_HAND] = float(lay.Hand.SERVO)
        self.state.cables[:, lay.C_GOAL] = self.lifter.start_m
        self.state.cables[:, lay.C_V_LIMIT] = self.lifter.handling_velocity_m_s

    def rest(self, duration_s: float) -> None:
        """Let the lifter recover with the handle docked; the first second is simulated, the rest is exact decay.

        Raises:
            ValueError: a duration that is negative or not finite, or the handle is not docked.
        """
        if not (math.isfinite(duration_s) and duration_s >= 0.0):
            raise ValueError(f"duration_s is {duration_s!r}; allowed: finite, >= 0")
        if not self.docked:
            raise ValueError("docked is False; allowed: rest only with the handle docked")
        dt = float(self.state.parameters[lay.P_DT])
        steps = round(duration_s / dt)
        shown = min(steps, round(1.0 / dt))
        self.advance(shown)
        left_s = (steps - shown) * dt
        if self.lifter.fatigue_model == "3cc_r":
            rate = self.lifter.rest_multiplier * self.lifter.recovery_per_s
        else:
            rate = self.lifter.reserve_rest_multiplier * self.lifter.critical_share / self.lifter.reserve_s
        self.state.cables[:, lay.C_FATIGUED] *= math.exp(-rate * left_s)
        self.state.cables[:, lay.C_SLOW] *= math.exp(-self.lifter.slow_recovery_per_s * left_s)
        self.state.cables[:, lay.C_ACTIVE] *= math.exp(-self.lifter.relax_per_s * left_s)
        self.state.lifter[lay.G_STEP] += steps - shown

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

    # -- time

    def advance(self, n_steps: int) -> None:
        """Advance by ``n_steps`` integration steps."""
        at = self.state
        physics.advance(at.parameters, at.cables, at.lifter, at.random, at.records, n_steps)

    def run_frame(self, n_samples: int, steps_per_sample: int, out: FloatArray) -> float:
        """Advance and write true samples; the hot path, nothing is checked or allocated.

        Args:
            n_samples: samples to write.
            steps_per_sample: integration steps before each.
            out: float64, shape (>= n_samples, n_cables, 4): t_s, position_m, velocity_m_s, tension_n.

        Returns:
            Simulated time after the last of them, s.
        """
        at = self.state
        return physics.run_frame(
            at.parameters, at.cables, at.lifter, at.random, at.records, n_samples, steps_per_sample, out
        )

    @property
    def step_s(self) -> float:
        """Integration step."""
        return float(self.state.parameters[lay.P_DT])

    @property
    def time_s(self) -> float:
        """Simulated time."""
        return float(self.state.lifter.item(_STEP) * self.state.parameters.item(_DT))

    @property
    def phase(self) -> lay.Phase:
        """What the lifter is doing."""
        return lay.Phase(int(self.state.lifter[lay.G_PHASE]))

    @property
    def attempts_ended(self) -> int:
        """Repetitions tried and ended since ``start``, completed or not."""
        return int(self.state.lifter[lay.G_RECORDS])

    @property
    def done(self) -> bool:
        """The lifter has ended the set."""
        return bool(self.state.lifter[lay.G_DONE] > 0.0)

    @property
    def truth(self) -> Truth:
        """The present state, including everything that is hidden from sensors."""
        g, p, rows = self.state.lifter, self.state.parameters, self.state.cables
        records = tuple(
            RepetitionTruth(
                start_s=float(r[lay.R_START]),
                end_s=float(r[lay.R_END]),
                start_m=float(r[lay.R_X_START]),
                end_m=float(r[lay.R_X_END]),
                mean_velocity_m_s=float(r[lay.R_MEAN_V]),
                propulsive_velocity_m_s=float(r[lay.R_PROP_V]),
                peak_velocity_m_s=float(r[lay.R_PEAK_V]),
                min_velocity_m_s=float(r[lay.R_MIN_V]),
                min_at_share=float(r[lay.R_MIN_S]),
                completed=bool(r[lay.R_COMPLETED] > 0.0),
                load_n=float(r[lay.R_LOAD]),
                capacity=float(r[lay.R_CAPACITY]),
            )
            for r in self.state.records[: int(g[lay.G_RECORDS])]
        )
        return Truth(
            time_s=self.time_s,
            phase=self.phase,
            repetitions=int(g[lay.G_REPS]),
            attempts=int(g[lay.G_ATTEMPTS]),
            capacity=float(mean_capacity(p, rows)),
            isometric_n=tuple(float(r[lay.C_F0] * capacity(p, r)) for r in rows),
            fatigued=tuple(float(r[lay.C_FATIGUED] + r[lay.C_SLOW]) for r in rows),
            active=tuple(float(r[lay.C_ACTIVE]) for r in rows),
            records=records,
            done=self.done,
        )

    def fork(self) -> Self:
        """Exact, independent copy, random numbers included."""
        other = copy.copy(self)
        other.state = self.state.copy()
        return other
