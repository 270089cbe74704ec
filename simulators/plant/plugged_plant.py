"""A rig with a lifter of any structure at it (`Lifter` protocol): compiled rig, and the lifter asked at every step."""

from __future__ import annotations

import copy
from dataclasses import replace
from typing import Final, Self

import numpy as np

from ebbset.simulators.lifter import layout as lay
from ebbset.simulators.lifter.exercises import EXERCISES, exercise
from ebbset.simulators.lifter.protocol import IDLE, Lifter
from ebbset.simulators.plant import physics
from ebbset.simulators.plant.attempt_log import AttemptLog
from ebbset.simulators.plant.plant_base import FloatArray, PlantBase
from ebbset.simulators.plant.plant_state import PlantState
from ebbset.simulators.plant.rig_parameters import RigParameters
from ebbset.simulators.plant.truth import Truth

ASKED_EVERY_S: Final = 0.003
"""A person's force follows a wish within some 50 ms, so asking more often would show nothing more."""
STRONGEST_PULL_N: Final = 20_000.0
_OFF: Final = float(lay.Hand.OFF)


class LifterError(ValueError):
    """A lifter broke what the protocol promises; says what it did and what is allowed."""


class PluggedPlant(PlantBase):
    """Somebody of any structure at a rig.

    Args:
        rig: the rig.
        lifter: the person; a copy of it lifts, so that the same person can do many sets.
        rng: source of every random number of this plant; the lifter gets a stream of it.
        dt_s: integration step, s.

    Attributes:
        lifter: the copy that lifts.
        log: its attempts since ``start``.

    Raises:
        ValueError: a step too long for these parameters, or a lifter whose place, range or mass is not possible.
    """

    __slots__ = ("_asked_every", "_begun", "_step_s", "_to_ask", "lifter", "log")

    def __init__(self, rig: RigParameters, lifter: Lifter, rng: np.random.Generator, dt_s: float = 0.001) -> None:
        # Only place, range and mass of the stand-in reach the physics: a hand that holds uses none of its muscle.
        stand_in = replace(
            exercise(EXERCISES[0]).mean_lifter(),
            limb_mass_kg=lifter.moving_mass_kg,
            start_m=lifter.bottom_m,
            rom_m=lifter.rom_m,
        )
        state = PlantState.fresh(rig, stand_in, rng, dt_s)
        super().__init__(rig, state, exercise=lifter.exercise, bottom_m=lifter.bottom_m, rom_m=lifter.rom_m)
        self.lifter = lifter.copy()
        self.lifter.rng = np.random.default_rng(rng.integers(0, 2**63))
        self._begun = False
        self._step_s = dt_s
        self._asked_every = max(round(ASKED_EVERY_S / dt_s), 1)
        self._to_ask = 0
        self.log = AttemptLog(lifter.bottom_m, lifter.rom_m)
        self.state.lifter[lay.G_PHASE] = float(lay.Phase.EXTERNAL)

    # -- the lifter

    def start(self) -> None:
        """The lifter picks the handle up and begins to lift once it is loaded; counts and records start again."""
        self._begun = True
        self.log = AttemptLog(self.lifter.bottom_m, self.lifter.rom_m)
        self.lifter.begin(self.rig.n_cables)
        self.state.cables[:, lay.C_HAND] = float(lay.Hand.HELD)

    def _recover(self, duration_s: float) -> None:
        self.lifter.rest(duration_s)

    @property
    def phase(self) -> lay.Phase:
        """What the lifter is doing."""
        return self.lifter.phase

    @property
    def attempts_ended(self) -> int:
        """Repetitions tried and ended since ``start``, completed or not."""
        return len(self.log.over)

    @property
    def done(self) -> bool:
        """The lifter has ended the set."""
        return self._begun and self.lifter.phase in IDLE

    @property
    def capacity(self) -> float:
        """Greatest force possible now over the fresh one, at standstill at the weakest point, all arms."""
        return self.lifter.capacity()

    @property
    def truth(self) -> Truth:
        """The present state; forces and compartments of single muscles are not asked of a lifter, so there are none."""
        return Truth(
            time_s=self.time_s,
            phase=self.phase,
            repetitions=self.log.repetitions,
            attempts=self.log.attempts,
            capacity=self.capacity,
            isometric_n=(),
            fatigued=(),
            active=(),
            records=tuple(self.log.over),
            done=self.done,
        )

    def fork(self) -> Self:
        """Exact, independent copy, random numbers included."""
        other = copy.copy(self)
        other.state = self.state.copy()
        other.lifter = self.lifter.copy()
        other.log = self.log.copy()
        return other

    # -- time

    def advance(self, n_steps: int) -> None:
        """Advance by ``n_steps`` integration steps.

        Args:
            n_steps: how many.

        Raises:
            LifterError: the lifter's answer is none that the protocol allows.
        """
        left = n_steps
        at = self.state
        while left > 0:
            free = self._steps_until_asked()
            if free == 0:
                self._advance_idle(left)
                return
            steps = min(left, free)
            physics.advance(at.parameters, at.cables, at.lifter, at.random, at.records, steps)
            self._to_ask -= steps
            left -= steps

    def run_frame(self, n_samples: int, steps_per_sample: int, out: FloatArray) -> float:
        """Advance and write true samples.

        Args:
            n_samples: samples to write.
            steps_per_sample: integration steps before each.
            out: float64, shape (>= n_samples, n_cables, 4): t_s, position_m, velocity_m_s, tension_n.

        Returns:
            Simulated time after the last of them, s.

        Raises:
            LifterError: the lifter's answer is none that the protocol allows.
        """
        at = self.state
        k = 0
        while k < n_samples:
            together = min(self._steps_until_asked() // steps_per_sample, n_samples - k)
            if not self._held:
                together = min(together, 1)
            if together > 0:
                # One call of the compiled loop for all samples until the lifter is asked again.
                samples, steps = together, steps_per_sample
                self._to_ask -= samples * steps
            else:
                self.advance(steps_per_sample)
                samples, steps = 1, 0
            physics.run_frame(at.parameters, at.cables, at.lifter, at.random, at.records, samples, steps, out[k:])
            k += samples
        return self.time_s

    @property
    def _held(self) -> bool:
        return self._begun and self.lifter.phase not in IDLE

    def _steps_until_asked(self) -> int:
        """Steps of the compiled loop before the lifter is asked again, which happens here if it is due; 0: idle."""
        if not self._held:
            return 0
        if self._to_ask == 0:
            self._ask()
            self._to_ask = self._asked_every
        return self._to_ask

    def _advance_idle(self, n_steps: int) -> None:
        self._to_ask = 0
        at = self.state
        physics.advance(at.parameters, at.cables, at.lifter, at.random, at.records, n_steps)
        self.lifter.rest(n_steps * self.step_s)

    def _handles(self) -> tuple[list[float], list[float], list[float]]:
        """Position, velocity and tension of each handle."""
        at = self.state
        seen = np.empty((3, len(at.cables)))
        physics.look_at_handles(at.parameters, at.cables, seen)
        xs, vs, pulls = seen.tolist()
        return xs, vs, pulls

    def _ask(self) -> None:
        """Let the lifter live through the time until it is asked again, and take over the pull of the hands."""
        cables, lifter = self.state.cables, self.lifter
        xs, vs, pulls = self._handles()
        force_n = lifter.step(self._asked_every * self._step_s, xs, vs, pulls)
        if lifter.phase in IDLE:
            cables[:, lay.C_HAND] = _OFF
        elif len(force_n) == len(xs) and all(-STRONGEST_PULL_N <= force <= STRONGEST_PULL_N for force in force_n):
            for i, force in enumerate(force_n):
                cables[i, lay.C_EXTERNAL] = force
        else:
            raise LifterError(
                f"step() of {type(lifter).__name__} gave {force_n!r}; allowed: {len(xs)} finite values, "
                f"none beyond {STRONGEST_PULL_N:g} N"
            )
        n = len(xs)
        if self.log.note(lifter.phase, self.time_s, sum(xs) / n, sum(vs) / n, sum(pulls) / n):
            self.log.close(lifter.capacity())
