"""An observation holds a policy's whole view, and rewards count what the simulator knows to have happened."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from ebbset.controller.messages.reasons import Reason
from ebbset.controller.policies.checker import situations
from ebbset.controller.policies.policy import DropView
from ebbset.simulators.environment import observations, rewards
from ebbset.simulators.environment.observations import HIGH, LOW, NAMES, observation_of, view_of
from ebbset.simulators.environment.rewards import REWARDS, Stretch, central_draws, done_in
from ebbset.simulators.plant.truth import RepetitionTruth

PAGE = Path(__file__).parents[3] / "docs" / "environment.md"
VIEWS = [view for view in situations() if view.start_n <= 5_000.0]  # the greatest load of the contract


def test_the_tables_on_the_page_are_made_from_the_code() -> None:
    text = PAGE.read_text()
    assert observations.as_markdown() in text
    assert rewards.as_markdown() in text
    assert f"`Box({len(NAMES)})`, 64-bit: exactly what a drop policy sees" in text


@pytest.mark.parametrize("number", range(0, len(VIEWS), 7))
def test_an_observation_gives_the_same_view_again(number: int) -> None:
    view = VIEWS[number]
    observation = observation_of(view)
    assert observation.shape == (len(NAMES),)
    assert ((observation >= LOW) & (observation <= HIGH)).all()
    again = view_of(observation)
    assert replace(again, forecast=None) == replace(view, forecast=None)
    assert (again.forecast is None) == (view.forecast is None)
    if view.forecast is not None and again.forecast is not None:
        loads_n = [part * view.load_n for part in (0.3, 0.7, 0.95)]
        assert [again.forecast.repetitions_at(n) for n in loads_n] == [view.forecast.repetitions_at(n) for n in loads_n]
        assert again.forecast.load_for(3.0) == view.forecast.load_for(3.0)


def test_every_field_of_a_view_is_in_an_observation() -> None:
    told = {name.removesuffix("_known") for name in NAMES}
    fields = set(DropView.__dataclass_fields__) - {"reason", "forecast"}
    assert fields <= told
    assert {f"reason_{reason.value}" for reason in observations.REASONS} <= told


def test_what_cannot_be_an_observation_is_refused() -> None:
    with pytest.raises(ValueError, match="reason is reported_failure; allowed: stall_in_concentric"):
        observation_of(replace(VIEWS[0], reason=Reason.REPORTED_FAILURE))
    with pytest.raises(ValueError, match=r"observation has shape \(3,\); allowed"):
        view_of(np.zeros(3))
    with pytest.raises(ValueError, match="names 0 kinds of stall; allowed: one"):
        view_of(np.zeros(len(NAMES)))


def attempt(start_s: float, capacity: float, *, completed: bool = True) -> RepetitionTruth:
    return RepetitionTruth(
        start_s=start_s,
        end_s=start_s + 1.0,
        start_m=0.1,
        end_m=0.6,
        mean_velocity_m_s=0.5,
        propulsive_velocity_m_s=0.5,
        peak_velocity_m_s=0.6,
        min_velocity_m_s=0.3,
        min_at_share=0.4,
        completed=completed,
        load_n=300.0,
        capacity=capacity,
    )


STRETCH = Stretch(
    attempts=(attempt(9.0, 0.80), attempt(12.0, 0.75), attempt(15.0, 0.70), attempt(18.0, 0.66, completed=False)),
    began_s=10.0,
    ended_s=22.0,
    at_stall=True,
    fatigue=0.15,
    load_n=300.0,
    one_rm_n=430.0,
    budget=0.22,
)


def test_reserve_is_counted_back_from_the_stall_and_fatigue_is_that_before_each_attempt() -> None:
    done = done_in(STRETCH)
    # The first began before the drop that helped it, and the last failed: both were at failure.
    assert done.reserve.tolist() == [0.0, 1.0, 0.0, 0.0]
    assert done.fatigue == pytest.approx([0.15, 0.20, 0.25, 0.30])
    assert done.completed.tolist() == [True, True, True, False]


def test_reserve_after_another_end_is_what_capacity_still_allows() -> None:
    done = done_in(replace(STRETCH, attempts=STRETCH.attempts[1:3], at_stall=False, load_n=172.0))
    # From 0.85 to 0.70 in two attempts costs 0.075 each; at 172 N of 430 N, 0.40 of the fresh capacity is needed.
    assert done.reserve == pytest.approx([(0.75 - 0.40) / 0.075, (0.70 - 0.40) / 0.075])


def test_worth_falls_with_reserve_and_fatigue_and_stops_counting_at_the_budget() -> None:
    value = {name: reward.of(STRETCH, 3.0) for name, reward in REWARDS.items()}
    assert 0.0 < value["worth_within_budget"] < value["worth"] < len(STRETCH.attempts)
    assert REWARDS["worth_within_budget"].of(replace(STRETCH, budget=None), 3.0) == value["worth"]
    fresher = replace(STRETCH, attempts=tuple(replace(one, capacity=one.capacity + 0.1) for one in STRETCH.attempts))
    assert REWARDS["worth"].of(fresher, 3.0) > value["worth"]
    short = replace(STRETCH, attempts=STRETCH.attempts[:2])
    assert REWARDS["worth"].of(short, 3.0) < value["worth"]
    assert value["time"] == -0.2
    assert value["repetitions_wanted"] == 0.0


def test_too_few_repetitions_count_against_the_wish_only_at_a_stall() -> None:
    wanted = REWARDS["repetitions_wanted"].of
    assert wanted(STRETCH, 5.0) == -2.0
    assert wanted(STRETCH, 1.0) == -2.0
    assert wanted(replace(STRETCH, at_stall=False), 5.0) == 0.0
    assert wanted(replace(STRETCH, at_stall=False), 1.0) == -2.0


def test_the_trials_leave_little_weight_to_a_strong_discount_for_fatigue() -> None:
    draws, weights = central_draws()
    assert weights.sum() == pytest.approx(1.0)
    # docs/worth.md: median exponent 0.51 after the trials, of a prior uniform from 0 to 3.
    assert 0.3 < float(weights @ draws.fatigue_exponent) < 1.0


def test_a_stretch_without_an_attempt_is_worth_nothing() -> None:
    empty = replace(STRETCH, attempts=())
    assert REWARDS["worth"].of(empty, 3.0) == 0.0
    assert REWARDS["worth_within_budget"].of(empty, 3.0) == 0.0
