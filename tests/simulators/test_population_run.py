"""Many sets: the same rows whatever the workers, in order, in constant memory."""

from __future__ import annotations

import gc
import itertools
import tracemalloc
from collections.abc import Iterator
from concurrent.futures import Future, ThreadPoolExecutor
from typing import Any

import pytest

from ebbset.models.contract.prescription import Prescription
from ebbset.simulators.closed_loop.population_run import SetCase, run_case, run_cases
from ebbset.simulators.lifter.exercises import exercise
from ebbset.simulators.population.population import draw_lifter, person_rng

ORDER = Prescription.model_validate(
    {
        "name": "Short",
        "exercise": "bench_press",
        "load": {"start_n": 300.0, "floor_n": 100.0},
        "stop": {"max_repetitions": 2},
    }
)


def cases(n: int) -> Iterator[SetCase]:
    for person in range(n):
        yield SetCase(
            prescription=ORDER,
            lifter=draw_lifter(exercise("bench_press"), person_rng(5, person)),
            labels=(("person", person),),
        )


def test_rows_are_the_same_bits_whatever_the_number_of_workers() -> None:
    alone = list(run_cases(cases(10), seed=7, workers=1))
    assert [row["index"] for row in alone] == list(range(10))
    assert [row["person"] for row in alone] == list(range(10))
    assert {row["violations"] for row in alone} == {0}
    assert len({row["duration_s"] for row in alone}) > 5
    assert list(run_cases(cases(10), seed=7, workers=2, chunk=3)) == alone
    assert list(run_cases(cases(10), seed=8, workers=1)) != alone


def test_an_executor_of_the_caller_s_is_used_and_progress_reported() -> None:
    told: list[int] = []
    with ThreadPoolExecutor(2) as pool:
        rows = list(run_cases(cases(7), seed=7, executor=pool, chunk=3, progress=told.append))
    assert rows == list(run_cases(cases(7), seed=7, workers=1))
    assert told == [3, 6, 7]


class Counting:
    """An executor that works at once and remembers how far ahead it was asked."""

    def __init__(self) -> None:
        self.submitted = 0

    def submit(self, fn: Any, /, *args: Any) -> Future[Any]:
        self.submitted += 1
        future: Future[Any] = Future()
        future.set_result(fn(*args))
        return future


def test_an_endless_stream_is_taken_only_a_little_ahead() -> None:
    executor = Counting()
    endless = (next(cases(1)) for _ in itertools.count())
    rows = run_cases(endless, seed=7, executor=executor, workers=1, chunk=1)
    for _ in range(5):
        next(rows)
    assert executor.submitted <= 5 + 3


def test_memory_stays_flat_however_many_sets_were_run() -> None:
    lifter = draw_lifter(exercise("bench_press"), person_rng(5, 0))
    case = SetCase(prescription=ORDER, lifter=lifter)
    rows = run_cases(itertools.repeat(case), seed=7, workers=1)
    for _ in range(5):
        next(rows)
    tracemalloc.start()
    for _ in range(5):
        next(rows)
    gc.collect()
    before, _ = tracemalloc.get_traced_memory()
    for _ in range(40):
        next(rows)
    gc.collect()
    after, _ = tracemalloc.get_traced_memory()
    tracemalloc.stop()
    # A set that left even its shortest list behind would show as hundreds of bytes each.
    assert after - before < 40 * 100


def test_a_set_that_cannot_be_armed_is_a_row_that_says_why() -> None:
    heavy = ORDER.model_copy(update={"load": ORDER.load.model_copy(update={"start_n": 4_000.0})})
    case = SetCase(prescription=heavy, lifter=next(cases(1)).lifter, labels=(("person", 3),))
    row = run_case(case, 7, 4)
    assert (row["index"], row["person"]) == (4, 3)
    assert "start_n" in str(row["error"])
    assert list(row) == list(run_case(next(cases(1)), 7, 4))


@pytest.mark.parametrize(("workers", "chunk", "field"), [(0, 16, "workers"), (1, 0, "chunk")])
def test_nothing_to_work_with_is_named(workers: int, chunk: int, field: str) -> None:
    with pytest.raises(ValueError, match=f"{field} is 0; allowed"):
        next(run_cases(cases(1), seed=1, workers=workers, chunk=chunk))


def test_a_dask_cluster_runs_them_to_the_same_bits() -> None:
    from distributed import Client

    start: Any = Client  # untyped
    with start(n_workers=1, threads_per_worker=2, processes=False, dashboard_address=None) as cluster:
        rows = list(run_cases(cases(5), seed=7, executor=cluster, workers=2, chunk=2))
    assert rows == list(run_cases(cases(5), seed=7, workers=1))
