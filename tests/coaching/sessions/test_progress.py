"""Progress: any journal can be picked up anywhere, no set that is offered outlasts the minutes, no step is lost."""

from __future__ import annotations

from itertools import count
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from ebbset.coaching.sessions.progress import START_ALLOWANCE_S, SessionProgress, SessionView
from ebbset.coaching.sessions.session_events import (
    EVENT,
    Armed,
    Begun,
    Repeated,
    Resumed,
    RigSeen,
    SessionEnded,
    SessionEvent,
    SetBegun,
    SetEnded,
    Skipped,
)
from ebbset.coaching.sessions.session_steps import SessionPlanFile, SessionStep
from ebbset.coaching.sessions.set_time import longest_s
from tests.support.session_plans import BEGAN_S, plan, step, straight_set

TOLERANCE_S = 1e-3
"""UTC seconds of today, as floats, are exact to a fraction of a microsecond; sums of several are less so."""


def _step(draw: st.DrawFn, number: int) -> SessionStep:
    exercise = draw(st.sampled_from(["row", "curl", "leg_press"]))
    return step(
        number,
        exercise,
        rest_before_s=draw(st.floats(0.0, 200.0)),
        may_shorten=draw(st.booleans()),
        may_leave_out=draw(st.booleans()),
        start_high_n=draw(st.sampled_from([None, 400.0, 500.0])),
        prescription=straight_set(exercise, limit_s=draw(st.floats(10.0, 400.0))),
    )


@st.composite
def plans(draw: st.DrawFn) -> SessionPlanFile:
    many = draw(st.integers(1, 5))
    return plan(*(_step(draw, k + 1) for k in range(many)), minutes=draw(st.floats(0.5, 20.0)))


def told(view: SessionView) -> dict[int, str]:
    return {one.step.step: one.state for one in view.steps}


class Room:
    """People and a rig that do one thing after another, as a leader would write it down."""

    def __init__(self, of: SessionPlanFile, draw: Any) -> None:
        self.progress = SessionProgress(of)
        self.events: list[SessionEvent] = []
        self.views: list[tuple[float, SessionView]] = []
        self.at_s = BEGAN_S
        self.draw = draw
        self.nonces = (f"nonce-{k:04d}" for k in count())

    def take(self, event: SessionEvent) -> None:
        self.progress.take(event)
        self.events.append(event)

    def act(self) -> None:
        self.at_s += self.draw(st.floats(0.0, 150.0))
        view = self.progress.view(self.at_s)
        self.views.append((self.at_s, view))
        choices: list[SessionEvent] = [Resumed(at_s=self.at_s)]
        if view.phase in ("resting", "ready"):
            assert view.step is not None
            assert view.order is not None
            order = {"step": view.step_number, "nonce": next(self.nonces), "operator": "coach", "order": view.order}
            choices += [Armed(at_s=self.at_s, **order)] * 4
            choices += [Skipped(at_s=self.at_s, step=view.step_number)]
            gone = [number for number, state in told(view).items() if state in ("done", "skipped")]
            choices += [Repeated(at_s=self.at_s, step=number) for number in gone]
        if view.phase == "armed" and view.nonce is not None:
            if view.may_start:
                choices += [SetBegun(at_s=self.at_s, nonce=view.nonce)] * 4
            choices += [SetEnded(at_s=self.at_s, nonce=view.nonce, reason="release_requested")]
        if view.phase == "working" and view.nonce is not None:
            figures = {"one_rm_low_n": 500.0, "one_rm_n": 540.0, "one_rm_high_n": 580.0}
            ended = SetEnded(
                at_s=self.at_s, nonce=view.nonce, reason="set_done", loss=self.draw(st.floats(0.0, 0.9)), **figures
            )
            choices = [ended, Resumed(at_s=self.at_s)]
        if view.phase != "over":
            self.take(self.draw(st.sampled_from(choices)))


def walked(of: SessionPlanFile, data: st.DataObject) -> Room:
    room = Room(of, data.draw)
    room.take(Begun(at_s=BEGAN_S, plan=of.digest()))
    for _ in range(data.draw(st.integers(0, 25))):
        room.act()
    return room


@settings(max_examples=60, deadline=None)
@given(plans(), st.data())
def test_a_journal_gives_the_same_view_from_any_prefix_on(of: SessionPlanFile, data: st.DataObject) -> None:
    room = walked(of, data)
    cut = data.draw(st.integers(1, len(room.events)))
    again = SessionProgress(of)
    for event in room.events[:cut]:
        again.take(EVENT.validate_json(EVENT.dump_json(event)))
    half = again.view(room.at_s)
    for event in room.events[cut:]:
        again.take(event)
    assert again.view(room.at_s) == room.progress.view(room.at_s)
    straight = SessionProgress(of)
    for event in room.events[:cut]:
        straight.take(event)
    assert straight.view(room.at_s) == half


@settings(max_examples=60, deadline=None)
@given(plans(), st.data())
def test_a_resumed_session_stands_where_it_stood_and_nothing_is_armed(of: SessionPlanFile, data: st.DataObject) -> None:
    room = walked(of, data)
    before = room.progress.view(room.at_s)
    room.take(Resumed(at_s=room.at_s))
    after = room.progress.view(room.at_s)
    assert after.phase != "armed"
    if before.phase != "armed":
        assert after == before
    else:
        states = {number: state for number, state in told(after).items() if state in ("done", "skipped")}
        assert states == {n: state for n, state in told(before).items() if state in ("done", "skipped")}


@settings(max_examples=100, deadline=None)
@given(plans(), st.data())
def test_no_set_that_is_armed_or_may_be_started_outlasts_the_minutes(of: SessionPlanFile, data: st.DataObject) -> None:
    room = walked(of, data)
    end_s = BEGAN_S + 60.0 * of.minutes
    armings = 0
    for event in room.events:
        if isinstance(event, Armed):
            armings += 1
            assert event.at_s + longest_s(event.order) <= end_s + TOLERANCE_S
    for at_s, view in room.views:
        if view.phase in ("resting", "ready"):
            assert view.order is not None
            assert at_s + view.rest_left_s + START_ALLOWANCE_S + longest_s(view.order) <= end_s + TOLERANCE_S
        if view.may_start:
            assert view.order is not None
            assert at_s + longest_s(view.order) <= end_s + TOLERANCE_S
        if at_s >= end_s:
            assert view.phase in ("over", "armed", "working")


@settings(max_examples=100, deadline=None)
@given(plans(), st.data())
def test_no_step_is_lost_and_no_load_leaves_the_bounds(of: SessionPlanFile, data: st.DataObject) -> None:
    room = walked(of, data)
    begun: set[int] = set()
    armed: dict[str, int] = {}
    for event in room.events:
        if isinstance(event, Armed):
            armed[event.nonce] = event.step
            low_n, high_n = of.steps[event.step - 1].bounds_n
            assert low_n - 0.05 <= event.order.load.start_n <= high_n + 0.05
            assert event.order.load.floor_n >= of.steps[event.step - 1].prescription.load.floor_n
        if isinstance(event, SetEnded) and event.reason == "set_done":
            begun.add(armed[event.nonce])
    view = room.progress.view(room.at_s)
    states = told(view)
    assert list(states) == [one.step for one in of.steps]
    now = {view.step_number} if view.step is not None else set()
    assert {number for number, state in states.items() if state == "done"} | now == begun | now
    at_the_end = told(room.progress.view(BEGAN_S + 60.0 * of.minutes + 1.0))
    if view.phase not in ("armed", "working"):
        assert set(at_the_end.values()) <= {"done", "skipped", "left out"}


def begun(of: SessionPlanFile) -> SessionProgress:
    progress = SessionProgress(of)
    progress.take(Begun(at_s=BEGAN_S, plan=of.digest()))
    return progress


def do(progress: SessionProgress, at_s: float, lasting_s: float = 40.0, **result: Any) -> SessionView:
    """Arm, start and end the next set."""
    view = progress.view(at_s)
    assert view.order is not None
    nonce = f"nonce-{at_s:.0f}"
    progress.take(Armed(at_s=at_s, step=view.step_number, nonce=nonce, operator="coach", order=view.order))
    progress.take(SetBegun(at_s=at_s, nonce=nonce))
    progress.take(SetEnded(at_s=at_s + lasting_s, nonce=nonce, reason="set_done", **result))
    return progress.view(at_s + lasting_s)


def test_a_session_goes_through_its_phases() -> None:
    progress = SessionProgress(plan(step(1), step(2)))
    assert progress.view(BEGAN_S).phase == "not_begun"
    assert progress.view(BEGAN_S).session_left_s == 720.0
    progress = begun(plan(step(1), step(2)))
    assert progress.view(BEGAN_S).phase == "ready"
    view = do(progress, BEGAN_S + 5.0)
    assert (view.phase, view.step_number, round(view.rest_left_s)) == ("resting", 2, 90)
    assert progress.view(BEGAN_S + 136.0).phase == "ready"
    view = do(progress, BEGAN_S + 140.0)
    assert (view.phase, view.ended_because, view.step) == ("over", "every set is done", None)
    assert told(view) == {1: "done", 2: "done"}


def test_the_last_set_can_be_repeated_while_there_is_time() -> None:
    progress = begun(plan(step(1)))
    do(progress, BEGAN_S)
    progress.take(SessionEnded(at_s=BEGAN_S + 41.0, because="every set is done"))
    progress.take(Repeated(at_s=BEGAN_S + 42.0, step=1))
    assert progress.view(BEGAN_S + 42.0).step_number == 1
    assert do(progress, BEGAN_S + 60.0).ended_because == "every set is done"


def test_a_session_that_a_person_ended_stays_ended() -> None:
    progress = begun(plan())
    progress.take(SessionEnded(at_s=BEGAN_S + 1.0, because="ended by a person"))
    with pytest.raises(ValueError, match="the session is over"):
        progress.take(Skipped(at_s=BEGAN_S + 2.0, step=1))
    with pytest.raises(ValueError, match="the session is over"):
        progress.take(Repeated(at_s=BEGAN_S + 2.0, step=1))


def test_rests_that_may_be_shortened_are_and_sets_that_may_be_left_out_are_when_time_runs_out() -> None:
    whole = plan(step(1), step(2, may_shorten=True), step(3, may_shorten=True, may_leave_out=True), minutes=6.0)
    assert do(begun(whole), BEGAN_S).rest_left_s == 90.0
    late = do(begun(whole), BEGAN_S + 120.0)
    assert 45.0 <= late.rest_left_s < 90.0
    assert told(late)[3] == "to do"
    later = do(begun(whole), BEGAN_S + 170.0)
    assert told(later)[3] == "left out"
    assert later.step_number == 2


def test_a_rest_that_may_not_be_shortened_keeps_the_armed_set_from_starting() -> None:
    progress = begun(plan(step(1), step(2)))
    view = do(progress, BEGAN_S)
    assert view.order is not None
    at_s = BEGAN_S + 50.0
    progress.take(Armed(at_s=at_s, step=2, nonce="nonce-two", operator="coach", order=view.order))
    assert not progress.view(at_s).may_start
    assert "80 s to go" in progress.view(at_s).start_obstacle
    assert progress.view(at_s + 81.0).may_start


def test_an_armed_set_is_not_started_once_it_would_outlast_the_minutes() -> None:
    progress = begun(plan(step(1), minutes=3.0))
    view = progress.view(BEGAN_S)
    assert view.order is not None
    progress.take(Armed(at_s=BEGAN_S, step=1, nonce="nonce-one", operator="coach", order=view.order))
    assert progress.view(BEGAN_S + 50.0).may_start
    assert "arm it again" in progress.view(BEGAN_S + 61.0).start_obstacle


def test_an_arming_that_was_never_started_leaves_its_step_to_do() -> None:
    progress = begun(plan())
    view = progress.view(BEGAN_S)
    assert view.order is not None
    progress.take(Armed(at_s=BEGAN_S, step=1, nonce="nonce-one", operator="coach", order=view.order))
    progress.take(SetEnded(at_s=BEGAN_S + 9.0, nonce="nonce-one", reason="release_requested"))
    assert progress.view(BEGAN_S + 9.0).phase == "ready"
    assert told(progress.view(BEGAN_S + 9.0))[1] == "now"


@pytest.mark.parametrize(
    ("event", "says"),
    [
        (SetBegun(at_s=BEGAN_S, nonce="another-nonce"), "that of the armed set"),
        (SetEnded(at_s=BEGAN_S, nonce="another-nonce", reason="set_done"), "that of the armed set"),
        (Skipped(at_s=BEGAN_S, step=7), "still to do"),
        (Repeated(at_s=BEGAN_S, step=1), "done, skipped or left out"),
        (Skipped(at_s=BEGAN_S - 1.0, step=1), "not before the event before it"),
        (Begun(at_s=BEGAN_S, plan="0"), "once, at the beginning"),
        (
            Armed(at_s=BEGAN_S + 700.0, step=1, nonce="nonce-one", operator="coach", order=straight_set(limit_s=100.0)),
            "within the 20 s that are left",
        ),
        (
            Armed(at_s=BEGAN_S, step=1, nonce="nonce-one", operator="coach", order=straight_set(start_n=430.0)),
            "start_n is 430",
        ),
    ],
)
def test_an_event_that_does_not_fit_is_refused_and_changes_nothing(event: SessionEvent, says: str) -> None:
    progress = begun(plan())
    before = progress.view(BEGAN_S)
    with pytest.raises(ValueError, match=says):
        progress.take(event)
    assert progress.view(BEGAN_S) == before


def test_a_changed_plan_does_not_go_on_with_the_journal_of_another() -> None:
    progress = SessionProgress(plan(minutes=10.0))
    with pytest.raises(ValueError, match="has changed"):
        progress.take(Begun(at_s=BEGAN_S, plan=plan(minutes=11.0).digest()))


def test_what_the_rig_can_hold_bounds_the_start_load() -> None:
    progress = begun(plan(step(1)))
    progress.take(RigSeen(at_s=BEGAN_S, rig="rig1", least_n=10.0, most_n=300.0))
    order = progress.view(BEGAN_S).order
    assert order is not None
    assert order.load.start_n == 300.0
