"""Plans of sessions: every limit that was asked for is in what is written, fatigue is carried, drops are placed."""

from __future__ import annotations

import datetime
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from ebbset.coaching.assumptions import report_draws
from ebbset.coaching.sessions.session_drops import DropsCompared
from ebbset.coaching.sessions.session_events import DayStrength
from ebbset.coaching.sessions.session_file import SessionExercise, SessionFile, SessionLimits
from ebbset.coaching.sessions.session_options import ExerciseOption, dropping_first, options, with_last_session
from ebbset.coaching.sessions.session_plan import (
    PlannedSession,
    SessionTwins,
    plan_session,
    planned_file,
)
from ebbset.coaching.sessions.session_reasons import reasons
from ebbset.coaching.sessions.session_steps import SessionPlanFile
from ebbset.coaching.sessions.session_trial import SessionTrial, run_routes, tire
from ebbset.models.contract.profile import LifterProfile, Uncertain
from ebbset.models.physiology.exercise_muscles import OVERLAP
from ebbset.models.physiology.weekly_dose import SET_ADVANTAGE, added_at_most, bounded
from ebbset.simulators.lifter.exercises import exercise
from ebbset.simulators.plant.plant import Plant
from ebbset.simulators.plant.rig_parameters import RigParameters
from ebbset.simulators.population.twin import draw_twins
from ebbset.simulators.rig.simulated_rig import STEP_S
from tests.coaching.sessions.test_session_files import holds, limits
from tests.support.session_plans import BEGAN_S, row_profile, straight_set

RIG = RigParameters()
ONE_RM_N = {"row": 600.0, "curl": 260.0, "bench_press": 620.0}


def profile(name: str) -> LifterProfile:
    return row_profile(exercise=name, one_rm_n=Uncertain(mean=ONE_RM_N[name], sd=0.03 * ONE_RM_N[name]))


def session(*exercises: dict[str, Any], **changes: Any) -> SessionFile:
    base = {"wish": "worth", "profile": "p.toml", "may_shorten": True}
    made = [SessionExercise.model_validate(base | one) for one in exercises]
    return SessionFile.model_validate(
        {"name": "Tuesday", "lifter": "a7", "minutes": 8.0, "exercises": tuple(made), **changes}
    )


def all_options(of: SessionFile) -> list[list[ExerciseOption]]:
    return [options(of, k, profile(one.exercise), RIG) for k, one in enumerate(of.exercises)]


@settings(max_examples=60, deadline=None)
@given(
    limits,
    st.sampled_from(["straight", "rest_pause", "drops", "worth"]),
    st.none() | st.floats(150.0, 300.0),
    st.none() | st.floats(301.0, 600.0),
    st.integers(1, 4),
    st.booleans(),
    st.floats(10.0, 300.0),
)
def test_whatever_may_be_planned_contains_every_limit_that_was_asked_for(
    asked: SessionLimits,
    wish: str,
    low_n: float | None,
    high_n: float | None,
    sets: int,
    shorten: bool,
    rest_s: float,
) -> None:
    if asked.floor is not None and high_n is not None and asked.floor > high_n:
        high_n = None
    one = {
        "exercise": "row",
        "wish": wish,
        "limits": asked,
        "start_low": low_n,
        "start_high": high_n,
        "sets": sets,
        "rest_s": rest_s,
        "may_shorten": shorten,
    }
    of = session(one)
    (every,) = all_options(of)
    found = [option for option in every if option.wished]
    assert found
    # What nobody wished for is only run to be compared with, and keeps the limits all the same.
    assert all(holds(step.prescription, asked) for option in every for step in option.steps)
    for option in found:
        straight = [step for step in option.steps if len(step.prescription.bouts) == 1]
        assert len(option.steps) <= sets
        for place, step in enumerate(option.steps):
            assert holds(step.prescription, asked)
            assert high_n is None or step.prescription.load.start_n <= high_n + 0.06
            assert (step.start_low_n, step.start_high_n) == (low_n, high_n)
            if place and not shorten:
                assert step.rest_before_s == rest_s
            assert step.rest_before_s >= min(rest_s, 0.5 * rest_s) - 1e-9 or not place
        if wish == "straight":
            assert len(straight) == len(option.steps)
            assert shorten or len(option.steps) == sets
        # What is written is what was planned: it can be read again with every limit in it.
        text = SessionPlanFile(name="n", lifter="a7", minutes=8.0, steps=option.steps).to_toml()
        assert all(holds(step.prescription, asked) for step in SessionPlanFile.from_toml(text).steps)


def test_a_prescription_that_is_given_is_done_as_it_stands_within_the_limits() -> None:
    of = session({"exercise": "row", "wish": None, "prescription": "x.toml", "may_shorten": False, "sets": 2})
    given_set = straight_set(limit_s=77.0)
    (only,) = options(of, 0, profile("row"), RIG, prescription=given_set)
    assert [step.prescription for step in only.steps] == [given_set, given_set]


def test_an_exercise_that_may_be_left_out_has_that_way_too_and_another_one_never() -> None:
    assert all_options(session({"exercise": "row", "may_leave_out": True}))[0][-1].steps == ()
    assert all(option.steps for option in all_options(session({"exercise": "row"}))[0])


def test_bounds_that_no_set_can_keep_are_told() -> None:
    of = session({"exercise": "row", "wish": None, "prescription": "x.toml", "start_high": 100.0})
    with pytest.raises(ValueError, match=r"start_high is 10.2 kg; allowed: at least the floor load, 15.3 kg"):
        options(of, 0, profile("row"), RIG, prescription=straight_set())


def test_dropping_first_does_the_same_sets_in_another_order() -> None:
    finisher = next(o for o in all_options(session({"exercise": "row"}))[0] if o.key == "finisher-3")
    first = dropping_first(finisher)
    assert [s.prescription for s in first.steps] == [finisher.steps[k].prescription for k in (2, 0, 1)]
    assert [s.rest_before_s for s in first.steps] == [s.rest_before_s for s in finisher.steps]


def test_the_profile_learns_from_the_last_session_only_beyond_doubt() -> None:
    today = datetime.date(2026, 11, 26)
    strong = DayStrength(
        exercise="row", date=datetime.date(2026, 11, 24), one_rm_n=660.0, one_rm_low_n=645.0, one_rm_high_n=675.0
    )
    newer, said = with_last_session(profile("row"), strong, today)
    assert newer.one_rm_n is not None
    assert (newer.one_rm_n.mean, newer.date) == (660.0, strong.date)
    assert "showed a 1RM of 67.3 kg" in said
    vague = strong.model_copy(update={"one_rm_low_n": 560.0, "one_rm_high_n": 760.0})
    assert with_last_session(profile("row"), vague, today) == (profile("row"), "")
    older = strong.model_copy(update={"date": datetime.date(2026, 10, 1)})
    assert with_last_session(profile("row"), older, today) == (profile("row"), "")
    assert with_last_session(profile("row"), None, today) == (profile("row"), "")


def test_the_weekly_dose_bounds_what_more_sets_add() -> None:
    """Interval from P = 0.002 of the published slope, checked against the normal distribution by hand."""
    assert SET_ADVANTAGE.low == pytest.approx(0.0084, abs=1e-4)
    assert SET_ADVANTAGE.high == pytest.approx(0.0376, abs=1e-4)
    assert added_at_most(2.0) == pytest.approx(2 * 0.0376 / 0.266, rel=1e-3)
    assert added_at_most(7.0) < 1.0
    first, stimulus = np.array([10.0, 10.0, 10.0]), np.array([8.0, 10.0, 30.0])
    assert bounded(stimulus, first, 2.0).tolist() == pytest.approx([8.0, 10.0, 10.0 + 20.0 * added_at_most(2.0)])


@pytest.mark.parametrize("model", ["3cc_r", "critical_force"])
def test_what_another_exercise_costs_is_taken_and_recovers(model: Any) -> None:
    lifter = exercise("curl").mean_lifter(model)
    plant = Plant(RIG, lifter, np.random.default_rng(1), STEP_S)
    tire(plant, 0.3)
    assert plant.capacity == pytest.approx(0.7, abs=0.01)
    tire(plant, 0.3)
    assert plant.capacity == pytest.approx(0.49, abs=0.01)
    plant.rest(120.0)
    assert plant.capacity > 0.6


@pytest.fixture(scope="module")
def bodies() -> dict[str, list[Any]]:
    return {name: draw_twins(profile(name), RIG, 3, 2) for name in ("row", "curl")}


def trial(bodies: dict[str, list[Any]], *routes: Any) -> list[Any]:
    numbered = tuple(
        tuple(
            step.model_copy(update={"step": k + 1, "rest_before_s": step.rest_before_s if k else 0.0})
            for k, step in enumerate(route)
        )
        for route in routes
    )
    return run_routes(SessionTrial(numbered, tuple((name, of[0]) for name, of in bodies.items()), RIG, 3, 0, BEGAN_S))


def test_fatigue_goes_with_shared_muscles_and_sessions_that_begin_alike_agree(bodies: dict[str, list[Any]]) -> None:
    of = session({"exercise": "row"}, {"exercise": "curl"})
    row, curl = (found[0].steps for found in all_options(of))
    alone, after, before, again = trial(bodies, curl, row + curl, curl + row, row + curl + curl)
    assert OVERLAP["row", "curl"] > 0.0
    # The same muscles are tired, so that the later exercise starts lighter.
    assert after[1].start_n < alone[0].start_n
    assert before[0] == alone[0]
    assert again[:2] == after
    assert after[1].done.fatigue[0] > alone[0].done.fatigue[0]
    assert all(one.breaches == 0 for one in again)


@pytest.fixture(scope="module")
def planned(bodies: dict[str, list[Any]]) -> tuple[SessionFile, PlannedSession]:
    of = session(
        {"exercise": "row", "sets": 2, "limits": {"fatigue_left": 0.6, "max_repetitions": 25}},
        {"exercise": "curl", "sets": 1, "may_leave_out": True},
        minutes=6.0,
        any_order=True,
    )
    twins = SessionTwins(bodies, RIG, 3, BEGAN_S)
    return of, plan_session(of, all_options(of), twins, report_draws(100))


def test_a_session_is_planned_within_its_minutes_and_written_as_a_plan(
    planned: tuple[SessionFile, PlannedSession],
) -> None:
    of, found = planned
    chosen = found.plan.suggestion
    assert chosen is not None
    assert all(one.minutes.middle <= 6.0 for one in found.plan.level)
    assert all(one.breaches == 0 for one in found.plan.judged)
    made = planned_file(of, chosen, list(reasons(found)))
    assert SessionPlanFile.from_toml(made.to_toml()) == made
    for step in made.steps:
        assert step.expected_s is not None
        if step.exercise == "row":
            assert holds(step.prescription, of.exercises[0].limits)
    whole_s = sum((step.expected_s or 0.0) + step.rest_before_s for step in made.steps)
    assert whole_s == pytest.approx(60.0 * chosen.minutes.middle, abs=20.0)


def test_the_plan_says_where_drops_belong_what_drives_the_doubt_and_what_bounds_it(
    planned: tuple[SessionFile, PlannedSession],
) -> None:
    _, found = planned
    said = list(reasons(found))
    assert found.drops
    assert any("a set that keeps dropping" in one and "belong" in one for one in said)
    assert any("one set that keeps dropping takes" in one for one in said)
    assert "10.1080/02640414.2016.1210197" in said[-1]
    if len(found.plan.level) > 1:
        assert any("What drives the doubt" in one for one in said)


@pytest.mark.parametrize(
    ("ahead", "gain", "says"),
    [(0.95, 0.1, "belongs there. Against"), (0.05, -0.1, "does not belong there"), (0.5, 0.01, "cannot be told")],
)
def test_the_verdict_on_drops_follows_the_pairs(
    planned: tuple[SessionFile, PlannedSession], ahead: float, gain: float, says: str
) -> None:
    one = DropsCompared("row", "last", followed=True, ahead=ahead, gain=gain, others=-0.2, minutes=0.5)
    said = list(reasons(replace(planned[1], drops=(one,))))
    sentence = next(text for text in said if text.startswith("Row, the last set"))
    assert says in sentence
    assert "with 20% less for the other exercises" in sentence


def test_where_drops_belong_is_told_also_where_nobody_wished_for_them(bodies: dict[str, list[Any]]) -> None:
    of = session({"exercise": "row", "wish": "straight", "sets": 2}, {"exercise": "curl", "wish": "drops", "sets": 1})
    found = plan_session(of, all_options(of), SessionTwins(bodies, RIG, 3, BEGAN_S), report_draws(50))
    assert {one.exercise for one in found.drops} == {"row", "curl"}
    assert all(way.wished for one in found.plan.judged for way in one.ways)
    chosen = found.plan.suggestion
    assert chosen is not None
    assert all(step.prescription.bouts[0].on_stall == "end" for step in chosen.steps if step.exercise == "row")


def test_nothing_fits_is_told_and_not_hidden(bodies: dict[str, list[Any]]) -> None:
    of = session({"exercise": "row", "may_shorten": False, "wish": "straight", "sets": 2}, minutes=1.0)
    twins = SessionTwins({"row": bodies["row"][:1]}, RIG, 3, BEGAN_S)
    found = plan_session(of, all_options(of), twins, report_draws(50))
    assert found.plan.suggestion is None
    assert "1 are available" in found.plan.judged[0].obstacles[0]
