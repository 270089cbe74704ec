"""Whether drops give the repetitions wanted and sets end at their budget, in the closed loop with the real core.

Sets are run by `closed_loop`; each step and each budget is compared with the truth.
"""

from __future__ import annotations

import itertools
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import partial
from typing import Any, Final

import numpy as np

from ebbset.controller.detection.evidence.habit_figures import SHIPPED, HabitFigures
from ebbset.controller.estimation.judgement import Judgement
from ebbset.controller.estimation.judgement_figures import CURRENT
from ebbset.controller.messages.actions import Output, RepetitionRecord
from ebbset.controller.messages.reasons import Reason
from ebbset.controller.regulation.set_controller import SetController
from ebbset.models.contract.prescription import Prescription, StallSection
from ebbset.models.contract.profile import LifterProfile
from ebbset.simulators.closed_loop.closed_loop import run_set
from ebbset.simulators.closed_loop.installed import installed_controller
from ebbset.simulators.closed_loop.simulated_set import LoopSettings, SimulatedSet
from ebbset.simulators.lifter.exercises import EXERCISES
from ebbset.simulators.plant.plant_base import PlantBase
from ebbset.simulators.plant.rig_parameters import strong_rig
from ebbset.simulators.population.families import COMPILED, AnyLifter, family
from ebbset.simulators.population.strength_test import one_rm_n
from ebbset.simulators.rig.simulated_rig import limits_of

RIG: Final = strong_rig(8000.0)
"""Strong enough for anybody, with a motor and a drum to match."""
POLICIES: Final[dict[str, tuple[str, dict[str, float], float]]] = {
    "2 repetitions wanted": ("repetitions_wanted", {"repetitions": 2.0}, 2.0),
    "3 repetitions wanted": ("repetitions_wanted", {"repetitions": 3.0}, 3.0),
    "4 repetitions wanted": ("repetitions_wanted", {"repetitions": 4.0}, 4.0),
    "fixed 20 %": ("fixed_fraction", {"fraction": 0.20}, 3.0),
    "fixed 25 %": ("fixed_fraction", {"fraction": 0.25}, 3.0),
    "0.8 of force at stall": ("force_at_stall", {"part": 0.8}, 3.0),
}
FLOOR_PART: Final = 0.2
LEAST_FLOOR_N: Final = limits_of(RIG).min_load_n
"""A wrist curl may start so light that a fifth of the 1RM is less than the rig can hold."""
MOST_DROPS: Final = 4
AT_STALLS: Final = (Reason.DROPS_SPENT, Reason.FLOOR_FAILED)


@dataclass(frozen=True, slots=True)
class StepRow:
    """One step between two stalls: repetitions wanted and truly completed."""

    policy: str
    exercise: str
    step: int
    wanted: float
    achieved: int


@dataclass(frozen=True, slots=True)
class SizingRun:
    """One closed-loop set: its steps, and how it kept to the floor and the invariants."""

    steps: tuple[StepRow, ...]
    floor_broken: bool
    violations: int
    ended_by: str


@dataclass(frozen=True, slots=True)
class BudgetRun:
    """One closed-loop set with a budget.

    Attributes:
        errors: estimate less truth after every repetition.
        repetitions_off: repetitions after (+) or before (-) the true budget at its end; None: it ended otherwise.
        tired: the set began tired.
        exercise: which.
    """

    errors: tuple[float, ...]
    repetitions_off: float | None
    tired: bool
    exercise: str


def person(seed: int, number: int, family_name: str = COMPILED) -> tuple[AnyLifter, np.random.Generator]:
    """A lifter; the same for the same seed and number. The compiled ones do the exercises in turn.

    Args:
        seed: of all randomness.
        number: of the person.
        family_name: where the lifter comes from.

    Raises:
        FamilyError: the family cannot be used.
    """
    rng = np.random.default_rng([seed, number, 3])
    name = EXERCISES[number % len(EXERCISES)] if family_name == COMPILED else None
    return family(family_name).draw(name, rng), rng


def order_for(lifter: AnyLifter, best_n: float, part: float, policy: str, **changes: Any) -> Prescription:
    """A drop set that starts at this part of 1RM.

    Args:
        lifter: the person.
        best_n: their 1RM on ``RIG``, N.
        part: starting load as part of 1RM.
        policy: one of ``POLICIES``.
        **changes: sections that replace the default ones.
    """
    document: dict[str, Any] = {
        "name": "Evaluation",
        "exercise": lifter.exercise,
        "load": {"start_n": part * best_n, "floor_n": max(FLOOR_PART * best_n, LEAST_FLOOR_N)},
        "drop": {"policy": POLICIES[policy][0], "parameters": POLICIES[policy][1]},
        "stop": {"max_drops": MOST_DROPS, "max_duration_s": 150.0, "max_pause_s": 20.0},
    }
    return Prescription.model_validate({**document, **changes})


def sizing_runs(
    seed: int,
    number: int,
    policy: str,
    family_name: str = COMPILED,
    stalls: Sequence[StallSection] = (StallSection(),),
    stall_figures: HabitFigures = SHIPPED,
    judgement: Judgement = CURRENT,
) -> list[SizingRun]:
    """The same drop set of one person, once with each stall rule; finding the 1RM takes as long as a set.

    Args:
        seed: of all randomness.
        number: of the person.
        policy: one of ``POLICIES``.
        family_name: where the lifter comes from.
        stalls: the stall rules.
        stall_figures: what the rule "habits" was fitted to.
        judgement: how far the controller trusts its estimates.
    """
    lifter, rng = person(seed, number, family_name)
    part = float(rng.uniform(0.7, 0.88))
    best_n = one_rm_n(lifter, RIG)
    orders = [order_for(lifter, best_n, part, policy, stall=stall) for stall in stalls]
    controller = partial(installed_controller, judgement, stall_figures)
    return [_sizing_run(order, lifter, policy, (seed, number, 5), controller) for order in orders]


def _sizing_run(
    order: Prescription,
    lifter: AnyLifter,
    policy: str,
    seeds: Sequence[int],
    controller: Callable[[], SetController],
) -> SizingRun:
    done = run_set(order, lifter, RIG, seed=np.random.SeedSequence(seeds), controller_factory=controller)
    _, steps = drops_and_steps(done, order, policy, POLICIES[policy][2])
    floor = any(0.0 < target[0] < order.load.floor_n - 1e-6 for _, target in done.loads)
    return SizingRun(
        steps, floor, len(done.violations), done.result.reason.value if done.result is not None else "none"
    )


def drops_and_steps(
    done: SimulatedSet, order: Prescription, policy: str, wanted: float
) -> tuple[list[tuple[float, float]], tuple[StepRow, ...]]:
    """Drops of a set as (time in seconds, new load in newtons), and the steps that they began.

    Args:
        done: the set.
        order: by which it ran.
        policy: name for the table.
        wanted: repetitions wanted in a step.
    """
    drops = [(t_s, target[0]) for t_s, target in done.loads if 0.0 < target[0] < order.load.start_n - 0.05]
    completed = [one.truth.end_s for one in done.true_repetitions if one.truth.completed]
    ended = done.result.reason if done.result is not None else None
    times_s = [t_s for t_s, _ in drops]
    return drops, steps_between(times_s, ended, completed, policy=policy, exercise=order.exercise, wanted=wanted)


def steps_between(
    drops_s: Sequence[float],
    ended: Reason | None,
    completed_s: Sequence[float],
    *,
    policy: str,
    exercise: str,
    wanted: float,
) -> tuple[StepRow, ...]:
    """Steps of a set that ended at a stall each, and what was completed in them.

    Args:
        drops_s: times of the drops, seconds.
        ended: why the set ended; its last step counts only where that was a stall.
        completed_s: ends of the repetitions that were truly completed, on the same clock.
        policy: name for the table.
        exercise: which.
        wanted: repetitions wanted in a step.
    """
    steps: list[StepRow] = []
    for k, (begin_s, end_s) in enumerate(itertools.pairwise([*drops_s, np.inf])):
        if np.isfinite(end_s) or ended in AT_STALLS:
            achieved = sum(begin_s <= t_s < end_s for t_s in completed_s)
            steps.append(StepRow(policy, exercise, k + 1, wanted, achieved))
    return tuple(steps)


def sizing_summary(runs: Sequence[SizingRun]) -> dict[str, float]:
    """One row of the report."""
    steps = [step for run in runs for step in run.steps]
    off = np.array([step.achieved - step.wanted for step in steps])
    return {
        "sets": float(len(runs)),
        "steps": float(len(steps)),
        "within_1": float(np.mean(np.abs(off) <= 1.0)) if len(off) else np.nan,
        "exactly": float(np.mean(off == 0.0)) if len(off) else np.nan,
        "none_at_all": float(np.mean([step.achieved == 0 for step in steps])) if steps else np.nan,
        "mean_achieved": float(np.mean([step.achieved for step in steps])) if steps else np.nan,
        "floor_broken": float(sum(run.floor_broken for run in runs)),
        "violations": float(sum(run.violations for run in runs)),
    }


def budget_run(
    seed: int,
    number: int,
    profile: LifterProfile | None = None,
    *,
    tired: bool = False,
    family_name: str = COMPILED,
    judgement: Judgement = CURRENT,
) -> BudgetRun:
    """One drop set with a budget; ``tired``: two bouts with a rest between them, the budget over both.

    Args:
        seed: of all randomness.
        number: of the person.
        profile: what the controller is told about the person.
        tired: two bouts with a rest between them.
        family_name: where the lifter comes from.
        judgement: how far the controller trusts its estimates.
    """
    lifter, rng = person(seed, 10_000 + number, family_name)
    limit = float(rng.uniform(0.2, 0.4))
    part = float(rng.uniform(0.65, 0.85))
    bouts: list[dict[str, Any]] = [{}]
    if tired:
        bouts = [{"repetitions": 4}, {"rest_before_s": float(rng.uniform(20.0, 60.0))}]
    best_n = one_rm_n(lifter, RIG)
    order = order_for(lifter, best_n, part, "3 repetitions wanted", budget={"capacity_loss": limit}, bouts=bouts)
    errors: list[float] = []
    losses: list[float] = []

    def probe(plant: PlantBase, outputs: tuple[Output, ...]) -> None:
        for output in outputs:
            if isinstance(output, RepetitionRecord) and output.budget_spent is not None:
                loss = 1.0 - plant.capacity
                losses.append(loss)
                errors.append(output.budget_spent - loss)

    seeds = np.random.SeedSequence([seed, number, 7])
    done = run_set(
        order,
        lifter,
        RIG,
        seed=seeds,
        profile=profile,
        controller_factory=partial(installed_controller, judgement),
        probe=probe,
        settings=LoopSettings(),
    )
    return BudgetRun(tuple(errors), _repetitions_off(done, losses, limit), tired, lifter.exercise)


def _repetitions_off(done: SimulatedSet, losses: Sequence[float], limit: float) -> float | None:
    """Repetitions between the end of a set and the true budget, by what its last repetitions cost."""
    if done.result is None or done.result.reason is not Reason.BUDGET_SPENT or len(losses) < 3:
        return None
    for k, loss in enumerate(losses):
        if loss >= limit:
            return float(len(losses) - 1 - k)
    cost = max(1e-3, (losses[-1] - losses[-3]) / 2.0)
    # the set ends in whole repetitions: the true budget would have been met by the next whole one
    return -float(np.ceil((limit - losses[-1]) / cost) - 1.0) if limit > losses[-1] else 0.0


def budget_summary(runs: Sequence[BudgetRun]) -> dict[str, float]:
    """One row of the report."""
    errors = np.array([error for run in runs for error in run.errors])
    off = np.array([run.repetitions_off for run in runs if run.repetitions_off is not None])
    return {
        "sets": float(len(runs)),
        "ended_by_budget": float(len(off)),
        "median_error": float(np.median(np.abs(errors))) if len(errors) else np.nan,
        "bias": float(np.median(errors)) if len(errors) else np.nan,
        "within_1_repetition": float(np.mean(np.abs(off) <= 1.0)) if len(off) else np.nan,
        "mean_repetitions_late": float(np.mean(off)) if len(off) else np.nan,
    }


@dataclass(frozen=True, slots=True)
class ClosedLoopFigures:
    """Rows by policy, by how a set with a budget begins, and by exercise."""

    sizing: dict[str, dict[str, float]]
    budget: dict[str, dict[str, float]]
    by_exercise: dict[str, dict[str, float]]


def evaluate_closed_loop(seed: int, people: int, map_: Any = map) -> ClosedLoopFigures:
    """Everything that is measured in closed-loop sets of this many people.

    Args:
        seed: of all randomness.
        people: how many.
        map_: a map over jobs; may run them in several processes.
    """
    sets = {p: list(map_(_sizing_job, [(seed, k, p) for k in range(people)])) for p in POLICIES}
    budgets = {
        name: list(map_(_budget_job, [(seed, k, tired) for k in range(people)]))
        for name, tired in (("fresh", False), ("begun tired", True))
    }
    sized = [step for p, runs in sets.items() if p.endswith("wanted") for run in runs for step in run.steps]
    ended = [run for runs in budgets.values() for run in runs]
    return ClosedLoopFigures(
        sizing={p: sizing_summary(runs) for p, runs in sets.items()},
        budget={name: budget_summary(runs) for name, runs in budgets.items()},
        by_exercise={name: _exercise_summary(name, sized, ended) for name in EXERCISES},
    )


def _exercise_summary(name: str, steps: Sequence[StepRow], ended: Sequence[BudgetRun]) -> dict[str, float]:
    """One exercise, with the repetitions wanted of every size taken together."""
    off = np.array([step.achieved - step.wanted for step in steps if step.exercise == name])
    end = [run.repetitions_off for run in ended if run.exercise == name and run.repetitions_off is not None]
    return {
        "steps": float(len(off)),
        "steps_within_1": float(np.mean(np.abs(off) <= 1.0)) if len(off) else np.nan,
        "mean_repetitions_off": float(np.mean(off)) if len(off) else np.nan,
        "budgets": float(len(end)),
        "budgets_within_1": float(np.mean(np.abs(end) <= 1.0)) if end else np.nan,
    }


def _sizing_job(job: tuple[int, int, str]) -> SizingRun:
    return sizing_runs(*job)[0]


def _budget_job(job: tuple[int, int, bool]) -> BudgetRun:
    return budget_run(job[0], job[1], tired=job[2])
