"""Rigs are spread evenly, and none ever changes its worker while both are there."""

from __future__ import annotations

from hypothesis import given
from hypothesis import strategies as st

from ebbset.controller.site.assignment import assigned

RIGS = st.lists(st.text("abcdef", min_size=1, max_size=3), unique=True, max_size=40)


def test_rigs_are_spread_in_order() -> None:
    assert assigned(["a", "b", "c"], 2, {}) == {"a": 0, "b": 1, "c": 0}


def test_a_new_rig_goes_where_the_fewest_are() -> None:
    assert assigned(["a", "c", "d"], 2, {"a": 0, "b": 1, "c": 0})["d"] == 1


@given(RIGS, RIGS, st.integers(1, 6))
def test_a_rig_keeps_its_worker_whatever_else_changes(before: list[str], after: list[str], workers: int) -> None:
    first = assigned(before, workers, {})
    second = assigned(after, workers, first)
    assert second.keys() == set(after)
    assert all(second[rig] == first[rig] for rig in set(before) & set(after))
    loads = [list(first.values()).count(k) for k in range(workers)]
    assert max(loads) - min(loads) <= 1
