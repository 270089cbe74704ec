"""Which repetitions of two cables go together, by time, and which one side did alone."""

from __future__ import annotations

from ebbset.controller.detection.sides import ALONE, SidePairs
from ebbset.controller.detection.signals import RepetitionEnded
from ebbset.models.contract.rig_messages import RepetitionOutcome


def lifted(
    begin_s: float, end_s: float, rom_m: float = 0.5, outcome: RepetitionOutcome = RepetitionOutcome.COMPLETED
) -> RepetitionEnded:
    return RepetitionEnded(
        outcome=outcome,
        t_start_us=int(begin_s * 1e6),
        t_end_us=int(end_s * 1e6),
        rom_m=rom_m,
        mean_velocity_m_s=0.5,
        peak_velocity_m_s=0.7,
        min_velocity_m_s=0.1,
        mean_force_n=None,
        load_changed=False,
    )


def at(pairs: SidePairs, k: int, second: float) -> tuple[float, float] | None:
    return pairs.started(k, int(second * 1e6))


def test_sides_that_overlap_are_compared_as_soon_as_both_have_ended_whichever_is_later() -> None:
    for first in (0, 1):
        pairs = SidePairs()
        assert at(pairs, 0, 1.0) is None
        assert at(pairs, 1, 1.1) is None
        assert pairs.ended(first, lifted(1.0, 2.0)) is None
        assert pairs.ended(1 - first, lifted(1.1, 2.2, rom_m=0.4)) == (0.19999999999999996, 0.0)


def test_a_repetition_is_never_compared_with_one_of_before() -> None:
    pairs = SidePairs()
    for repetition, rom_m in enumerate((0.5, 0.4, 0.5)):
        begin_s = 1.0 + 3.0 * repetition
        at(pairs, 0, begin_s)
        at(pairs, 1, begin_s)
        pairs.ended(1, lifted(begin_s, begin_s + 0.9, rom_m=rom_m))
        difference = pairs.ended(0, lifted(begin_s, begin_s + 1.0, rom_m=rom_m))
        assert difference == (0.0, 0.0)


def test_what_one_side_completed_alone_counts_at_its_next_start() -> None:
    pairs = SidePairs()
    assert at(pairs, 0, 1.0) is None
    assert pairs.ended(0, lifted(1.0, 2.0)) is None
    assert at(pairs, 0, 4.0) == ALONE
    assert pairs.ended(0, lifted(4.0, 5.0)) is None
    assert at(pairs, 0, 7.0) == ALONE


def test_a_partial_movement_of_one_side_is_no_difference() -> None:
    pairs = SidePairs()
    at(pairs, 1, 1.0)
    assert pairs.ended(1, lifted(1.0, 1.3, rom_m=0.05, outcome=RepetitionOutcome.PARTIAL)) is None
    assert at(pairs, 0, 3.0) is None
    assert at(pairs, 1, 3.0) is None
    assert pairs.ended(0, lifted(3.0, 4.0)) is None
    assert pairs.ended(1, lifted(3.0, 4.0)) == (0.0, 0.0)


def test_sides_that_take_turns_are_compared_turn_by_turn() -> None:
    pairs = SidePairs()
    differences = []
    for turn in range(6):
        k, begin_s = turn % 2, 1.0 + 2.0 * turn
        differences.append(at(pairs, k, begin_s))
        differences.append(pairs.ended(k, lifted(begin_s, begin_s + 1.0, rom_m=0.5 - 0.1 * k)))
    assert [found for found in differences if found is not None] == [(0.19999999999999996, 0.0)] * 2


def test_a_side_that_is_still_ascending_is_waited_for() -> None:
    pairs = SidePairs()
    at(pairs, 0, 1.0)
    at(pairs, 1, 1.1)
    assert pairs.ended(0, lifted(1.0, 2.0)) is None
    assert at(pairs, 0, 3.5) is None
    assert pairs.ended(1, lifted(1.1, 3.8, rom_m=0.5)) == (0.0, 0.0)


def test_a_bout_begins_with_nothing_that_waits() -> None:
    pairs = SidePairs()
    at(pairs, 0, 1.0)
    pairs.ended(0, lifted(1.0, 2.0))
    pairs.restart()
    assert at(pairs, 0, 30.0) is None
