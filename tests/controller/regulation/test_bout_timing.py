"""Sides that do not lift, motionless failures, pauses in an ascent, rigs that rest taut, and endings that take long."""

from __future__ import annotations

from itertools import pairwise

import pytest

from ebbset.controller.messages.actions import Decision, RepetitionRecord, SendRelease
from ebbset.controller.messages.reasons import Reason, State
from ebbset.models.contract.operator_messages import RequestAction
from ebbset.models.contract.rig_messages import RepetitionOutcome
from tests.support.answering_rig import AnsweringRig
from tests.support.kinematic_rig import BOTTOM_M, KinematicRig, profile_of
from tests.support.regulated import begun, ended_by, order, state_of


def one_side_rests(rig: KinematicRig, side: int) -> None:
    """Only the other side lifts, while this one holds its load at the bottom."""
    original = rig.step

    def step(dt: float) -> None:
        original(dt)
        rig.x[side], rig.v[side] = BOTTOM_M, 0.0
        if rig.phase == "up" and rig.x[1 - side] > BOTTOM_M + 0.49:
            rig.enter("top")

    rig.step = step  # type: ignore[method-assign]


@pytest.mark.parametrize("resting", [0, 1])
@pytest.mark.parametrize("strikes", [1, 3])
def test_a_side_that_does_not_lift_ends_the_set_after_as_many_repetitions_of_the_other(
    resting: int, strikes: int
) -> None:
    rig = begun(
        order(stop={"max_left_right_difference": 0.3, "left_right_strikes": strikes}, stall={"start_patience_s": 30.0}),
        cables=2,
    )
    one_side_rests(rig, resting)
    rig.run(25.0)
    assert ended_by(rig) is Reason.LEFT_RIGHT_DIFFERENCE
    records = [output for output in rig.outputs if isinstance(output, RepetitionRecord)]
    assert [record.cable for record in records] == [1 - resting] * strikes


@pytest.mark.parametrize("weaker", [0, 1])
def test_a_repetition_that_differs_counts_at_once_whichever_side_is_the_later(weaker: int) -> None:
    rig = begun(order(stop={"max_left_right_difference": 0.1, "left_right_strikes": 1}), cables=2)
    rig.weaker_side = 0.8 if weaker else 1.25
    rig.run(15.0)
    assert ended_by(rig) is Reason.LEFT_RIGHT_DIFFERENCE
    assert [record.index for record in rig.repetitions()] == [1, 1]


# --- a motionless failure at the floor ----------------------------------------------------------------------------


@pytest.mark.parametrize("rule", ["dwell", "evidence"])
def test_one_motionless_attempt_at_the_floor_is_one_failure_in_the_patience_of_a_start(rule: str) -> None:
    rig = begun(
        order(
            load={"start_n": 120.0},
            stall={"rule": rule, "start_patience_s": 2.0},
            stop={"floor_failures": 5, "max_pause_s": 60.0},
        ),
        lifts_n=[1e9, 1e9, 50.0],
    )
    rig.run(40.0)
    assert ended_by(rig) is Reason.FLOOR_FAILED
    times_us = [one.now_us for one in rig.outputs if isinstance(one, Decision) and one.action in ("hold", "end")]
    assert len(times_us) == 5
    assert min(later - earlier for earlier, later in pairwise(times_us)) >= 2_000_000


def test_a_new_attempt_at_the_floor_counts_at_once() -> None:
    rig = AnsweringRig(order(load={"start_n": 120.0}, stop={"floor_failures": 3}), profile=profile_of())
    rig.begin()
    rig.run(2.5)
    for failures in (1, 2):
        rig.summary(outcome=RepetitionOutcome.FAILED)
        assert len(rig.decisions("hold")) == failures
        rig.run(0.5)
    rig.summary(outcome=RepetitionOutcome.FAILED)
    [end] = rig.decisions("end")
    assert end.reason is Reason.FLOOR_FAILED


# --- a pause that is none -----------------------------------------------------------------------------------------


def test_a_grind_longer_than_the_pause_drops_before_the_pause_ends_the_set() -> None:
    rig = begun(
        order(stall={"rule": "dwell", "dwell_s": 0.3, "grind_s": 4.0}, stop={"max_pause_s": 2.0}), lifts_n=[1e9, 350.0]
    )
    rig.run(14.0)
    assert rig.decisions("drop") != []


# --- a rig that keeps its cable taut ------------------------------------------------------------------------------


@pytest.mark.parametrize(("taut_n", "begins"), [(0.0, True), (4.9, True), (5.1, False)])
def test_the_second_bout_begins_on_a_rig_that_keeps_its_cable_taut(taut_n: float, begins: bool) -> None:
    rig = begun(
        order(bouts=[{"repetitions": 1}, {"rest_before_s": 2.0}], stop={"max_start_wait_s": 3.0}), taut_n=taut_n
    )
    while state_of(rig) is not State.RESTING:
        rig.frame()
    for _ in range(200):
        rig.frame()
        if state_of(rig) is not State.RESTING:
            break
    assert (state_of(rig) is State.WORKING) is begins


# --- the release comes after the load -----------------------------------------------------------------------------


def test_a_rig_is_let_go_only_after_its_load_had_time_to_go_off() -> None:
    rig = begun(order(load={"ramp_n_per_s": 60.0}))
    rig.run(8.0)
    assert rig.applied == [400.0]
    rig.ask(RequestAction.STOP)
    rig.run(6.5)
    assert rig.applied[0] > 5.0
    assert not any(isinstance(command, SendRelease) for command in rig.commands)
    rig.run(1.0)
    assert isinstance(rig.commands[-1], SendRelease)
    assert rig.applied[0] <= 1.0


def test_a_rig_that_keeps_its_load_is_let_go_when_patience_is_over() -> None:
    rig = begun(order(load={"ramp_n_per_s": 100.0}))
    rig.run(5.0)
    rig.ask(RequestAction.STOP)
    rig.ramp = 0.0
    rig.run(6.9)
    assert state_of(rig) is State.ENDING
    rig.run(0.2)
    assert state_of(rig) is State.ENDED
