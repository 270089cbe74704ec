"""An arming is answered when the rig has taken it or refused it, and a start starts the arming that it names."""

from __future__ import annotations

import dataclasses
from typing import Any

import pytest

from ebbset.controller.guard.guard import Guard
from ebbset.controller.messages.actions import Answer, Decision, SendArm, SendLoad, SendUnload, StateChanged
from ebbset.controller.messages.events import Acknowledged, LinkDown, Tick
from ebbset.controller.messages.reasons import Reason, State
from ebbset.controller.regulation.regulator import ACKNOWLEDGED_WITHIN_US
from ebbset.models.contract.operator_messages import RequestAction
from ebbset.models.contract.rig_messages import Refusal
from tests.support.answering_rig import AnsweringRig
from tests.support.kinematic_rig import KinematicRig
from tests.support.regulated import order, state_of


def asked() -> KinematicRig:
    """Somebody asked to arm; the rig has said nothing yet, in no way."""
    rig = KinematicRig(order())
    rig.online()
    rig.ask(RequestAction.ARM)
    return rig


def ack(rig: KinematicRig, **changes: Any) -> Acknowledged:
    told: dict[str, Any] = {
        "now_us": rig.now_us + 20_000,
        "boot_id": "boot-0001",
        "nonce": rig.nonce,
        "command_seq": 1,
        "t_us": rig.rig_us,
        "accepted": True,
        "refusal": None,
        "applied_n": (0.0,),
        "docked": True,
    }
    return Acknowledged(**{**told, **changes})


def answers(rig: KinematicRig) -> list[Answer]:
    return [output for output in rig.outputs if isinstance(output, Answer)]


def test_the_answer_comes_with_the_acknowledgement_and_once() -> None:
    rig = asked()
    assert answers(rig) == []
    rig.send(ack(rig))
    [answer] = answers(rig)
    assert (answer.accepted, answer.code, answer.nonce, answer.state) == (True, "armed", rig.nonce, State.ARMED)
    assert answer.correlation_id.startswith("ask-arm-")
    rig.send(ack(rig))
    rig.run(0.3)
    assert len(answers(rig)) == 1


def test_a_frame_that_bears_the_nonce_says_so_too() -> None:
    rig = asked()
    rig.frame()
    assert [answer.code for answer in answers(rig)] == ["armed"]


@pytest.mark.parametrize(
    "changes",
    [
        {"command_seq": 2},
        {"nonce": "nonce-of-another"},
        {"accepted": False, "refusal": Refusal.REPEATED_SEQUENCE},
    ],
)
def test_what_acknowledges_something_else_confirms_no_arming(changes: dict[str, Any]) -> None:
    rig = asked()
    rig.send(ack(rig, **changes))
    assert answers(rig) == []
    assert state_of(rig) is State.ARMED


@pytest.mark.parametrize("reason", [Refusal.STOPPED, "stopped_by_a_rule_of_later"])
def test_when_the_rig_refuses_the_answer_says_that_it_was_the_rig_and_why(reason: str) -> None:
    rig = asked()
    rig.send(ack(rig, accepted=False, refusal=reason))
    [answer] = answers(rig)
    assert (answer.accepted, answer.code, answer.state) == (False, "rig_refused", State.ENDING)
    assert "The rig refused" in answer.message
    assert "stopped" in answer.message


def test_when_the_controller_refuses_the_answer_comes_at_once() -> None:
    rig = KinematicRig(order())
    rig.online()
    rig.ask(RequestAction.ARM, cautions_shown=False)
    assert [(answer.accepted, answer.code) for answer in answers(rig)] == [(False, "cautions_not_shown")]


def test_when_the_rig_says_nothing_in_time_the_set_ends_and_the_answer_says_so() -> None:
    rig = asked()
    nonce, rig.nonce = rig.nonce, None
    armed_us = rig.now_us
    while state_of(rig) is State.ARMED and rig.now_us < armed_us + 2 * ACKNOWLEDGED_WITHIN_US:
        rig.frame()
    assert 0 < rig.now_us - armed_us - ACKNOWLEDGED_WITHIN_US <= 100_000
    [answer] = answers(rig)
    assert (answer.accepted, answer.code, answer.nonce) == (False, "not_acknowledged", nonce)
    rig.run(4.0)
    result = rig.result()
    assert result is not None
    assert result.reason is Reason.NOT_ACKNOWLEDGED
    assert not any(isinstance(command, SendLoad) for command in rig.commands)


@pytest.mark.parametrize("how", ["stop", "link"])
def test_an_end_before_the_acknowledgement_answers_too(how: str) -> None:
    rig = asked()
    if how == "stop":
        rig.ask(RequestAction.STOP)
    else:
        rig.send(LinkDown(now_us=rig.now_us))
    first = answers(rig)[0]
    assert (first.accepted, first.code) == (False, "not_armed")
    assert first.correlation_id.startswith("ask-arm-")
    assert len(answers(rig)) == (2 if how == "stop" else 1)


def test_what_the_guard_refuses_is_answered_as_not_armed_by_it(monkeypatch: pytest.MonkeyPatch) -> None:
    def refuse_arming(self: Guard, command: Any, now_us: int) -> Any:
        return check(self, command if not isinstance(command, SendArm) else tampered(command), now_us)

    def tampered(command: SendArm) -> SendArm:
        return SendArm(
            nonce=command.nonce,
            seq=command.seq,
            ceiling_n=(9_000.0,),
            floor_n=command.floor_n,
            max_ramp_n_per_s=command.max_ramp_n_per_s,
            lease_ms=command.lease_ms,
        )

    check = Guard.check
    monkeypatch.setattr(Guard, "check", refuse_arming)
    rig = asked()
    [answer] = answers(rig)
    assert (answer.accepted, answer.code) == (False, "guard_refused")
    assert "ceiling" in answer.message
    assert rig.decisions("arm") == [], "nothing was armed, so no decision says so"
    assert {type(command) for command in rig.commands} == {SendUnload}


def test_a_start_whose_load_the_guard_refuses_is_answered_as_refused_and_leaves_no_state_that_is_over(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    def refuse_loads(self: Guard, command: Any, now_us: int) -> Any:
        if isinstance(command, SendLoad):
            command = dataclasses.replace(command, target_n=(9_000.0,))
        return check(self, command, now_us)

    check = Guard.check
    monkeypatch.setattr(Guard, "check", refuse_loads)
    rig = asked()
    rig.send(ack(rig))
    out = rig.ask(RequestAction.START)
    assert not any(isinstance(command, SendLoad) for command in rig.commands)
    [answer] = [output for output in out if isinstance(output, Answer)]
    assert (answer.accepted, answer.code, answer.state) == (False, "guard_refused", State.ENDING)
    assert "ceiling" in answer.message
    assert [output.state for output in out if isinstance(output, StateChanged)] == [State.ENDING]
    assert [output.action for output in out if isinstance(output, Decision)] == ["load", "end"]


@pytest.mark.parametrize("arming", [None, "nonce-of-another"])
def test_a_start_that_names_another_arming_starts_nothing(arming: str | None) -> None:
    rig = asked()
    rig.send(ack(rig))
    rig.ask(RequestAction.START, arming=arming)
    answer = answers(rig)[-1]
    assert (answer.accepted, answer.code) == (False, "another_arming")
    assert repr(rig.nonce) in answer.message
    assert state_of(rig) is State.ARMED
    rig.ask(RequestAction.START)
    assert state_of(rig) is State.WORKING


def test_a_start_of_before_does_not_start_what_somebody_else_armed() -> None:
    rig = asked()
    rig.send(ack(rig))
    before = rig.nonce
    rig.ask(RequestAction.RELEASE)
    rig.run(4.0)
    assert state_of(rig) is State.ENDED
    rig.ask(RequestAction.ARM)
    rig.frame()
    rig.ask(RequestAction.START, arming=before)
    assert answers(rig)[-1].code == "another_arming"
    assert not any(isinstance(command, SendLoad) for command in rig.commands)


def test_a_start_before_the_acknowledgement_is_refused() -> None:
    rig = asked()
    rig.send(Tick(now_us=rig.now_us + 1_000))
    rig.ask(RequestAction.START)
    assert answers(rig)[-1].code == "rig_not_heard"
    assert state_of(rig) is State.ARMED


def test_without_frames_only_the_arming_itself_confirms_it() -> None:
    # Any rig accepts an unload, whatever its nonce, so the answer to one shows nothing about a lost arm command.
    rig = AnsweringRig(order())
    rig.online()
    rig.ask(RequestAction.ARM)
    rig.answered = len(rig.commands)
    rig.run(1.0)
    assert rig.answered > 3
    assert answers(rig) == []
    rig.run(2.0)
    assert [answer.code for answer in answers(rig)] == ["not_acknowledged"]
