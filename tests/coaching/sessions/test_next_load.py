"""Start loads: less after fatigue, less on a weak day, more only beyond doubt, and never outside the bounds."""

from __future__ import annotations

import datetime

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from ebbset.coaching.next_set import loss_after
from ebbset.coaching.sessions.next_load import PastSet, last_of, loss_left, start_load, with_start
from ebbset.coaching.sessions.session_events import DayStrength
from ebbset.models.contract.study_mark import Mark
from ebbset.models.physiology.exercise_muscles import OVERLAP
from tests.support.session_plans import BEGAN_S, row_profile, step, straight_set


def finished(
    exercise: str = "row",
    begun_s: float = 0.0,
    *,
    loss: float | None = 0.4,
    strength_n: tuple[float, float, float] | None = None,
) -> PastSet:
    return PastSet(exercise, 420.0, BEGAN_S + begun_s, BEGAN_S + begun_s + 40.0, strength_n, loss)


ROW = step(1, profile=row_profile(), start_low_n=200.0, start_high_n=500.0)
"""Planned at 420 N for a 1RM of 600 N, from 200 to 500 N."""
AT_S = BEGAN_S + 130.0
"""Ninety seconds after a set that was begun at the beginning."""


def test_a_fresh_lifter_starts_as_planned() -> None:
    found = start_load(ROW, [], AT_S)
    assert found.start_n == 420.0
    assert found.why == "As planned, 42.8 kg."


def test_fatigue_left_takes_its_share_and_is_told() -> None:
    found = start_load(ROW, [finished()], AT_S)
    least, most = loss_after(0.4, 90.0)
    assert found.start_n == pytest.approx(420.0 * (1.0 - (least + most) / 2.0), abs=0.06)
    assert "is still lost to the sets before" in found.why


def test_an_exercise_that_shares_muscles_leaves_the_shared_part_and_another_leaves_nothing() -> None:
    least, most = loss_left("curl", [finished("row")], AT_S)
    whole = loss_left("row", [finished("row")], AT_S)
    share = OVERLAP["row", "curl"]
    assert (least, most) == pytest.approx((share * whole[0], share * whole[1]))
    assert loss_left("leg_press", [finished("row")], AT_S) == (0.0, 0.0)


def test_a_weak_day_lowers_the_load_to_what_it_says() -> None:
    weak = finished(loss=0.0, strength_n=(500.0, 540.0, 580.0))
    found = start_load(ROW, [weak], AT_S)
    assert found.start_n == pytest.approx(420.0 * 0.9)
    assert "today's estimate of the 1RM is 55.1 kg (51.0 to 59.1 kg)" in found.why.replace(" kg to", " to")


def test_a_strong_day_raises_the_load_only_as_far_as_its_low_end() -> None:
    strong = finished(loss=0.0, strength_n=(630.0, 690.0, 750.0))
    assert start_load(ROW, [strong], AT_S).start_n == pytest.approx(420.0 * 630.0 / 600.0)


def test_a_day_that_the_profile_explains_changes_nothing() -> None:
    assert start_load(ROW, [finished(loss=0.0, strength_n=(550.0, 580.0, 640.0))], AT_S).start_n == 420.0


def test_the_estimate_of_the_freshest_set_counts_since_a_later_one_takes_tired_for_fresh() -> None:
    first = finished(loss=0.4, strength_n=(560.0, 600.0, 640.0))
    second = finished(begun_s=70.0, loss=0.3, strength_n=(420.0, 450.0, 480.0))
    assert "of the profile" not in start_load(ROW, [first, second], BEGAN_S + 1_000.0).why


def test_an_earlier_session_counts_if_the_profile_is_older_and_today_has_shown_nothing() -> None:
    when = datetime.datetime.fromtimestamp(BEGAN_S, datetime.UTC).date() - datetime.timedelta(days=2)
    known = DayStrength(exercise="row", date=when, one_rm_n=500.0, one_rm_low_n=480.0, one_rm_high_n=520.0)
    assert start_load(ROW, [], AT_S, last=known).start_n == pytest.approx(420.0 * 500.0 / 600.0)
    today = finished(loss=0.0, strength_n=(570.0, 600.0, 640.0))
    assert start_load(ROW, [today], AT_S, last=known).start_n == 420.0
    newer = ROW.model_copy(update={"profile": row_profile(date=when)})
    assert start_load(newer, [], AT_S, last=known).start_n == 420.0


def test_without_bounds_of_the_coach_the_planned_load_is_the_ceiling() -> None:
    strong = finished(loss=0.0, strength_n=(630.0, 690.0, 750.0))
    found = start_load(step(1, profile=row_profile()), [strong], AT_S)
    assert found.start_n == 420.0
    assert "the most that is allowed" in found.why


def test_a_session_of_a_study_keeps_its_load() -> None:
    mark = Mark(study="0" * 64, participant="p1", period=1, hide=frozenset()).text()
    studied = step(1, profile=row_profile(), prescription=straight_set(notes=mark))
    found = start_load(studied, [finished()], AT_S)
    assert found.start_n == 420.0
    assert "a study keeps its loads" in found.why


sets = st.builds(
    lambda exercise, loss, low, more: (exercise, loss, (low, low + more, low + 2 * more)),
    st.sampled_from(["row", "curl", "leg_press", "log_lift"]),
    st.none() | st.floats(0.0, 1.0),
    st.floats(50.0, 2_000.0),
    st.floats(0.0, 300.0),
)


@settings(max_examples=200, deadline=None)
@given(
    st.lists(sets, max_size=6),
    st.floats(160.0, 400.0),
    st.floats(0.0, 400.0),
    st.none() | st.tuples(st.floats(1.0, 200.0), st.floats(200.0, 900.0)),
)
def test_whatever_came_before_the_load_stays_within_all_bounds(
    before: list[tuple[str, float | None, tuple[float, float, float]]],
    low_n: float,
    more_n: float,
    rig_n: tuple[float, float] | None,
) -> None:
    one = step(1, profile=row_profile(), start_low_n=low_n, start_high_n=low_n + more_n)
    done = [
        finished(exercise, 100.0 * k, loss=loss, strength_n=strength)
        for k, (exercise, loss, strength) in enumerate(before)
    ]
    found = start_load(one, done, BEGAN_S + 100.0 * len(done) + 30.0, rig_n=rig_n)
    assert found.start_n <= one.bounds_n[1] + 0.05
    if rig_n is not None:
        assert found.start_n <= rig_n[1] + 0.05
    else:
        assert found.start_n >= low_n - 0.05
    made = with_start(one.prescription, found.start_n)
    assert made.load.floor_n >= one.prescription.load.floor_n


def test_moving_the_start_moves_every_load_but_none_under_the_floor() -> None:
    order = straight_set(bouts=[{"on_stall": "end"}, {"rest_before_s": 20.0, "load_n": 160.0}])
    down = with_start(order, 300.0)
    assert (down.load.start_n, down.load.floor_n, down.bouts[1].load_n) == (300.0, 150.0, 150.0)
    up = with_start(order, 462.0)
    assert (up.load.start_n, up.load.floor_n, up.bouts[1].load_n) == (462.0, 165.0, 176.0)
    assert with_start(order, 420.0) is order


def test_the_newest_of_what_is_known_counts() -> None:
    days = [
        DayStrength(exercise="row", date=datetime.date(2026, 11, d), one_rm_n=1, one_rm_low_n=1, one_rm_high_n=1)
        for d in (3, 9, 5)
    ]
    assert last_of("row", days) == days[1]
    assert last_of("curl", days) is None
