"""Whole sessions on one simulated twin, set by set through the real controller, with fatigue carried between exercises.

A twin has one simulated body for each exercise. While it does one, the others rest, and what a set cost is added to
them in proportion to the muscle work that they share (`OVERLAP`). Sessions that begin alike share their beginning, so
that several of them cost little more than one. Start loads are brought up to date as in a session that is really led.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from ebbset.coaching.plan import joined
from ebbset.coaching.sessions.next_load import PastSet, start_load, strength_of, with_start
from ebbset.coaching.sessions.session_steps import SessionStep
from ebbset.coaching.worth import done_of
from ebbset.models.physiology.exercise_muscles import overlap
from ebbset.models.physiology.stimulus import Done
from ebbset.simulators.closed_loop.closed_loop import run_set
from ebbset.simulators.closed_loop.installed import installed_controller
from ebbset.simulators.closed_loop.simulated_set import LoopSettings, SimulatedSet
from ebbset.simulators.lifter import layout as lay
from ebbset.simulators.lifter.lifter import LifterParameters
from ebbset.simulators.plant.plant import Plant
from ebbset.simulators.plant.rig_parameters import RigParameters
from ebbset.simulators.rig.simulated_rig import STEP_S

_DOCKING_S: Final = 15.0
"""A lifter has the handle back in the dock within this after a set; then the rest is skipped instead of simulated."""
Route = tuple[SessionStep, ...]
"""The sets of one way to do a session, in order."""


@dataclass(frozen=True, slots=True)
class SessionTrial:
    """Several sessions on one twin: all that a worker process needs to run them.

    Attributes:
        routes: the sessions.
        twins: exercise and body of the twin on it, for every exercise of the routes.
        rig: the rig.
        seed: seed of the plan.
        number: the twin's number, which selects its random numbers.
        began_s: when the sessions begin, UTC seconds.
    """

    routes: tuple[Route, ...]
    twins: tuple[tuple[str, LifterParameters], ...]
    rig: RigParameters
    seed: int
    number: int
    began_s: float


@dataclass(frozen=True, slots=True)
class SetOutcome:
    """What one set of a session came to.

    Attributes:
        exercise: what was lifted.
        done: the repetitions, with reserve and fatigue; the fatigue that the set began with is in it.
        rest_s: rest before it, s.
        duration_s: from the first load to the end, s.
        repetitions: completed repetitions.
        drops: drops of load.
        start_n: start load, brought up to date, N per cable.
        fatigue_left: loss of capacity on this exercise at the end, 0 to 1; the simulator's truth.
        breaches: broken invariants.
    """

    exercise: str
    done: Done
    rest_s: float
    duration_s: float
    repetitions: int
    drops: int
    start_n: float
    fatigue_left: float
    breaches: int


class _Body:
    """A twin in the middle of a session."""

    def __init__(self, trial: SessionTrial) -> None:
        self.trial = trial
        self.plants: dict[str, Plant] = {}
        self.past: list[PastSet] = []
        self.outcomes: tuple[SetOutcome, ...] = ()
        self.at_s = trial.began_s
        for place, (exercise, twin) in enumerate(trial.twins):
            rng = np.random.default_rng(np.random.SeedSequence(trial.seed, spawn_key=(trial.number, place)))
            self.plants[exercise] = Plant(trial.rig, twin, rng, STEP_S)

    def fork(self) -> _Body:
        other = object.__new__(_Body)
        other.trial, other.at_s, other.outcomes = self.trial, self.at_s, self.outcomes
        other.plants = {exercise: plant.fork() for exercise, plant in self.plants.items()}
        other.past = list(self.past)
        return other

    def do(self, step: SessionStep) -> None:
        """Rest and do one set."""
        rest_s = step.rest_before_s if self.outcomes else 0.0
        self._rest(rest_s)
        plant, place = self.plants[step.exercise], [name for name, _ in self.trial.twins].index(step.exercise)
        found = start_load(step, self.past, self.at_s)
        before = sum(one.exercise == step.exercise for one in self.past)
        run = run_set(
            with_start(step.prescription, found.start_n),
            plant.lifter,
            self.trial.rig,
            seed=np.random.SeedSequence(self.trial.seed, spawn_key=(self.trial.number, place, before)),
            profile=step.profile,
            plant=plant,
            controller_factory=installed_controller,
            settings=LoopSettings(keep_outputs=True),
        )
        self._note(step, run, found.start_n, rest_s)

    def _rest(self, rest_s: float) -> None:
        for plant in self.plants.values():
            docking_s = 0.0
            while not plant.docked and docking_s < min(_DOCKING_S, rest_s):
                plant.advance(round(0.5 / STEP_S))
                docking_s += 0.5
            if plant.docked:
                plant.rest(max(rest_s - docking_s, 0.0))
            else:
                plant.advance(round(max(rest_s - docking_s, 0.0) / STEP_S))
        self.at_s += rest_s

    def _note(self, step: SessionStep, run: SimulatedSet, start_n: float, rest_s: float) -> None:
        cost = max(1.0 - run.capacity_after / max(run.capacity_before, 1e-6), 0.0)
        for exercise, plant in self.plants.items():
            if exercise != step.exercise:
                plant.rest(run.duration_s)
                tire(plant, (overlap(step.exercise, exercise) or 0.0) * cost)
        result, begun_s = run.result, self.at_s
        self.at_s += run.duration_s
        self.past.append(
            PastSet(
                exercise=step.exercise,
                start_n=start_n,
                begun_s=begun_s,
                ended_s=self.at_s,
                strength_n=strength_of(run.repetitions),
                loss=None if result is None else result.budget_spent,
            )
        )
        done = joined([done_of(run.repetitions, run.decisions)], cables=self.trial.rig.n_cables)
        self.outcomes += (
            SetOutcome(
                exercise=step.exercise,
                # The controller takes every set for begun fresh; this one was not.
                done=replace(done, fatigue=1.0 - run.capacity_before * (1.0 - done.fatigue)),
                rest_s=rest_s,
                duration_s=run.duration_s,
                repetitions=0 if result is None else result.repetitions,
                drops=0 if result is None else result.drops,
                start_n=start_n,
                fatigue_left=1.0 - run.capacity_after,
                breaches=len(run.violations),
            ),
        )


def tire(plant: Plant, cost: float) -> None:
    """Take a share of the capacity that is left, as work of the same muscles elsewhere does; it recovers as usual.

    Args:
        plant: of the exercise that shares them.
        cost: share of the capacity that is left, 0 to 1.
    """
    lifter = plant.lifter
    lost = plant.capacity * min(max(cost, 0.0), 1.0)
    if lifter.fatigue_model == "critical_force":
        # The reserve carries only what lies above the critical force.
        lost /= 1.0 - lifter.critical_share
    rows = plant.state.cables
    room = np.maximum(1.0 - rows[:, lay.C_FATIGUED] - rows[:, lay.C_FAST] - rows[:, lay.C_SLOW], 0.0)
    added = np.minimum(lost, room)
    rows[:, lay.C_FATIGUED] += (1.0 - lifter.fast_share - lifter.slow_share) * added
    rows[:, lay.C_FAST] += lifter.fast_share * added
    rows[:, lay.C_SLOW] += lifter.slow_share * added


def run_routes(trial: SessionTrial) -> list[tuple[SetOutcome, ...]]:
    """Run every session of a trial; what two of them begin with alike is run once.

    Args:
        trial: the sessions and the twin.

    Returns:
        The outcome of each set, for each route in the order given.
    """
    found: list[tuple[SetOutcome, ...]] = [()] * len(trial.routes)
    keys = [tuple(_key(step) for step in route) for route in trial.routes]
    _walk(_Body(trial), 0, list(range(len(trial.routes))), trial.routes, keys, found)
    return found


def _key(step: SessionStep) -> tuple[object, ...]:
    """What makes two steps alike for a simulated lifter."""
    return (step.prescription.digest(), step.rest_before_s, step.bounds_n, step.profile)


def _walk(
    body: _Body,
    depth: int,
    numbers: Sequence[int],
    routes: Sequence[Route],
    keys: Sequence[tuple[object, ...]],
    found: list[tuple[SetOutcome, ...]],
) -> None:
    """Go on from a body with every route that agrees so far."""
    groups: list[list[int]] = []
    for number in numbers:
        if len(routes[number]) == depth:
            found[number] = body.outcomes
            continue
        alike = next((g for g in groups if keys[g[0]][depth] == keys[number][depth]), None)
        if alike is None:
            groups.append([number])
        else:
            alike.append(number)
    for place, group in enumerate(groups):
        # The last one may go on with the body itself.
        further = body if place == len(groups) - 1 else body.fork()
        further.do(routes[group[0]][depth])
        _walk(further, depth + 1, group, routes, keys, found)
