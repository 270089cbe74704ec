"""Comparison of policies or prescriptions on a simulated population, paired by lifter.

Every lifter does every condition fresh, with the same random numbers and loads in proportion to the lifter's own 1RM.
The comparison uses what really happened in the simulation, except for worth figures, which are the estimates that a
report would show (relative). Results come in a fixed order and each lifter has separate random streams, so that any
number of workers, here or on a cluster, gives the same bits. Display and files are the console's job.
"""

from __future__ import annotations

import datetime
import math
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from scipy import stats

from ebbset.coaching.assumptions import report_draws
from ebbset.coaching.worth import Range, set_worth
from ebbset.controller.messages.actions import Decision, Output
from ebbset.controller.messages.events import Event, Samples
from ebbset.controller.policies.policy import parameters_from_text
from ebbset.models.contract.prescription import DropSection, Prescription
from ebbset.models.contract.profile import LifterProfile, Uncertain
from ebbset.models.physiology.stimulus import FloatArray
from ebbset.simulators.closed_loop.closed_loop import run_set
from ebbset.simulators.closed_loop.installed import installed_controller
from ebbset.simulators.lifter.exercises import exercise
from ebbset.simulators.lifter.layout import Phase
from ebbset.simulators.load_scaling import started_at
from ebbset.simulators.plant.plant_base import PlantBase
from ebbset.simulators.plant.rig_parameters import strong_rig
from ebbset.simulators.population.families import COMPILED, AnyLifter, DrawnPerson, plant_for
from ebbset.simulators.population.population import draw_lifter, person_rng
from ebbset.simulators.population.strength_test import one_rm_n, velocity_at
from ebbset.simulators.rig.simulated_rig import STEP_S

DRAWS: Final = 200
STRONG_RIG: Final = strong_rig(5_000.0)
START_SHARE: Final = 0.75
"""First load over a lifter's own 1RM, where nobody asks for another."""
IMMOVABLE_M_S: Final = 0.02
LONGEST_ATTEMPT_S: Final = 20.0
FLOOR_INVARIANT: Final = 3
_RUN: Final = 1
_PROFILE: Final = 2

MEASURES: Final[dict[str, str]] = {
    "repetitions": "completed repetitions, as the controller counts them",
    "full_repetitions": "repetitions through 95 % of the range of motion or more (true)",
    "hard_repetitions": "completed with at most 4 in reserve (estimated)",
    "stimulus": "stimulus, relative, estimated: 1 = one fresh repetition at failure",
    "fatigue_left": "loss of capacity at the end, 0 to 1 (true)",
    "minutes": "from the first load to the end, rests included",
    "stimulus_per_minute": "stimulus over minutes (relative, estimated)",
    "immovable_s": "time pushing at a load that does not move, s (true)",
    "drops": "drops of load",
    "false_drops": "drops in a repetition that would have been completed without them (branched)",
    "floor_breaches": "commanded loads between zero and the floor",
    "breaches": "broken invariants of any kind",
}
"""What is measured in every set, and what it means."""


@dataclass(frozen=True, slots=True)
class ComparedCondition:
    """One of the conditions compared: a prescription whose loads are scaled to each lifter."""

    name: str
    prescription: Prescription


@dataclass(frozen=True, slots=True)
class Population:
    """The simulated lifters.

    Attributes:
        lifters: how many.
        seed: seed of the lifters and of everything that happens to them.
        start_share: start load as a share of each lifter's own 1RM.
        family: where they come from.
        known: whether the controller is given a profile of each lifter, measured with ordinary error.
    """

    lifters: int
    seed: int
    start_share: float = START_SHARE
    known: bool = False
    family: str = COMPILED

    def __post_init__(self) -> None:
        if not 2 <= self.lifters <= 1_000_000:
            raise ValueError(f"lifters is {self.lifters!r}; allowed: 2 to 1000000")
        if not 0.2 <= self.start_share <= 1.0:
            raise ValueError(f"start_share is {self.start_share!r}; allowed: 0.2 to 1")


@dataclass(frozen=True, slots=True)
class Job:
    """All conditions on one lifter: the piece of work that one worker process gets."""

    person: int
    conditions: tuple[ComparedCondition, ...]
    population: Population


@dataclass(frozen=True, slots=True)
class Row:
    """One set.

    Attributes:
        person: number of the lifter.
        condition: name of the condition.
        values: one value for each of `MEASURES`, in that order.
        ended_by: reason code; empty when there is no result.
        stimulus_draws: stimulus under every draw, shape (draws,).
    """

    person: int
    condition: str
    values: tuple[float, ...]
    ended_by: str
    stimulus_draws: FloatArray


@dataclass(frozen=True, slots=True)
class Interval:
    """A mean over lifters with its 95 % confidence interval (Student's t)."""

    mean: float
    low: float
    high: float

    @classmethod
    def of(cls, values: FloatArray) -> Interval:
        """The interval for one value per lifter, shape (lifters,), two or more."""
        return _interval(float(np.mean(values)), float(np.std(values, ddof=1)), values.size)


@dataclass(frozen=True, slots=True)
class Comparison:
    """The outcome of a comparison; conditions in the order given.

    Attributes:
        conditions: their names.
        means: measure -> one interval per condition.
        differences: measure -> one interval per condition: its difference from the first one, paired by lifter.
        stimulus_ranges: per condition, the range of the mean stimulus over the draws of the assumptions.
        stimulus_ratios: per condition, the range of that mean divided by the first condition's, draw by draw.
    """

    conditions: tuple[str, ...]
    means: dict[str, tuple[Interval, ...]]
    differences: dict[str, tuple[Interval, ...]]
    stimulus_ranges: tuple[Range, ...]
    stimulus_ratios: tuple[Range, ...]


def with_policy(base: Prescription, text: str) -> ComparedCondition:
    """The base prescription with another drop policy.

    Args:
        base: the prescription.
        text: policy and parameters, such as ``fixed_fraction:fraction=0.25``; also the name of the condition.

    Raises:
        ValueError: a parameter that is not ``name=value``.
    """
    name, _, rest = text.partition(":")
    drop = DropSection(policy=name.strip(), parameters=parameters_from_text(rest))
    return ComparedCondition(text, base.model_copy(update={"drop": drop}))


def run_job(job: Job) -> list[Row]:
    """Run every condition on one lifter."""
    population = job.population
    name = job.conditions[0].prescription.exercise
    if population.family == COMPILED:
        lifter: AnyLifter = draw_lifter(exercise(name), person_rng(population.seed, job.person))
    else:
        lifter = DrawnPerson(population.family, name, population.seed, job.person).drawn()
    strength = one_rm_n(lifter, STRONG_RIG)
    profile = measured_profile(lifter, strength, population.seed, job.person) if population.known else None
    return [_one(job, condition, lifter, strength, profile) for condition in job.conditions]


def _one(
    job: Job, condition: ComparedCondition, lifter: AnyLifter, strength_n: float, profile: LifterProfile | None
) -> Row:
    base = condition.prescription
    prescription = started_at(base, job.population.start_share * strength_n)
    # The same random streams under every condition, so that nothing but the condition differs.
    streams = np.random.SeedSequence(job.population.seed, spawn_key=(job.person, _RUN)).spawn(2)
    plant = plant_for(lifter, STRONG_RIG, np.random.default_rng(streams[0]), STEP_S)
    watch = _Watch(plant)
    run = run_set(
        prescription,
        lifter,
        STRONG_RIG,
        seed=streams[1],
        profile=profile,
        plant=plant,
        controller_factory=installed_controller,
        recorder=watch.record,
        probe=watch.probe,
    )
    worth = set_worth(run.repetitions, report_draws(DRAWS), run.decisions)
    minutes = run.duration_s / 60.0
    values = {
        "repetitions": float(run.result.repetitions) if run.result is not None else 0.0,
        "full_repetitions": float(run.completed),
        "hard_repetitions": worth.hard_repetitions,
        "stimulus": worth.total.middle,
        "fatigue_left": 1.0 - run.capacity_after,
        "minutes": minutes,
        "stimulus_per_minute": worth.total.middle / minutes if minutes > 0.0 else 0.0,
        "immovable_s": watch.immovable_s,
        "drops": float(watch.drops),
        "false_drops": float(watch.false_drops),
        "floor_breaches": float(sum(v.invariant == FLOOR_INVARIANT for v in run.violations)),
        "breaches": float(len(run.violations)),
    }
    return Row(
        person=job.person,
        condition=condition.name,
        values=tuple(values[name] for name in MEASURES),
        ended_by=run.result.reason.value if run.result is not None else "",
        stimulus_draws=worth.total_draws,
    )


class _Watch:
    """Watches the plant during the run: time under an immovable load, and the repetitions that a drop cut short."""

    def __init__(self, plant: PlantBase) -> None:
        self._plant = plant
        self._before_us = 0
        self.immovable_s = 0.0
        self.drops = 0
        self.false_drops = 0

    def record(self, event: Event, _outputs: tuple[Output, ...]) -> None:
        """After every input, count the last frame if it was spent pushing at a load that did not move."""
        if not isinstance(event, Samples):
            return
        velocity = event.velocity_m_s[0]
        pushing = self._plant.phase is Phase.CONCENTRIC and max(event.applied_n) > 0.0
        if pushing and velocity is not None and abs(sum(velocity) / len(velocity)) < IMMOVABLE_M_S:
            self.immovable_s += (event.now_us - self._before_us) / 1e6
        self._before_us = event.now_us

    def probe(self, plant: PlantBase, outputs: tuple[Output, ...]) -> None:
        """At a drop, find out whether the repetition would have been completed without it."""
        for output in outputs:
            if isinstance(output, Decision) and output.action == "drop":
                self.drops += 1
                self.false_drops += comes_through(plant)


def comes_through(plant: PlantBase) -> bool:
    """Whether the current attempt would be completed if nothing changed; tried on a fork of the plant."""
    if plant.phase is not Phase.CONCENTRIC:
        return False
    branch = plant.fork()
    before, until_s = branch.attempts_ended, branch.time_s + LONGEST_ATTEMPT_S
    while branch.attempts_ended == before and branch.time_s < until_s:
        branch.advance(20)
    records = branch.truth.records
    return len(records) > before and records[before].completed


def measured_profile(lifter: AnyLifter, strength_n: float, seed: int, person: int) -> LifterProfile:
    """A profile of the lifter as a coach would measure it: two loads, 1RM to 3 %, velocities to 0.03 m/s.

    Args:
        lifter: the simulated lifter.
        strength_n: true 1RM, newtons per cable.
        seed: seed of the population.
        person: number of the lifter.
    """
    rng = np.random.default_rng(np.random.SeedSequence(seed, spawn_key=(person, _PROFILE)))
    light, heavy = (
        velocity_at(lifter, STRONG_RIG, share * strength_n) + 0.03 * float(rng.standard_normal())
        for share in (0.45, 0.85)
    )
    slope = max((light - heavy) / 0.4, 0.2)
    at_zero = light + 0.45 * slope
    one_rm = strength_n * (1.0 + 0.03 * float(rng.standard_normal()))
    return LifterProfile(
        lifter=f"simulated-{person}",
        exercise=lifter.exercise,
        date=datetime.date(2026, 1, 1),
        sets_used=2,
        one_rm_n=Uncertain(mean=one_rm, sd=0.03 * one_rm),
        velocity_at_zero_m_s=Uncertain(mean=at_zero, sd=0.07),
        velocity_at_1rm_m_s=Uncertain(mean=max(at_zero - slope, 0.05), sd=0.05),
    )


def jobs(conditions: Sequence[ComparedCondition], population: Population) -> Iterator[Job]:
    """One job per lifter.

    Args:
        conditions: the conditions, all on one exercise, each with a name of its own.
        population: the lifters.

    Raises:
        ValueError: there are no conditions, two have the same name, or their exercises differ.
    """
    names = [condition.name for condition in conditions]
    if not names or len(set(names)) != len(names):
        raise ValueError(f"conditions are {names}; allowed: one or more, each with a name of its own")
    exercises = {condition.prescription.exercise for condition in conditions}
    if len(exercises) > 1:
        raise ValueError(f"exercises are {sorted(exercises)}; allowed: one for all, since lifters are paired")
    for person in range(population.lifters):
        yield Job(person, tuple(conditions), population)


def compared(results: Iterable[Sequence[Row]], conditions: Sequence[ComparedCondition]) -> Comparison:
    """Means, paired differences and ranges from the rows of every lifter; takes them as they come and keeps none.

    Args:
        results: the rows of each lifter, in order, as `run_job` gives them; two lifters or more.
        conditions: the conditions of the jobs, in the same order.
    """
    names = tuple(condition.name for condition in conditions)
    n = len(names)
    values, apart = (_Moments((n, len(MEASURES))) for _ in range(2))
    draws = np.zeros((n, DRAWS))
    for rows in results:
        table = np.array([row.values for row in rows], dtype=np.float64)
        values.add(table)
        apart.add(table - table[0])
        draws += [row.stimulus_draws for row in rows]
    draws /= values.count
    return Comparison(
        conditions=names,
        means=_by_measure(values),
        differences=_by_measure(apart),
        stimulus_ranges=tuple(Range.over(draws[k]) for k in range(n)),
        stimulus_ratios=tuple(Range.over(_ratio(draws[k], draws[0])) for k in range(n)),
    )


def _interval(mean: float, sd: float, n: int) -> Interval:
    half = float(stats.t.ppf(0.975, n - 1)) * sd / math.sqrt(n)
    return Interval(mean, mean - half, mean + half)


class _Moments:
    """Mean and spread of tables that come one by one, by Welford's method (1962, 10.2307/1266577); keeps no table.

    Args:
        shape: of a table.
    """

    def __init__(self, shape: tuple[int, int]) -> None:
        self.count = 0
        self._mean, self._squares = np.zeros(shape), np.zeros(shape)

    def add(self, table: FloatArray) -> None:
        """Take one more table of the shape given."""
        self.count += 1
        before = table - self._mean
        self._mean += before / self.count
        self._squares += before * (table - self._mean)

    def intervals(self) -> list[list[Interval]]:
        """One for each entry of the tables, of which there are two or more."""
        sd = np.sqrt(self._squares / (self.count - 1))
        return [
            [_interval(float(m), float(s), self.count) for m, s in zip(means, sds, strict=True)]
            for means, sds in zip(self._mean, sd, strict=True)
        ]


def _by_measure(found: _Moments) -> dict[str, tuple[Interval, ...]]:
    rows = found.intervals()
    return {name: tuple(row[m] for row in rows) for m, name in enumerate(MEASURES)}


def _ratio(of: FloatArray, to: FloatArray) -> FloatArray:
    """One divided by the other, draw by draw; two that are the same are so where neither is worth anything, too."""
    return np.where(of == to, 1.0, of / np.maximum(to, 1e-12))


def named_apart(conditions: Sequence[ComparedCondition]) -> list[ComparedCondition]:
    """The conditions, with a number added to each name that occurs more than once."""
    seen: dict[str, int] = {}
    found = []
    for condition in conditions:
        seen[condition.name] = seen.get(condition.name, 0) + 1
        number = seen[condition.name]
        found.append(condition if number == 1 else replace(condition, name=f"{condition.name} ({number})"))
    return found
