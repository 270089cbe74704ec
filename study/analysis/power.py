"""How many participants? A study simulated many times on the simulated population, and analysed as it will be.

Each trial is one simulated study with the greatest number of participants: people drawn from the population, sets
through the real controller on the simulated rig, orders from the study's design. Allocation goes along a list, so
smaller studies are the first participants of it. Two questions can be asked: whether the difference that the
simulation itself produces would be found, or whether a given effect would be, with sessions that vary as those of the
first condition do. A simulation says nothing of people it does not resemble; see the method page.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from statistics import mean
from typing import Final

import numpy as np

from ebbset.models.contract.rig_messages import RepetitionOutcome
from ebbset.simulators.closed_loop.closed_loop import run_set
from ebbset.simulators.closed_loop.simulated_set import SimulatedSet
from ebbset.simulators.lifter.exercises import exercise
from ebbset.simulators.lifter.lifter import LifterParameters
from ebbset.simulators.load_scaling import scaled
from ebbset.simulators.plant.rig_parameters import strong_rig
from ebbset.simulators.population.families import COMPILED, AnyLifter, DrawnPerson
from ebbset.simulators.population.population import DAY_CV, draw_lifter, on_day, person_rng
from ebbset.simulators.population.strength_test import one_rm_n
from ebbset.study.analysis.mixed_model import ALPHA, SessionValue, analysed
from ebbset.study.randomisation import crossover, parallel
from ebbset.study.rehearsal import START_SHARE
from ebbset.study.study_file import Study

Z_95: Final = 1.959963984540054
_STRONG: Final = strong_rig(5_000.0)
"""A rig whose motor limits nobody: who is drawn must not depend on it."""


def _mean_of(name: str) -> Callable[[SimulatedSet], float]:
    def mean_of(done: SimulatedSet) -> float:
        whole = [getattr(r, name) for r in done.repetitions if r.outcome is RepetitionOutcome.COMPLETED]
        return mean(whole) if whole else math.nan

    return mean_of


def _result(name: str) -> Callable[[SimulatedSet], float]:
    def of_result(done: SimulatedSet) -> float:
        value = None if done.result is None else getattr(done.result, name)
        return math.nan if value is None else float(value)

    return of_result


OUTCOMES: Final[Mapping[str, tuple[str, str, Callable[[SimulatedSet], float]]]] = {
    "repetitions": ("completed repetitions of a set", "", _result("repetitions")),
    "duration_s": ("duration of a set, rests included", "s", _result("duration_s")),
    "budget_spent": ("estimated loss of capacity at the end of a set", "", _result("budget_spent")),
    "mean_velocity_m_s": ("mean velocity of the completed repetitions of a set", "m/s", _mean_of("mean_velocity_m_s")),
    "rom_m": ("mean range of motion of the completed repetitions of a set", "m", _mean_of("rom_m")),
}
"""Outcome -> (what it is, its unit, its value in a simulated set); named as the columns of the export."""


@dataclass(frozen=True, slots=True)
class Question:
    """What is asked of the simulated studies.

    Attributes:
        outcome: key of `OUTCOMES`.
        sizes: numbers of participants, rising.
        effect: added to the outcome of every condition but the first, which all sessions then follow; None: the
            conditions differ as the simulation makes them.
        seed: of everything drawn.
        lifters: family of simulated people, by name or ``module:factory``.
    """

    outcome: str
    sizes: tuple[int, ...]
    effect: float | None
    seed: int
    lifters: str = COMPILED


@dataclass(frozen=True, slots=True)
class SimulatedStudy:
    """One simulated study: for each size, each contrast's estimate, half width of its interval, and whether found."""

    effects: tuple[tuple[float, ...], ...]
    half_widths: tuple[tuple[float, ...], ...]
    found: tuple[tuple[bool, ...], ...]
    without_value: int


@dataclass(frozen=True, slots=True)
class Power:
    """Power of one contrast at one size.

    Attributes:
        participants: the size.
        condition: condition that is compared with the first.
        trials: simulated studies.
        power: part of them in which the difference was found at 5 %, adjusted for all contrasts.
        low: lower end of the 95 % Monte Carlo interval of the power (Wilson).
        high: its upper end.
        effect: mean of the estimated differences.
        half_width: mean half width of their 95 % confidence intervals.
    """

    participants: int
    condition: str
    trials: int
    power: float
    low: float
    high: float
    effect: float
    half_width: float


def problem_with(study: Study, question: Question) -> str | None:
    """A sentence about what cannot be asked of this study; None if all is well.

    Args:
        study: the study.
        question: what is asked.
    """
    least = len(study.file.conditions) + 1
    if question.outcome not in OUTCOMES:
        return f"outcome is {question.outcome!r}; allowed: {', '.join(OUTCOMES)}"
    if not question.sizes or min(question.sizes) < least or max(question.sizes) > 2_000:
        return f"participants are {', '.join(map(str, question.sizes))}; allowed: {least} to 2000"
    if list(question.sizes) != sorted(set(question.sizes)):
        return "participants are not rising; allowed: each number once, the smallest first"
    return None


def run_trial(job: tuple[Study, Question, int]) -> SimulatedStudy:
    """One simulated study.

    Args:
        job: the study, what is asked, and the number of the trial.

    Raises:
        SetNotRunError: the controller refused to arm or start a prescription.
        ValueError: an exercise that the simulator does not know.
    """
    study, question, number = job
    orders = _orders(study, question, number)
    values = [one for place, order in enumerate(orders) for one in _sessions(study, question, number, place, order)]
    codes = [condition.code for condition in study.file.conditions]
    usable = [one for one in values if math.isfinite(one.value)]
    found = []
    for size in question.sizes:
        here = {str(place) for place in range(size)}
        found.append(analysed([v for v in usable if v.participant in here], conditions=codes, design=study.file.design))
    return SimulatedStudy(
        effects=tuple(tuple(one.effect for one in contrasts) for contrasts in found),
        half_widths=tuple(tuple((one.high - one.low) / 2.0 for one in contrasts) for contrasts in found),
        found=tuple(tuple(one.p_adjusted < ALPHA for one in contrasts) for contrasts in found),
        without_value=len(values) - len(usable),
    )


def power_of(study: Study, question: Question, trials: Sequence[SimulatedStudy]) -> list[Power]:
    """Power of each contrast at each size, with its Monte Carlo interval.

    Args:
        study: the study.
        question: what was asked.
        trials: the simulated studies, at least one.
    """
    rows = []
    for k, size in enumerate(question.sizes):
        for contrast, condition in enumerate(study.file.conditions[1:]):
            hits = sum(trial.found[k][contrast] for trial in trials)
            low, high = wilson(hits, len(trials))
            rows.append(
                Power(
                    participants=size,
                    condition=condition.code,
                    trials=len(trials),
                    power=hits / len(trials),
                    low=low,
                    high=high,
                    effect=mean(trial.effects[k][contrast] for trial in trials),
                    half_width=mean(trial.half_widths[k][contrast] for trial in trials),
                )
            )
    return rows


def wilson(hits: int, trials: int) -> tuple[float, float]:
    """95 % interval of a share (Wilson 1927 J Am Stat Assoc 22:209-212).

    Args:
        hits: how often.
        trials: of how many, at least 1.
    """
    share, weight = hits / trials, Z_95 * Z_95 / trials
    middle = (share + weight / 2.0) / (1.0 + weight)
    half = Z_95 * math.sqrt(share * (1.0 - share) / trials + weight / (4.0 * trials)) / (1.0 + weight)
    return max(middle - half, 0.0), min(middle + half, 1.0)


def _orders(study: Study, question: Question, number: int) -> tuple[tuple[int, ...], ...]:
    """A list of its own for each trial, as of a study that is drawn anew."""
    file, places = study.file, question.sizes[-1]
    rng = np.random.default_rng(np.random.SeedSequence(question.seed, spawn_key=(number, 0)))
    if file.design == "crossover":
        return crossover(places, len(file.conditions), file.blocks, rng)
    return parallel(places, len(file.conditions), file.blocks, rng)


def _sessions(study: Study, question: Question, number: int, place: int, order: tuple[int, ...]) -> list[SessionValue]:
    """All sessions of one simulated person."""
    streams = np.random.SeedSequence(question.seed, spawn_key=(number, 1, place))
    lifter, factor = _person(study, question.lifters, int(streams.generate_state(1, np.uint64)[0]))
    value_of = OUTCOMES[question.outcome][2]
    found = []
    for period, (condition, stream) in enumerate(zip(order, streams.spawn(len(order)), strict=True), start=1):
        code = study.file.conditions[condition].code
        base = study.prescriptions[code if question.effect is None else study.file.conditions[0].code]
        day_stream, set_seed = stream.spawn(2)
        today, strength = _today(lifter, np.random.default_rng(day_stream))
        done = run_set(scaled(base, factor / strength), today, _STRONG, seed=set_seed)
        added = question.effect if question.effect is not None and condition else 0.0
        found.append(SessionValue(str(place), period, code, value_of(done) + added))
    return found


def _person(study: Study, family_name: str, seed: int) -> tuple[AnyLifter, float]:
    """Somebody from the population, and the factor on the loads of the prescriptions.

    With relative loads it is the person's own 1RM over the reference. Without, it makes the start load of the first
    condition the usual part of the 1RM, since absolute loads say nothing of who will come.
    """
    base = study.prescriptions[study.file.conditions[0].code]
    if family_name == COMPILED:
        lifter: AnyLifter = draw_lifter(exercise(base.exercise), person_rng(seed, 0))
    else:
        lifter = DrawnPerson(family_name, base.exercise, seed, 0).drawn()
    own_n = one_rm_n(lifter, _STRONG)
    if study.file.reference_one_rm_n is not None:
        return lifter, own_n / study.file.reference_one_rm_n
    return lifter, own_n * START_SHARE / base.load.start_n


def _today(lifter: AnyLifter, rng: np.random.Generator) -> tuple[AnyLifter, float]:
    """The person on the day of a session, and a strength by which loads are divided instead.

    Only the compiled family can be made stronger or weaker; for others a load that is as much lighter or heavier is
    the same to them.
    """
    if isinstance(lifter, LifterParameters):
        return on_day(lifter, rng), 1.0
    return lifter, math.exp(DAY_CV * float(rng.standard_normal()))
