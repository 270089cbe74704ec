"""The policy that sizes a drop for repetitions wanted."""

from __future__ import annotations

from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from ebbset.controller.estimation.repetitions_in_reserve import RepetitionForecast
from ebbset.controller.estimation.step_figures import LEAST_OWN, MOST_OWN, STEP_FIGURES, StepFigures
from ebbset.controller.messages.reasons import Reason
from ebbset.controller.policies.checker import check_policy, situations
from ebbset.controller.policies.repetitions_wanted import RepetitionsWanted, StepSurplus
from ebbset.models.contract.problems import BadDocumentError
from ebbset.models.physiology.load_velocity import generic_line

FORECAST = RepetitionForecast(390.0, 0.015, generic_line("bench_press"))
"""As in recordings of before there were figures of steps."""
BY_STEPS = replace(FORECAST, steps=STEP_FIGURES)
VIEW = replace(
    next(iter(situations())),
    reason=Reason.STALL_IN_CONCENTRIC,
    load_n=400.0,
    floor_n=100.0,
    repetitions_in_step=5,
    forecast=FORECAST,
)


def load(repetitions: float, state: StepSurplus | None = None, **changes: object) -> float:
    policy = RepetitionsWanted(repetitions)
    return policy.propose(state or policy.initial(), replace(VIEW, **changes))[1].load_n  # type: ignore[arg-type]


def test_it_keeps_to_what_a_policy_must_keep_to() -> None:
    assert check_policy(RepetitionsWanted) == []
    assert check_policy(RepetitionsWanted, {"repetitions": 8}) == []


def test_more_repetitions_wanted_is_a_larger_drop() -> None:
    loads = [load(n) for n in (1.0, 2.0, 3.0, 6.0)]
    assert loads == sorted(loads, reverse=True)
    assert len(set(loads)) == 4


def test_the_count_at_the_load_is_the_wish_less_what_steps_give_beyond_it() -> None:
    for wish in (2.0, 3.0, 4.0, 8.0):
        counted = FORECAST.repetitions_at(load(wish))
        assert 0.3 + 1.15 * counted == pytest.approx(wish, abs=0.05)


def test_a_costlier_repetition_and_a_weaker_lifter_are_a_larger_drop() -> None:
    assert load(3.0, forecast=replace(FORECAST, cost=0.03)) < load(3.0)
    assert load(3.0, forecast=replace(FORECAST, capacity_n=380.0)) < load(3.0)


def test_with_nothing_known_it_still_drops() -> None:
    assert load(3.0, forecast=None) < load(2.0, forecast=None) < 400.0


def test_who_has_given_in_is_given_a_drop_that_can_be_felt() -> None:
    strong = replace(FORECAST, capacity_n=450.0)
    assert load(1.0, forecast=strong) == pytest.approx(388.0)
    for reason in (Reason.REVERSAL, Reason.FAILED_START):
        assert load(1.0, forecast=strong, reason=reason) == pytest.approx(379.2)


def test_it_learns_from_the_step_before() -> None:
    enough = StepSurplus(sized=True)
    assert load(3.0, enough, repetitions_in_step=0) < load(3.0, enough, repetitions_in_step=3)
    assert load(3.0, enough, repetitions_in_step=3) < load(3.0, enough, repetitions_in_step=8)
    # the first stall of a set says nothing about a drop
    assert load(3.0, repetitions_in_step=0) == load(3.0, repetitions_in_step=8)
    state = enough
    for _ in range(50):
        state, _ = RepetitionsWanted(3.0).propose(state, replace(VIEW, repetitions_in_step=30))
    assert state.surplus == 2.0


def test_by_steps_the_drop_lies_between_what_is_counted_and_what_people_usually_lose() -> None:
    for wish in (1.0, 3.0, 8.0):
        usual = STEP_FIGURES.loss_per_repetition * (wish + STEP_FIGURES.beside)
        counted = 1.0 - FORECAST.load_for(wish) / 400.0
        drop = 1.0 - load(wish, forecast=BY_STEPS) / 400.0
        assert min(usual, counted) < drop < max(usual, counted)
    loads = [load(n, forecast=BY_STEPS) for n in (1.0, 2.0, 3.0, 6.0)]
    assert loads == sorted(loads, reverse=True)
    assert len(set(loads)) == 4


def test_by_steps_nobody_who_has_failed_is_thought_to_need_no_drop() -> None:
    """The estimates of a lifter of another structure may say so at every stall, and then no step has a repetition."""
    strong = replace(BY_STEPS, capacity_n=600.0)
    assert load(3.0, forecast=strong) < 400.0 * (1.0 - 0.4 * STEP_FIGURES.loss_per_repetition * 3.0)
    assert load(3.0, forecast=replace(strong, steps=None)) == pytest.approx(388.0)


def test_by_steps_a_person_s_own_steps_soon_outweigh_what_others_lose() -> None:
    policy, state = RepetitionsWanted(3.0), StepSurplus(sized=True)
    drops = []
    for _ in range(8):
        state, proposal = policy.propose(state, replace(VIEW, forecast=BY_STEPS, repetitions_in_step=0))
        drops.append(1.0 - proposal.load_n / 400.0)
    assert drops[1] > 1.5 * (1.0 - load(3.0, forecast=BY_STEPS) / 400.0)
    assert state.own == MOST_OWN
    for _ in range(8):
        state, proposal = policy.propose(state, replace(VIEW, forecast=BY_STEPS, repetitions_in_step=30))
    assert state.own == LEAST_OWN
    kept, _ = policy.propose(StepSurplus(sized=True, own=1.3), replace(VIEW, forecast=BY_STEPS, repetitions_in_step=3))
    assert kept.own == 1.3
    # the first stall of a set says nothing about a drop
    assert load(3.0, forecast=BY_STEPS, repetitions_in_step=0) == load(3.0, forecast=BY_STEPS, repetitions_in_step=8)


def test_the_wish_is_checked() -> None:
    for wrong in (0, 13, "three", True, float("nan")):
        with pytest.raises(BadDocumentError, match="repetitions"):
            RepetitionsWanted.from_parameters({"repetitions": wrong})


@settings(max_examples=200, deadline=None)
@given(
    st.floats(1.0, 12.0),
    st.floats(20.0, 5_000.0),
    st.floats(0.2, 3.0),
    st.floats(0.002, 0.08),
    st.integers(0, 60),
    st.floats(-2.0, 2.0),
    st.sampled_from([None, STEP_FIGURES]),
)
def test_it_always_proposes_a_load_between_nothing_and_the_load_now(
    repetitions: float,
    load_n: float,
    capacity: float,
    cost: float,
    done: int,
    surplus: float,
    steps: StepFigures | None,
) -> None:
    forecast = replace(FORECAST, capacity_n=load_n * capacity, cost=cost, steps=steps)
    view = replace(VIEW, load_n=load_n, forecast=forecast, repetitions_in_step=done)
    state, proposal = RepetitionsWanted(repetitions).propose(StepSurplus(surplus, sized=True), view)
    assert 0.0 < proposal.load_n < load_n
    assert isinstance(state, StepSurplus)
