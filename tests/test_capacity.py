"""The capacity estimate on hand-made sets whose truth is known."""

from __future__ import annotations

import pytest

from ebbset.controller.capacity import CapacityEstimator
from ebbset.models.profile import Uncertain
from ebbset.models.velocity import LoadVelocityLine, generic_line
from ebbset.models.wire import RepetitionOutcome

LINE = generic_line("bench_press")
DONE = RepetitionOutcome.COMPLETED


def feed(it: CapacityEstimator, load_n: float, capacities: list[float], line: LoadVelocityLine = LINE) -> None:
    for capacity_n in capacities:
        it.repetition(
            load_n=load_n,
            mean_velocity_m_s=line.velocity_m_s(load_n / capacity_n),
            outcome=DONE,
            load_changed=False,
        )


def test_nothing_seen_is_nothing_said() -> None:
    it = CapacityEstimator(line=LINE, one_rm_n=None)
    assert it.capacity_n is None
    assert it.budget_spent is None
    assert it.repetitions_in_reserve is None


def test_it_follows_a_falling_capacity() -> None:
    it = CapacityEstimator(line=LINE, one_rm_n=None)
    truth = [1000.0 * 0.96**k for k in range(8)]
    feed(it, 700.0, truth)
    assert it.capacity_n == pytest.approx(truth[-1], rel=0.06)
    assert it.budget_spent == pytest.approx(1 - 0.96**7, abs=0.06)
    assert it.loss_per_repetition == pytest.approx(0.04, abs=0.015)
    assert it.fresh_n == pytest.approx(1000.0, rel=0.05)


def test_a_stall_says_that_the_load_is_the_capacity() -> None:
    it = CapacityEstimator(line=LINE, one_rm_n=Uncertain(mean=1000.0, sd=50.0))
    feed(it, 700.0, [1000.0 * 0.96**k for k in range(9)])
    it.stall(load_n=700.0, force_n=None, position_fraction=0.4)
    assert it.capacity_n is not None
    assert 700.0 * 0.97 <= it.capacity_n <= 700.0 * 1.03
    assert it.repetitions_in_reserve == pytest.approx(0.0, abs=1.0)


def test_rest_gives_part_of_it_back() -> None:
    it = CapacityEstimator(line=LINE, one_rm_n=None)
    feed(it, 700.0, [1000.0 * 0.95**k for k in range(8)])
    spent = it.budget_spent
    it.rest(120.0)
    assert spent is not None
    assert it.budget_spent is not None
    assert 0.1 * spent < it.budget_spent < 0.7 * spent


def test_partial_repetitions_and_load_changes_do_not_tell_the_velocity() -> None:
    it = CapacityEstimator(line=LINE, one_rm_n=Uncertain(mean=1000.0, sd=50.0))
    it.repetition(load_n=700.0, mean_velocity_m_s=0.05, outcome=RepetitionOutcome.PARTIAL, load_changed=False)
    assert it.capacity_n == 1000.0
    it.repetition(load_n=700.0, mean_velocity_m_s=0.05, outcome=DONE, load_changed=True)
    assert it.capacity_n == pytest.approx(1000.0, rel=0.05)
