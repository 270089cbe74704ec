"""Many sets at once: a stream of cases in, a stream of plain rows out, in order, in constant memory.

Cases are handed to `parallel_map` in chunks and rows come back in order; what a set is stands in `closed_loop`, who the
people are in `population`. A Dask client given as executor must not resolve futures by itself.

Case ``i`` of a seed draws from ``SeedSequence(seed, spawn_key=(i,))`` alone, so the bits are the same whatever the
number of workers, the size of the chunks and the order in which they happen to finish.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass, field, replace
from itertools import islice
from typing import Final

import numpy as np

from ebbset.models.contract.prescription import Prescription
from ebbset.models.contract.profile import LifterProfile
from ebbset.simulators.closed_loop.closed_loop import run_set
from ebbset.simulators.closed_loop.link_model import LinkModel
from ebbset.simulators.closed_loop.parallel import Executor, parallel_map
from ebbset.simulators.closed_loop.simulated_set import LoopSettings, SetNotRunError, SimulatedSet
from ebbset.simulators.lifter.lifter import LifterParameters
from ebbset.simulators.load_scaling import started_at
from ebbset.simulators.plant.rig_parameters import RigParameters
from ebbset.simulators.population.families import COMPILED, DrawnPerson
from ebbset.simulators.population.strength_test import one_rm_n
from ebbset.simulators.rig.sensors import SensorParameters

CHUNK: Final = 16
Row = dict[str, float | int | str | bool | None]


@dataclass(frozen=True, slots=True, kw_only=True)
class SetCase:
    """One set to simulate; everything in it can be sent to another process.

    Attributes:
        prescription: the set.
        lifter: who lifts, or how to draw them.
        rig: on what.
        profile: what the controller is told of the lifter.
        sensors: sensors of the rig.
        link: the network.
        start_share: scales every load so that the first is this share of the lifter's own 1RM; None: as written.
        labels: columns that the row carries besides its results, such as the person's number or the condition.
    """

    prescription: Prescription
    lifter: LifterParameters | DrawnPerson
    rig: RigParameters = field(default_factory=RigParameters)
    profile: LifterProfile | None = None
    sensors: SensorParameters = field(default_factory=SensorParameters)
    link: LinkModel = field(default_factory=LinkModel)
    start_share: float | None = None
    labels: tuple[tuple[str, float | int | str | bool], ...] = ()


def row_of(case: SetCase, outcome: SimulatedSet) -> Row:
    """One set as one tidy row: SI units in the names, the simulator's truth marked as such.

    Args:
        case: what was simulated.
        outcome: what it came to.
    """
    result = outcome.result
    completed = [repetition.truth for repetition in outcome.true_repetitions if repetition.truth.completed]
    return {
        **dict(case.labels),
        "exercise": case.prescription.exercise,
        "prescription": case.prescription.name,
        **_who(case.lifter),
        "state": outcome.state.value,
        "reason": None if result is None else result.reason.value,
        "start_n": case.prescription.load.start_n,
        "final_load_n": None if result is None else max(result.final_load_n),
        "repetitions": None if result is None else result.repetitions,
        "drops": None if result is None else result.drops,
        "bouts": None if result is None else result.bouts,
        "budget_spent": None if result is None else result.budget_spent,
        "duration_s": outcome.duration_s,
        "true_repetitions": len(completed),
        "true_attempts": len(outcome.true_repetitions),
        "true_velocity_first_m_s": completed[0].mean_velocity_m_s if completed else None,
        "true_velocity_last_m_s": completed[-1].mean_velocity_m_s if completed else None,
        "true_capacity_before": outcome.capacity_before,
        "true_capacity_after": outcome.capacity_after,
        "violations": len(outcome.violations),
        "error": None,
    }


def _who(lifter: LifterParameters | DrawnPerson) -> Row:
    if isinstance(lifter, LifterParameters):
        return {"lifters": COMPILED, "fatigue_model": lifter.fatigue_model}
    return {"lifters": lifter.family, "fatigue_model": None}


def run_case(case: SetCase, seed: int, index: int) -> Row:
    """Simulate one case; the row of a set that could not be armed says why.

    Args:
        case: the set.
        seed: of the whole population.
        index: number of the case, which with the seed fixes its randomness.

    Raises:
        FamilyError: the lifter cannot be drawn.
    """
    lifter = case.lifter if isinstance(case.lifter, LifterParameters) else case.lifter.drawn()
    if case.start_share is not None:
        start_n = case.start_share * one_rm_n(lifter, case.rig)
        case = replace(case, prescription=started_at(case.prescription, start_n))
    try:
        outcome = run_set(
            case.prescription,
            lifter,
            case.rig,
            seed=np.random.SeedSequence(seed, spawn_key=(index,)),
            profile=case.profile,
            sensors=case.sensors,
            link=case.link,
            settings=LoopSettings(keep_outputs=False),
        )
    except SetNotRunError as error:
        return {"index": index, **row_of(case, SimulatedSet()), "error": str(error)}
    return {"index": index, **row_of(case, outcome)}


def _run_chunk(job: tuple[list[SetCase], int, int]) -> list[Row]:
    cases, seed, first = job
    return [run_case(case, seed, first + k) for k, case in enumerate(cases)]


def _chunks(cases: Iterable[SetCase], seed: int, size: int) -> Iterator[tuple[list[SetCase], int, int]]:
    stream, first = iter(cases), 0
    while batch := list(islice(stream, size)):
        yield batch, seed, first
        first += len(batch)


def run_cases(
    cases: Iterable[SetCase],
    *,
    seed: int,
    executor: Executor | None = None,
    workers: int | None = None,
    progress: Callable[[int], None] | None = None,
    chunk: int = CHUNK,
) -> Iterator[Row]:
    """Simulate cases as they come and yield their rows in their order.

    At most a few chunks for each worker are under way, so neither the cases nor the rows are ever all in memory.

    Args:
        cases: the sets; may be an endless or a huge stream.
        seed: of all of them.
        executor: where to run; None: a process pool of its own, or this process with ``workers=1``.
        workers: how many run at a time; None: one for each core.
        progress: called with the number of sets done so far, after each chunk.
        chunk: cases handed over at a time.

    Raises:
        ValueError: ``workers`` or ``chunk`` less than 1.
    """
    if chunk < 1:
        raise ValueError(f"chunk is {chunk}; allowed: at least 1")
    # What is done in this process is handed over to nobody, so each row comes as soon as it is there.
    size = 1 if executor is None and workers == 1 else chunk
    done = 0
    for rows in parallel_map(_run_chunk, _chunks(cases, seed, size), workers=workers, executor=executor):
        done += len(rows)
        yield from rows
        if progress is not None:
            progress(done)
