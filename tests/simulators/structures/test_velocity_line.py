"""The lifter who is a line, against published figures of the bench press; bands are wide, as people are."""

from __future__ import annotations

import numpy as np
import pytest

from ebbset.simulators.lifter.layout import Phase
from ebbset.simulators.population.strength_test import lift_once, one_rm_n
from ebbset.simulators.structures import velocity_line
from ebbset.simulators.structures.movements import draw_movement
from tests.support.plugged_lifts import set_to_failure


@pytest.fixture(scope="module")
def people() -> list[tuple[velocity_line.VelocityLine, float, float]]:
    """Each with 1RM and mean velocity there."""
    found = []
    for seed in range(2):
        lifter = velocity_line.draw("bench_press", np.random.default_rng(seed))
        one_rm = one_rm_n(lifter, None)
        (best,) = lift_once(lifter, None, one_rm).truth.records
        found.append((lifter, one_rm, best.mean_velocity_m_s))
    return found


def test_velocity_at_the_1rm_is_that_of_some_published_population(people: list[tuple[object, float, float]]) -> None:
    """0.10 ± 0.04 m/s (Helms et al. 2017) to 0.16 ± 0.04 (González-Badillo & Sánchez-Medina 2010): 0.04 to 0.26."""
    for _, _, velocity in people:
        assert 0.04 < velocity < 0.26


def test_velocity_falls_with_load_as_published(
    people: list[tuple[velocity_line.VelocityLine, float, float]],
) -> None:
    """1.15, 0.79 and 0.47 m/s at 40, 60 and 80 % (González-Badillo & Sánchez-Medina 2010, from memory).

    Those are means over the propulsive phase; within 35 % for each person, as a deep sticking region makes slow.
    """
    for lifter, one_rm, _ in people:
        for share, published in ((0.4, 1.15), (0.6, 0.79), (0.8, 0.47)):
            (record,) = lift_once(lifter, None, share * one_rm).truth.records
            assert record.propulsive_velocity_m_s == pytest.approx(published, rel=0.35)


def test_repetitions_at_80_percent_are_as_many_as_people_do(
    people: list[tuple[velocity_line.VelocityLine, float, float]],
) -> None:
    """8 by the chart of Haff & Triplett 2016 (from memory); CV of repetitions 9 to 33 % (10.1123/ijspp.2020-0214)."""
    done = [set_to_failure(lifter.at_full_effort(), 0.8 * one_rm) for lifter, one_rm, _ in people]
    assert all(5 <= truth.repetitions <= 14 for truth in done)
    for truth in done:
        completed = [r for r in truth.records if r.completed]
        assert completed[-1].mean_velocity_m_s < 0.6 * completed[0].mean_velocity_m_s


def test_a_repetition_costs_once_and_a_failed_one_more() -> None:
    lifter = velocity_line.draw("row", np.random.default_rng(3)).at_full_effort()
    whole = lifter.capacity()
    lifter.phase = Phase.CONCENTRIC
    for _ in range(500):
        lifter.tire(0.002, 1.0, 0.5, 0.3)
    assert lifter.capacity() == whole
    other = lifter.copy()
    lifter.phase, other.phase = Phase.TOP, Phase.FAILED
    lifter.tire(0.002, 0.2, 1.0, 0.0)
    other.tire(0.002, 0.2, 1.0, 0.0)
    assert 1.0 - other.capacity() == pytest.approx(lifter.line.failure_cost * (1.0 - lifter.capacity()))
    lost = 1.0 - lifter.capacity()
    lifter.rest(lifter.line.half_time_s)
    assert 1.0 - lifter.capacity() == pytest.approx(lost / 2)


def test_an_exercise_that_nobody_described_is_within_what_rigs_meet() -> None:
    drawn = [draw_movement(None, np.random.default_rng(seed)) for seed in range(200)]
    assert len({one.exercise for one in drawn}) == 10
    assert all(0.10 <= one.rom_m <= 0.70 and 0.10 <= one.bottom_m <= 0.50 for one in drawn)
    assert all(60.0 <= one.one_rm_n <= 2500.0 for one in drawn)
    assert draw_movement("zercher_squat", np.random.default_rng(0)).exercise == "zercher_squat"
