"""Muscles of exercises: whole, half or none, for every exercise that can be simulated."""

from __future__ import annotations

import pytest

from ebbset.models.physiology.exercise_muscles import (
    EXERCISE_MUSCLES,
    HELPER,
    OVERLAP,
    TARGET,
    muscle_shares,
    overlap,
)
from ebbset.simulators.lifter.exercises import EXERCISES


def test_every_exercise_that_can_be_simulated_has_muscles_and_at_least_one_target() -> None:
    assert EXERCISE_MUSCLES.keys() == set(EXERCISES)
    for shares in EXERCISE_MUSCLES.values():
        assert set(shares.values()) <= {TARGET, HELPER}
        assert TARGET in shares.values()


def test_an_unknown_exercise_counts_for_no_muscle() -> None:
    assert muscle_shares("band_row") == {}
    assert muscle_shares("curl") == EXERCISE_MUSCLES["curl"]


def test_the_overlap_is_a_part_and_whole_only_where_all_muscle_work_was_done_before() -> None:
    assert OVERLAP.keys() == {(before, after) for before in EXERCISES for after in EXERCISES}
    for (before, after), part in OVERLAP.items():
        assert 0.0 <= part <= 1.0
        covered = all(EXERCISE_MUSCLES[before].get(m, 0.0) >= share for m, share in EXERCISE_MUSCLES[after].items())
        assert (part == 1.0) == covered
        assert (part == 0.0) == EXERCISE_MUSCLES[before].keys().isdisjoint(EXERCISE_MUSCLES[after])


def test_a_row_tires_more_of_what_a_curl_needs_than_a_curl_of_what_a_row_needs() -> None:
    assert overlap("row", "curl") == pytest.approx(0.5 / 1.5)
    assert overlap("curl", "row") == pytest.approx(0.5 / 3.0)


def test_the_overlap_with_an_unknown_exercise_is_unknown_and_with_itself_whole() -> None:
    assert overlap("band_row", "curl") is None
    assert overlap("curl", "band_row") is None
    assert overlap("band_row", "band_row") == 1.0
