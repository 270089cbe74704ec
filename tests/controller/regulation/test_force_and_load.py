"""A set ends when mean force and applied load disagree: by frames, by summaries, on either cable, in a hold."""

from __future__ import annotations

from typing import Any

import pytest

from ebbset.controller.messages.actions import Decision, SendUnload
from ebbset.controller.messages.reasons import Reason, State
from ebbset.models.contract.operator_messages import RequestAction
from tests.support.answering_rig import AnsweringRig
from tests.support.kinematic_rig import KinematicRig
from tests.support.regulated import begun, order, state_of

REPETITION_S = 3.0
"""Of the kinematic rig: up, down and two pauses."""


def lies(rig: KinematicRig, error_n: tuple[float, float], *, most_s: float) -> Decision:
    """The decision that ends a set whose force cells are off from now on."""
    assert state_of(rig) is State.WORKING
    rig.force_error_n = error_n
    from_us = rig.now_us
    while not rig.decisions("end"):
        rig.frame()
        assert rig.now_us - from_us < most_s * 1e6, "went on"
    [end] = rig.decisions("end")
    assert end.reason is Reason.SENSORS_DISAGREE
    assert any(isinstance(command, SendUnload) for command in rig.commands)
    return end


@pytest.mark.parametrize("error_n", [-60.0, 60.0, -100.0, 100.0])
def test_a_bias_that_friction_could_hide_ends_the_set_after_whole_repetitions(error_n: float) -> None:
    rig = begun(order())
    rig.run(6.0)
    end = lies(rig, (error_n, 0.0), most_s=2.5 * REPETITION_S)
    assert dict(end.inputs)["force_difference_over_repetitions_n"] == pytest.approx(error_n, abs=12.0)
    assert dict(end.thresholds)["force_difference_over_repetitions_n"] == pytest.approx(49.0)
    assert end.cable == 0


@pytest.mark.parametrize("error_n", [-240.0, 240.0])
def test_a_bias_larger_than_friction_ends_it_within_two_windows(error_n: float) -> None:
    rig = begun(order())
    rig.run(6.0)
    assert "force_difference_over_time_n" in dict(lies(rig, (error_n, 0.0), most_s=2.55).inputs)


def test_the_cable_that_is_off_is_named() -> None:
    rig = begun(order(), cables=2)
    rig.run(6.0)
    end = lies(rig, (0.0, -80.0), most_s=2.5 * REPETITION_S)
    assert end.cable == 1


def test_a_handle_that_hangs_still_under_a_false_load_ends_it() -> None:
    rig = begun(order())
    rig.run(6.0)
    rig.phase, rig.v = "held away from the dock", [0.0]
    assert "force_difference_over_time_n" in dict(lies(rig, (130.0, 0.0), most_s=2.55).inputs)


def test_what_an_honest_rig_may_show_does_not_end_it() -> None:
    rig = begun(order(stop={"max_repetitions": 8}), force_error_n=(45.0, 0.0))
    rig.run(40.0)
    [end] = rig.decisions("end")
    assert end.reason is Reason.REPETITIONS_DONE


def test_drops_on_the_way_up_do_not_end_it() -> None:
    rig = begun(order(stop={"max_repetitions": 6}), lifts_n=[1e9, 250.0], force_error_n=(-35.0, 0.0))
    rig.run(40.0)
    assert rig.decisions("drop")
    [end] = rig.decisions("end")
    assert end.reason is Reason.REPETITIONS_DONE


def test_a_rig_that_says_it_has_no_cell_is_not_asked_for_force() -> None:
    rig = KinematicRig(order(stop={"max_repetitions": 4}), force_error_n=(300.0, 0.0))
    rig.online()
    rig.send(rig.identity(has_force=False))
    rig.ask(RequestAction.ARM)
    rig.run(0.3)
    rig.ask(RequestAction.START)
    rig.run(25.0)
    [end] = rig.decisions("end")
    assert end.reason is Reason.REPETITIONS_DONE


# --- rigs that send summaries -------------------------------------------------------------------------------------


def summaries(*forces_n: float | None, **identity: Any) -> AnsweringRig:
    """A set on a rig without frames whose repetitions have these mean forces, under 400 N."""
    rig = AnsweringRig(order())
    rig.online()
    rig.send(rig.identity(**identity))
    rig.ask(RequestAction.ARM)
    rig.answer()
    rig.run(0.3)
    rig.ask(RequestAction.START)
    rig.answer()
    rig.run(4.0)
    for force_n in forces_n:
        rig.run(2.0)
        rig.summary(docked=False, mean_force_n=(force_n,))
    return rig


@pytest.mark.parametrize("force_n", [270.0, 530.0])
def test_two_summaries_beyond_friction_end_the_set(force_n: float) -> None:
    assert summaries(force_n).decisions("end") == []
    [end] = summaries(force_n, force_n).decisions("end")
    assert end.reason is Reason.SENSORS_DISAGREE
    assert dict(end.thresholds)["force_difference_over_repetitions_n"] == pytest.approx(109.0)


def test_summaries_within_friction_without_force_or_of_a_rig_without_a_cell_go_on() -> None:
    assert summaries(480.0, 320.0, 480.0, 480.0).decisions("end") == []
    assert summaries(None, None, None).decisions("end") == []
    assert summaries(900.0, 900.0, 900.0, has_force=False).decisions("end") == []
