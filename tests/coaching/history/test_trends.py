"""Trends: what the rows of a lifter come to, and that a change is told only beyond the error of measurement."""

from __future__ import annotations

import datetime
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from ebbset.coaching.history.adherence import session_adherence
from ebbset.coaching.history.rows.history_rows import SessionRow, SessionSetRow, SessionStepRow, SetRow
from ebbset.coaching.history.trends import (
    RECENT_DAYS,
    SMALLEST_WORTHWHILE,
    Change,
    lifter_history,
    muscle_weeks,
    profile_changes,
    profile_states,
    strength_by_exercise,
    strength_changes,
)
from ebbset.coaching.profile_update import DAY_CV, STALE_AFTER_DAYS
from ebbset.models.contract.constants import Z_INTERVAL
from ebbset.models.contract.profile import Uncertain
from ebbset.models.physiology.exercise_muscles import EXERCISE_MUSCLES
from tests.support.history_site import person

MONDAY = datetime.datetime(2026, 10, 5, 18, tzinfo=datetime.UTC)
TODAY = MONDAY.date() + datetime.timedelta(days=60)


def a_set(day: float, one_rm_n: float | None = 500.0, sd_n: float = 10.0, **changes: Any) -> SetRow:
    ends = (None, None) if one_rm_n is None else (one_rm_n - Z_INTERVAL * sd_n, one_rm_n + Z_INTERVAL * sd_n)
    base: dict[str, Any] = {
        "nonce": f"nonce-{day}",
        "recording": "r.mcap",
        "lifter": "a7",
        "exercise": "row",
        "rig": "north",
        "prescription": "Row",
        "units": "kg",
        "begun_at": MONDAY + datetime.timedelta(days=day),
        "duration_s": 40.0,
        "cables": 1,
        "start_load_n": 400.0,
        "final_load_n": 200.0,
        "repetitions": 10.0,
        "hard_fresh": 4.0,
        "hard_in_fatigue": 6.0,
        "drops": 2,
        "bouts": 1,
        "reason": "floor_failed",
        "ended_because": "The lifter stalled at the floor load.",
        "one_rm_n": one_rm_n,
        "one_rm_low_n": ends[0],
        "one_rm_high_n": ends[1],
        "budget_spent": 0.4,
        "profile_doubted": False,
        "simulated": False,
        "blinded": False,
    }
    return SetRow(**{**base, **changes})


def test_the_freshest_set_of_a_day_stands_for_the_day() -> None:
    """A set begun in fatigue shows less, however sure it is of it."""
    tired = a_set(0.001, 440.0, 8.0)
    rows = [tired, a_set(0, 500.0, 20.0), a_set(3, 510.0), a_set(4, None), a_set(9, begun_at=None)]
    days = strength_by_exercise(rows)
    assert list(days) == ["row"]
    first, second = days["row"]
    assert (first.one_rm_n, first.sets, first.date) == (500.0, 2, MONDAY.date())
    assert first.sd_n == pytest.approx(20.0)
    assert (second.one_rm_n, second.sets) == (510.0, 1)
    assert second.date == MONDAY.date() + datetime.timedelta(days=3)


def test_what_another_exercise_cost_is_added_back() -> None:
    alone = strength_by_exercise([a_set(0.002, 250.0, exercise="curl")])["curl"][0]
    after = strength_by_exercise([a_set(0), a_set(0.002, 250.0, exercise="curl")])
    assert list(after) == ["curl", "row"]
    assert after["curl"][0].one_rm_n > alone.one_rm_n == 250.0
    assert after["curl"][0].sd_n > alone.sd_n


def test_a_tired_set_does_not_make_a_profile_stale() -> None:
    made = person("a7", date=MONDAY.date())
    fresh, tired = a_set(1), a_set(1.001, profile_doubted=True)
    (state,) = profile_states([fresh, tired], [made], TODAY)
    assert state.stale_because is None
    (state,) = profile_states([replace(fresh, profile_doubted=True), tired], [made], TODAY)
    assert state.stale_because == "its 1RM does not fit the freshest set of the newest day"


def test_hard_repetitions_count_with_the_share_of_each_muscle_in_the_week_of_their_day() -> None:
    rows = [a_set(0), a_set(6.0), a_set(6.5), a_set(1, exercise="curl", hard_fresh=2.0, hard_in_fatigue=0.0)]
    weeks = {(week.monday, week.muscle): (week.fresh, week.in_fatigue) for week in muscle_weeks(rows)}
    first, second = MONDAY.date(), MONDAY.date() + datetime.timedelta(days=7)
    assert weeks[first, "latissimus"] == (8.0, 12.0)
    assert weeks[first, "biceps"] == (0.5 * 8.0 + 2.0, 6.0)
    # Sunday evening at 18 h is still this week; half a day later it is the next.
    assert weeks[second, "latissimus"] == (4.0, 6.0)
    assert muscle_weeks([a_set(0, exercise="band_row"), a_set(0, begun_at=None)]) == ()


@given(st.lists(st.tuples(st.integers(0, 80), st.sampled_from(sorted(EXERCISE_MUSCLES))), max_size=20))
def test_no_hard_repetition_is_lost_or_counted_twice(sets: list[tuple[int, str]]) -> None:
    rows = [a_set(day, exercise=exercise) for day, exercise in sets]
    total = sum(week.total for week in muscle_weeks(rows))
    assert total == pytest.approx(sum(10.0 * sum(EXERCISE_MUSCLES[exercise].values()) for _, exercise in sets))


def test_a_change_is_told_beyond_the_error_only() -> None:
    days = strength_by_exercise([a_set(0, 500.0), a_set(28, 535.0)])
    (change,) = strength_changes(days)
    day_sds = DAY_CV * np.array([500.0, 535.0])
    assert change.error == pytest.approx(1.959964 * np.sqrt(10.0**2 * 2 + np.sum(day_sds**2)))
    assert (change.before, change.after) == pytest.approx((500.0, 535.0))
    assert not change.beyond_error
    assert change.verdict == "within the error"
    (change,) = strength_changes(strength_by_exercise([a_set(0, 500.0), a_set(28, 560.0)]))
    assert change.beyond_error
    assert change.verdict == "more, beyond the error; worthwhile"
    (change,) = strength_changes(strength_by_exercise([a_set(0, 500.0), a_set(28, 440.0)]))
    assert change.verdict == "less, beyond the error; worthwhile"


@pytest.mark.parametrize(
    ("share", "words"), [(0.01, "too little"), (0.03, "may be worthwhile"), (0.05, "; worthwhile")]
)
def test_a_change_that_is_sure_may_still_be_too_small_to_matter(share: float, words: str) -> None:
    assert SMALLEST_WORTHWHILE == (0.02, 0.04)
    day = MONDAY.date()
    change = Change(
        exercise="row", figure="one_rm_n", since=day, until=day, before=500.0, after=500.0 * (1 + share), error=1.0
    )
    assert words in change.verdict


def test_days_at_both_ends_are_taken_together_but_no_surer_than_their_shared_error() -> None:
    """The day's variation averages out; that of estimates which share a profile does not."""
    rows = [a_set(day, 500.0) for day in (0, 4, 8, 12)] + [a_set(day, 560.0) for day in (40, 44, 48, 52)]
    change = strength_changes(strength_by_exercise(rows))[0]
    assert change.error == pytest.approx(
        1.959964 * np.sqrt(2 * 10.0**2 + DAY_CV**2 * (500.0**2 + 560.0**2) / 4.0), rel=1e-6
    )


def test_a_long_history_tells_the_whole_time_and_the_recent_one() -> None:
    rows = [a_set(7 * week, 450.0 + 2 * week) for week in range(20)]
    whole, recent = strength_changes(strength_by_exercise(rows))
    assert (whole.until - whole.since).days == 7 * 19
    assert (recent.until - recent.since).days == RECENT_DAYS
    assert strength_changes(strength_by_exercise(rows[:1])) == ()


def test_of_lifters_who_do_not_change_few_are_said_to() -> None:
    """A lifter whose days differ as published, estimated with an error as stated: at most one in twenty."""
    rng, told = np.random.default_rng(3), 0
    for _ in range(400):
        days = [0, 3, 7, 10, 30, 33, 37, 40]
        true = 500.0 * (1.0 + DAY_CV * rng.standard_normal(len(days)))
        rows = [a_set(day, n + 12.0 * rng.standard_normal(), 12.0) for day, n in zip(days, true, strict=True)]
        told += strength_changes(strength_by_exercise(rows))[0].beyond_error
    assert told <= 0.05 * 400


def test_a_gain_that_is_well_beyond_the_error_is_seen() -> None:
    rng, told = np.random.default_rng(4), 0
    for _ in range(100):
        days = np.array([0, 3, 7, 10, 30, 33, 37, 40])
        true = 500.0 * (1.0 + 0.15 * days / 40.0) * (1.0 + DAY_CV * rng.standard_normal(len(days)))
        rows = [a_set(int(d), n + 12.0 * rng.standard_normal(), 12.0) for d, n in zip(days, true, strict=True)]
        told += strength_changes(strength_by_exercise(rows))[0].verdict.startswith("more, beyond the error")
    assert told >= 80


def test_figures_of_a_profile_change_beyond_their_own_error() -> None:
    first = person("a7", date=datetime.date(2026, 8, 1))
    last = person(
        "a7",
        date=datetime.date(2026, 10, 1),
        velocity_at_zero_m_s=Uncertain(mean=2.3, sd=0.1),
        rom_m=Uncertain(mean=0.51, sd=0.02),
    )
    found = {change.figure: change for change in profile_changes([first, last])}
    assert found["velocity_at_zero_m_s"].verdict == "more, beyond the error"
    assert found["rom_m"].verdict == found["velocity_at_1rm_m_s"].verdict == "within the error"
    assert profile_changes([first]) == ()


def test_a_stale_profile_is_told_with_the_reason() -> None:
    def states(days_old: int, *rows: SetRow) -> dict[str, str | None]:
        profile = person("a7", date=TODAY - datetime.timedelta(days=days_old))
        return {one.exercise: one.stale_because for one in profile_states(rows, [profile], TODAY)}

    doubted = a_set(55, profile_doubted=True)
    assert states(STALE_AFTER_DAYS) == {"row": None}
    assert states(STALE_AFTER_DAYS + 1) == {"row": f"{STALE_AFTER_DAYS + 1} days old, stale after {STALE_AFTER_DAYS}"}
    assert states(10, doubted) == {"row": "its 1RM does not fit the freshest set of the newest day"}
    assert states(10, doubted, a_set(56)) == {"row": None}
    assert states(2, doubted) == {"row": None}, "the profile is newer than the set"
    assert states(2, a_set(1, exercise="curl")) == {"curl": "there is none", "row": None}


def test_adherence_counts_what_became_of_each_step() -> None:
    def step(number: int, state: str, *sets: SessionSetRow) -> SessionStepRow:
        return SessionStepRow(
            step=number,
            exercise="row",
            rig="north",
            title="Row",
            state=state,
            rest_before_s=90.0,
            planned_start_n=400.0,
            sets=sets,
        )

    def done(rested_s: float | None, start_n: float = 400.0) -> SessionSetRow:
        return SessionSetRow(nonce="n", start_load_n=start_n, rested_s=rested_s, reason="stall")

    found = session_adherence(
        SessionRow(
            session="key",
            name="tuesday",
            lifter="a7",
            minutes=12.0,
            begun_at=MONDAY,
            ended_at=MONDAY + datetime.timedelta(minutes=9),
            ended_because=None,
            steps=(
                step(1, "done", done(None)),
                step(2, "done", done(85.0, 390.0), done(60.0, 401.0)),
                step(3, "skipped"),
                step(4, "left out"),
                step(5, "to do"),
            ),
        )
    )
    assert (found.planned, found.done, found.skipped, found.left_out, found.not_reached) == (5, 2, 1, 1, 1)
    assert (found.shortened_rests, found.other_loads) == (1, 1)
    assert (found.minutes, found.minutes_used, found.ended_because) == (12.0, 9.0, None)


def test_a_history_says_what_it_leaves_out() -> None:
    rows = [a_set(0, begun_at=None), a_set(1, exercise="band_row", simulated=True), a_set(2, units="lb")]
    history = lifter_history("a7", rows, [], TODAY, blinded=3)
    assert (history.sets, history.undated, history.simulated, history.blinded) == (3, 1, 1, 3)
    assert history.uncounted == ("band_row",)
    assert history.units == "lb"
    empty = lifter_history("a7", [], [], TODAY)
    assert (empty.sets, empty.strength, empty.changes, empty.profiles) == (0, {}, (), ())
