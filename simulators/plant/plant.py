"""A rig with the compiled lifter at it: muscle, fatigue and habits in the same loop as motor and cable.

Lifters of any other structure come in by `plugged_plant`.
"""

from __future__ import annotations

import copy
import math
from typing import Self

import numpy as np

from ebbset.simulators.lifter import layout as lay
from ebbset.simulators.lifter.behaviour import capacity, mean_capacity
from ebbset.simulators.lifter.lifter import LifterParameters
from ebbset.simulators.plant import physics
from ebbset.simulators.plant.plant_base import FloatArray, PlantBase
from ebbset.simulators.plant.plant_state import PlantState
from ebbset.simulators.plant.rig_parameters import RigParameters
from ebbset.simulators.plant.truth import RepetitionTruth, Truth


class Plant(PlantBase):
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

    __slots__ = ("lifter",)

    def __init__(
        self, rig: RigParameters, lifter: LifterParameters, rng: np.random.Generator, dt_s: float = 0.001
    ) -> None:
        state = PlantState.fresh(rig, lifter, rng, dt_s)
        super().__init__(rig, state, exercise=lifter.exercise, bottom_m=lifter.start_m, rom_m=lifter.rom_m)
        self.lifter = lifter

    # -- the lifter

    def start(self) -> None:
        """The lifter picks the handle up and begins to lift once it is loaded; counts and records start again."""
        g = self.state.lifter
        keep = g[lay.G_STEP], g[lay.G_RAMP], g[lay.G_NOISE]
        g[:] = 0.0
        g[lay.G_STEP], g[lay.G_RAMP], g[lay.G_NOISE] = keep
        g[lay.G_BOTTOM] = self.lifter.start_m
        g[lay.G_PHASE] = float(lay.Phase.PICKING_UP)
        g[lay.G_PHASE_STEP] = g[lay.G_STEP]
        self.state.cables[:, lay.C_HAND] = float(lay.Hand.SERVO)
        self.state.cables[:, lay.C_GOAL] = self.lifter.start_m
        self.state.cables[:, lay.C_V_LIMIT] = self.lifter.handling_velocity_m_s

    def _recover(self, duration_s: float) -> None:
        """Exact decay of what is tired."""
        if self.lifter.fatigue_model == "3cc_r":
            rate = self.lifter.rest_multiplier * self.lifter.recovery_per_s
        else:
            rate = self.lifter.reserve_rest_multiplier * self.lifter.critical_share / self.lifter.reserve_s
        self.state.cables[:, lay.C_FATIGUED] *= math.exp(-rate * duration_s)
        self.state.cables[:, lay.C_FAST] *= math.exp(-self.lifter.fast_recovery_per_s * duration_s)
        self.state.cables[:, lay.C_SLOW] *= math.exp(-self.lifter.slow_recovery_per_s * duration_s)
        self.state.cables[:, lay.C_ACTIVE] *= math.exp(-self.lifter.relax_per_s * duration_s)

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
    def capacity(self) -> float:
        """Greatest force possible now over the fresh one, at standstill at the weakest point, all arms."""
        return float(mean_capacity(self.state.parameters, self.state.cables))

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
            capacity=self.capacity,
            isometric_n=tuple(float(r[lay.C_F0] * capacity(p, r)) for r in rows),
            fatigued=tuple(float(r[lay.C_FATIGUED] + r[lay.C_FAST] + r[lay.C_SLOW]) for r in rows),
            active=tuple(float(r[lay.C_ACTIVE]) for r in rows),
            records=records,
            done=self.done,
        )

    def fork(self) -> Self:
        """Exact, independent copy, random numbers included."""
        other = copy.copy(self)
        other.state = self.state.copy()
        return other
