"""Many sets at once: a stream of cases in, a stream of plain rows out, in order, in constant memory.

Cases are handed to an executor and rows come back in order; what a set is stands in `closed_loop`, who the people are
in `population`. Any executor with a ``submit`` will do: the process pool of
the standard library, or the client of a Dask cluster, which then must not resolve futures by itself.

Case ``i`` of a seed draws from ``SeedSequence(seed, spawn_key=(i,))`` alone, so the bits are the same whatever the
number of workers, the size of the chunks and the order in which they happen to finish.
"""

from __future__ import annotations

import os
from collections import deque
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, field
from itertools import islice
from multiprocessing import get_context
from typing import Any, Final, Protocol

import numpy as np

from ebbset.models.contract.prescription import Prescription
from ebbset.models.contract.profile import LifterProfile
from ebbset.simulators.closed_loop.closed_loop import LoopSettings, SetNotRunError, SimulatedSet, run_set
from ebbset.simulators.closed_loop.link_model import LinkModel
from ebbset.simulators.lifter.lifter import LifterParameters
from ebbset.simulators.rig.rig_parameters import RigParameters
from ebbset.simulators.rig.sensors import SensorParameters

CHUNK: Final = 16
AHEAD_PER_WORKER: Final = 3
Row = dict[str, float | int | str | bool | None]


class Future(Protocol):
    """What an executor gives back."""

    def result(self) -> Any:
        """Wait for the value."""


class Executor(Protocol):
    """Anything that can be handed work: a process pool, or a Dask client."""

    def submit(self, fn: Callable[..., Any], /, *args: Any) -> Any:
        """Start ``fn(*args)`` somewhere.

        Args:
            fn: function to call.
            *args: its arguments.
        """


@dataclass(frozen=True, slots=True, kw_only=True)
class SetCase:
    """One set to simulate; everything in it can be sent to another process.

    Attributes:
        prescription: the set.
        lifter: who lifts.
        rig: on what.
        profile: what the controller is told of the lifter.
        sensors: sensors of the rig.
        link: the network.
        labels: columns that the row carries besides its results, such as the person's number or the condition.
    """

    prescription: Prescription
    lifter: LifterParameters
    rig: RigParameters = field(default_factory=RigParameters)
    profile: LifterProfile | None = None
    sensors: SensorParameters = field(default_factory=SensorParameters)
    link: LinkModel = field(default_factory=LinkModel)
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
        "fatigue_model": case.lifter.fatigue_model,
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


def run_case(case: SetCase, seed: int, index: int) -> Row:
    """Simulate one case; the row of a set that could not be armed says why.

    Args:
        case: the set.
        seed: of the whole population.
        index: number of the case, which with the seed fixes its randomness.
    """
    try:
        outcome = run_set(
            case.prescription,
            case.lifter,
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


def _run_chunk(cases: list[SetCase], seed: int, first: int) -> list[Row]:
    return [run_case(case, seed, first + k) for k, case in enumerate(cases)]


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
    count = workers if workers is not None else (os.cpu_count() or 1)
    for name, value in (("workers", count), ("chunk", chunk)):
        if value < 1:
            raise ValueError(f"{name} is {value}; allowed: at least 1")
    if executor is not None:
        yield from _rows_in_order(cases, seed, executor, count * AHEAD_PER_WORKER, chunk, progress)
    elif count == 1:
        for index, case in enumerate(cases):
            yield run_case(case, seed, index)
            if progress is not None:
                progress(index + 1)
    else:
        # Fork would copy whatever threads and locks the caller has; a fresh interpreter is the same on every system.
        with ProcessPoolExecutor(count, mp_context=get_context("spawn")) as pool:
            yield from _rows_in_order(cases, seed, pool, count * AHEAD_PER_WORKER, chunk, progress)


def _rows_in_order(
    cases: Iterable[SetCase],
    seed: int,
    executor: Executor,
    ahead: int,
    chunk: int,
    progress: Callable[[int], None] | None,
) -> Iterator[Row]:
    stream = iter(cases)
    under_way: deque[Future] = deque()
    first = done = 0
    while True:
        while len(under_way) < ahead and (batch := list(islice(stream, chunk))):
            under_way.append(executor.submit(_run_chunk, batch, seed, first))
            first += len(batch)
        if not under_way:
            return
        rows: list[Row] = under_way.popleft().result()
        done += len(rows)
        yield from rows
        if progress is not None:
            progress(done)
