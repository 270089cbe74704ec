"""The policy that sizes a drop for repetitions wanted."""

from __future__ import annotations

from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from ebbset.controller.policy_check import check_policy, situations
from ebbset.controller.sized_drop import Learned, RepetitionsWanted
from ebbset.models.problems import BadDocumentError

VIEW = replace(
    next(iter(situations())),
    load_n=400.0,
    floor_n=100.0,
    capacity_n=400.0,
    capacity_sd_n=8.0,
    loss_per_repetition=0.05,
    repetitions_in_step=5,
)


def load(repetitions: float, state: Learned | None = None, **changes: float | None) -> float:
    policy = RepetitionsWanted(repetitions)
    return policy.propose(state or policy.initial(), replace(VIEW, **changes))[1].load_n  # type: ignore[arg-type]


def test_it_keeps_to_what_a_policy_must_keep_to() -> None:
    assert check_policy(RepetitionsWanted) == []
    assert check_policy(RepetitionsWanted, {"repetitions": 8}) == []


def test_more_repetitions_wanted_is_a_larger_drop() -> None:
    loads = [load(n) for n in (1.0, 2.0, 3.0, 6.0)]
    assert loads == sorted(loads, reverse=True)
    assert len(set(loads)) == 4


def test_a_costlier_repetition_and_an_unsure_capacity_are_a_larger_drop() -> None:
    assert load(3.0, loss_per_repetition=0.08) < load(3.0)
    assert load(3.0, capacity_sd_n=40.0) < load(3.0)
    assert load(3.0, capacity_n=None, capacity_sd_n=None, loss_per_repetition=None) < 400.0


def test_it_learns_from_the_step_before() -> None:
    enough = Learned(sized=True)
    assert load(3.0, enough, repetitions_in_step=0) < load(3.0, enough, repetitions_in_step=3)
    assert load(3.0, enough, repetitions_in_step=3) < load(3.0, enough, repetitions_in_step=8)
    # the first stall of a set says nothing about a drop
    assert load(3.0, repetitions_in_step=0) == load(3.0, repetitions_in_step=8)


def test_the_wish_is_checked() -> None:
    for wrong in (0, 13, "three", True, float("nan")):
        with pytest.raises(BadDocumentError, match="repetitions"):
            RepetitionsWanted.from_parameters({"repetitions": wrong})


@settings(max_examples=200, deadline=None)
@given(
    st.floats(1.0, 12.0),
    st.floats(20.0, 5_000.0),
    st.floats(0.2, 3.0),
    st.floats(0.0, 0.5),
    st.floats(0.0, 0.5),
    st.integers(0, 60),
    st.floats(0.3, 3.0),
)
def test_it_always_proposes_a_load_between_nothing_and_the_load_now(
    repetitions: float, load_n: float, capacity: float, sd: float, loss: float, done: int, scale: float
) -> None:
    view = replace(
        VIEW,
        load_n=load_n,
        capacity_n=load_n * capacity,
        capacity_sd_n=load_n * sd,
        loss_per_repetition=loss,
        repetitions_in_step=done,
    )
    state, proposal = RepetitionsWanted(repetitions).propose(Learned(scale, sized=True), view)
    assert proposal.load_n <= load_n
    assert isinstance(state, Learned)
