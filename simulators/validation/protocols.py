"""Protocols of published studies, run on simulated lifters as the papers describe them.

What a laboratory measures on a single lift or set is in :mod:`ebbset.simulators.validation.measures`.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
import numpy.typing as npt

from ebbset.models.contract.units import STANDARD_GRAVITY_M_S2
from ebbset.models.physiology.fatigue import JOINTS, reserve_rates, three_compartment_rates
from ebbset.simulators.lifter import layout as lay
from ebbset.simulators.lifter.exercises import exercise
from ebbset.simulators.lifter.lifter import FatigueModel, LifterParameters
from ebbset.simulators.plant.plant import Plant
from ebbset.simulators.plant.rig_parameters import free_weight
from ebbset.simulators.plant.truth import RepetitionTruth
from ebbset.simulators.population.population import on_day, person_rng
from ebbset.simulators.population.strength_test import one_rm_n
from ebbset.simulators.validation.measures import LAB_RIG, set_to_failure

FloatArray = npt.NDArray[np.float64]

PLATES_N: Final = 2.5 * STANDARD_GRAVITY_M_S2
"""Step in which a barbell is loaded in a test of the 1RM: two discs of 1.25 kg; common practice, no source."""
SET_REST_S: Final = 240.0
"""Rest between the six sets of Refalo 2023: not in the abstract, the paper itself was not to be had; taken from memory
and from its own test 4 min after the last set."""
_LIMIT_S: Final = 120.0
_HOLD_STEP_S: Final = 0.02
_HOLD_LIMIT_S: Final = 1200.0


@dataclass(frozen=True, slots=True)
class Peak:
    """Where one repetition was fastest.

    Attributes:
        at_time: share of its duration.
        at_range: share of its range.
        velocity_m_s: that velocity.
        mean_velocity_m_s: of the whole repetition.
        duration_s: of the whole repetition.
    """

    at_time: float
    at_range: float
    velocity_m_s: float
    mean_velocity_m_s: float
    duration_s: float


def first_and_last_peak(lifter: LifterParameters, load_n: float, rng: np.random.Generator) -> tuple[Peak, Peak] | None:
    """Fastest instant of the first and of the last completed repetition of a set to failure with a plain weight.

    Args:
        lifter: the person.
        load_n: the weight.
        rng: source of the set's fluctuations.

    Returns:
        None if fewer than two repetitions were completed.
    """
    plant = Plant(free_weight(load_n), replace(lifter, retries=0), rng)
    plant.start()
    plant.advance(1200)
    plant.command((load_n,), load_n)
    frames = []
    while not plant.done and plant.time_s < _LIMIT_S:
        out = np.zeros((100, 1, 4))
        plant.run_frame(100, 5, out)
        frames.append(out[:, 0])
    trace = np.concatenate(frames)
    whole = [r for r in plant.truth.records if r.completed]
    return (_peak(trace, whole[0]), _peak(trace, whole[-1])) if len(whole) > 1 else None


def _peak(trace: FloatArray, record: RepetitionTruth) -> Peak:
    part = trace[(trace[:, 0] >= record.start_s) & (trace[:, 0] <= record.end_s)]
    k = int(np.argmax(part[:, 2]))
    return Peak(
        at_time=float((part[k, 0] - record.start_s) / (record.end_s - record.start_s)),
        at_range=float((part[k, 1] - record.start_m) / (record.end_m - record.start_m)),
        velocity_m_s=float(part[k, 2]),
        mean_velocity_m_s=record.mean_velocity_m_s,
        duration_s=record.end_s - record.start_s,
    )


def stop_after(plant: Plant, load_n: float, repetitions: int) -> Plant:
    """The same plant after a set that is ended on purpose after so many completed repetitions, handle docked.

    Args:
        plant: with the handle docked.
        load_n: load, N per cable.
        repetitions: how many.
    """
    began = plant.time_s
    plant.start()
    plant.advance(1200)
    plant.command((load_n,) * plant.rig.n_cables, load_n)
    while not plant.done and plant.time_s - began < _LIMIT_S:
        if plant.state.lifter[lay.G_REPS] >= repetitions:
            break
        plant.advance(50)
    plant.command((0.0,) * plant.rig.n_cables, plant.rig.max_ramp_n_per_s)
    while not plant.docked:
        plant.advance(100)
    return plant


def _fresh_velocity(plant: Plant, load_n: float) -> float:
    """Mean velocity of the first repetition that a copy of the plant does now; NaN if it fails."""
    copy = stop_after(plant.fork(), load_n, 1)
    done = [r.mean_velocity_m_s for r in copy.truth.records if r.completed]
    return done[0] if done else math.nan


def six_sets(lifter: LifterParameters, in_reserve: int | None, seed: int, person: int) -> tuple[float, float]:
    """Loss of velocity at the load of the sets over six sets at 75 % 1RM with maximal intent.

    Args:
        lifter: the person.
        in_reserve: repetitions left in reserve at the end of every set; None goes to failure.
        seed: of all randomness.
        person: number of the person.

    Returns:
        Relative change of the first repetition's mean velocity: from the first to the last set, and from before to
        4 min after (both negative for a loss).
    """
    load = 0.75 * one_rm_n(lifter, LAB_RIG)
    plant = Plant(LAB_RIG, replace(lifter, retries=0), person_rng(seed, person))
    velocity = []
    for _ in range(6):
        velocity.append(_fresh_velocity(plant, load))
        ahead = set_to_failure(lifter, load, person_rng(seed, person), plant=plant.fork())
        wanted = ahead.truth.repetitions - (in_reserve or 0)
        plant = ahead if in_reserve is None else stop_after(plant, load, max(wanted, 1))
        plant.rest(SET_REST_S)
    after = _fresh_velocity(plant, load)
    return velocity[-1] / velocity[0] - 1.0, after / velocity[0] - 1.0


def second_maximum(lifter: LifterParameters, rests_s: tuple[float, ...], seed: int, person: int) -> list[bool | None]:
    """Whether a second attempt at the 1RM succeeds after each rest, each tried on a day of its own.

    The 1RM is what went up on an earlier day, to the plate; as in the studies somebody who fails the first attempt of
    the day does not count.

    Args:
        lifter: the person.
        rests_s: rests between the two attempts.
        seed: of all randomness.
        person: number of the person.

    Returns:
        One value per rest; None if the first attempt failed.
    """
    load = math.floor(one_rm_n(lifter, None) / PLATES_N) * PLATES_N
    outcome: list[bool | None] = []
    for k, rest_s in enumerate(rests_s):
        today = on_day(lifter, person_rng(seed + 1, 100 * person + k))
        plant = Plant(free_weight(load), replace(today, retries=0), person_rng(seed, 100 * person + k))
        stop_after(plant, load, 1)
        if plant.truth.repetitions < 1:
            outcome.append(None)
            continue
        plant.rest(rest_s)
        stop_after(plant, load, 1)
        outcome.append(plant.truth.repetitions >= 1)
    return outcome


class MuscleInHand:
    """A lifter's law of fatigue alone, without movement: a target is asked for, time passes.

    Args:
        lifter: the person.

    Attributes:
        active: force given now, share of the fresh maximum.
    """

    def __init__(self, lifter: LifterParameters) -> None:
        reserve = lifter.fatigue_model == "critical_force"
        self._rates = reserve_rates if reserve else three_compartment_rates
        self._constants = (
            lifter.critical_share if reserve else lifter.fatigue_per_s,
            lifter.reserve_s if reserve else lifter.recovery_per_s,
            lifter.reserve_rest_multiplier if reserve else lifter.rest_multiplier,
            lifter.fast_share,
            lifter.fast_recovery_per_s,
            lifter.slow_share,
            lifter.slow_recovery_per_s,
            lifter.strain_per_s,
            lifter.develop_per_s,
            lifter.relax_per_s,
            1.0,
        )
        self._lost = 1.0 - lifter.critical_share if reserve else 1.0
        self.active, self._fatigued, self._fast, self._slow = 0.0, 0.0, 0.0, 0.0

    @property
    def capacity(self) -> float:
        """Greatest force now, share of fresh."""
        return 1.0 - self._lost * (self._fatigued + self._fast + self._slow)

    def step(self, target: float, dt_s: float) -> None:
        """Ask for a share of the fresh maximum for a moment.

        Args:
            target: share of the fresh maximum.
            dt_s: how long, s; one explicit step.
        """
        a, f, fast, slow = self._rates(self.active, self._fatigued, self._fast, self._slow, target, *self._constants)
        self.active += dt_s * a
        self._fatigued += dt_s * f
        self._fast += dt_s * fast
        self._slow += dt_s * slow


def held_s(lifter: LifterParameters, share: float) -> float:
    """Seconds that a share of the fresh maximum is held still, by the lifter's own law of fatigue.

    Args:
        lifter: the person.
        share: of the fresh maximal force.
    """
    muscle, t = MuscleInHand(lifter), 0.0
    while t < _HOLD_LIMIT_S and muscle.capacity >= share:
        muscle.step(share, _HOLD_STEP_S)
        t += _HOLD_STEP_S
    return t


def all_out_end(model: FatigueModel) -> float:
    """Mean force of the last six of 60 all-out contractions of 3 s with 2 s between, share of the first.

    Args:
        model: which law; 3CC-r with the published constants of the knee, critical force as fitted to the leg press.
    """
    lifter = exercise("leg_press").mean_lifter(model)
    if model == "3cc_r":
        knee = JOINTS["knee"]
        lifter = replace(lifter, fatigue_per_s=knee.fatigue_per_s, recovery_per_s=knee.recovery_per_s)
    muscle, means = MuscleInHand(lifter), []
    for _ in range(60):
        forces = []
        for k in range(500):
            muscle.step(1.0 if k < 300 else 0.0, 0.01)
            if k < 300:
                forces.append(muscle.active)
        means.append(math.fsum(forces) / len(forces))
    return math.fsum(means[-6:]) / 6.0 / means[0]
