"""The state machine, walked exhaustively: every state meets every input, and what follows stands here by hand.

The expected states are written from the design page, not read from the table, so that a wrong entry there is found.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from typing import Any

import pytest

from ebbset.controller.messages.actions import Answer, Decision, SendArm, SendLoad, SendRelease, SendUnload, SetResult
from ebbset.controller.messages.events import (
    Acknowledged,
    BadInput,
    Event,
    GuardRefused,
    LinkDown,
    LinkUp,
    RepetitionSeen,
    Requested,
    RigLost,
    RigReported,
    Tick,
)
from ebbset.controller.messages.reasons import Action, AnswerCode, Reason, State
from ebbset.controller.regulation.transitions import (
    END_REASONS,
    TRANSITIONS,
    Response,
    Transition,
    Trigger,
    as_markdown,
)
from ebbset.models.contract.operator_messages import RequestAction
from ebbset.models.contract.prescription import example
from ebbset.models.contract.rig_messages import Refusal, RepetitionOutcome, RigEventKind
from tests.support.kinematic_rig import KinematicRig
from tests.support.regulated import state_of

PRESCRIPTION = example(bouts=({"repetitions": 1}, {"rest_before_s": 20.0}))
ARMED = frozenset({State.ARMED, State.WORKING, State.RESTING})


def brought_to(state: State) -> KinematicRig:
    """A controller with its rig, brought into a state the way a set gets there."""
    rig = KinematicRig(prescription=PRESCRIPTION)
    if state is State.OFFLINE:
        rig.send(LinkUp(now_us=rig.now_us))
        return rig
    rig.online()
    if state is State.IDLE:
        return rig
    rig.ask(RequestAction.ARM)
    rig.run(0.2)
    if state is State.ARMED:
        return rig
    rig.ask(RequestAction.START)
    rig.run(2.0)
    if state is State.RESTING:
        while rig.controller.state is State.WORKING:
            rig.frame()
    elif state in (State.ENDING, State.ENDED):
        rig.ask(RequestAction.STOP)
        if state is State.ENDED:
            rig.run(4.0)
    return rig


def _report(kind: RigEventKind) -> Callable[[KinematicRig], Event]:
    return lambda rig: RigReported(
        now_us=rig.now_us, boot_id="boot-0001", seq=1, t_us=rig.rig_us + 1, kind=kind, detail="d"
    )


def _request(action: RequestAction) -> Callable[[KinematicRig], Event]:
    return lambda rig: Requested(
        now_us=rig.now_us,
        correlation_id="ask-00001",
        action=action,
        operator="coach",
        cautions_shown=True,
        arming=rig.nonce,
        fresh_nonce="nonce-fresh",
        prescription=PRESCRIPTION,
    )


def _ack(*, accepted: bool) -> Callable[[KinematicRig], Event]:
    return lambda rig: Acknowledged(
        now_us=rig.now_us,
        boot_id="boot-0001",
        nonce=rig.nonce or "nonce-none",
        command_seq=1,
        t_us=rig.rig_us,
        accepted=accepted,
        refusal=None if accepted else Refusal.STALE_CITATION,
        applied_n=tuple(rig.applied),
        docked=rig.docked,
    )


def _repetition(rig: KinematicRig) -> Event:
    return RepetitionSeen(
        now_us=rig.now_us,
        boot_id="boot-0001",
        seq=1,
        nonce=rig.nonce,
        docked=rig.docked,
        applied_n=tuple(rig.applied),
        t_start_us=rig.rig_us - 1_000_000,
        t_end_us=rig.rig_us,
        outcome=RepetitionOutcome.COMPLETED,
        rom_m=(0.5,),
        mean_velocity_m_s=(0.5,),
        peak_velocity_m_s=(0.8,),
        mean_force_n=(None,),
    )


INPUTS: dict[Trigger, Callable[[KinematicRig], Any]] = {
    Trigger.SAMPLES: lambda _rig: None,
    Trigger.REPETITION: _repetition,
    Trigger.ANNOUNCED: lambda rig: rig.identity(),
    Trigger.REBOOTED: lambda rig: rig.identity(boot_id="boot-0002"),
    Trigger.RIG_LOST: lambda rig: RigLost(now_us=rig.now_us),
    Trigger.EMERGENCY: _report(RigEventKind.EMERGENCY_STOP),
    Trigger.RIG_FAULT: _report(RigEventKind.OVER_SPEED),
    Trigger.LEASE_EXPIRED: _report(RigEventKind.LEASE_EXPIRED),
    Trigger.DOCK_CHANGED: _report(RigEventKind.UNDOCKED),
    Trigger.ACK: _ack(accepted=True),
    Trigger.REFUSED_BY_RIG: _ack(accepted=False),
    Trigger.ASK_ARM: _request(RequestAction.ARM),
    Trigger.ASK_START: _request(RequestAction.START),
    Trigger.ASK_STOP: _request(RequestAction.STOP),
    Trigger.ASK_RELEASE: _request(RequestAction.RELEASE),
    Trigger.LINK_UP: lambda rig: LinkUp(now_us=rig.now_us),
    Trigger.LINK_DOWN: lambda rig: LinkDown(now_us=rig.now_us),
    Trigger.TICK: lambda rig: Tick(now_us=rig.now_us + 1_000),
    Trigger.BAD_INPUT: lambda rig: BadInput(now_us=rig.now_us, topic="rig/frame", code="not_json", detail="d"),
    Trigger.GUARD_REFUSED: lambda rig: GuardRefused(now_us=rig.now_us, rule="rise", detail="d"),
}

# What the design says: losing link or rig leads offline from everywhere; whatever puts an armed set in doubt ends it.
_LOST = {Trigger.RIG_LOST: State.OFFLINE, Trigger.LINK_DOWN: State.OFFLINE}
_DOUBT = dict.fromkeys(
    (
        Trigger.REBOOTED,
        Trigger.EMERGENCY,
        Trigger.RIG_FAULT,
        Trigger.LEASE_EXPIRED,
        Trigger.REFUSED_BY_RIG,
        Trigger.ASK_STOP,
        Trigger.ASK_RELEASE,
        Trigger.GUARD_REFUSED,
    ),
    State.ENDING,
)
NEXT: dict[State, dict[Trigger, State]] = {
    State.OFFLINE: {Trigger.ANNOUNCED: State.IDLE, Trigger.REBOOTED: State.IDLE},
    State.IDLE: {**_LOST, Trigger.ASK_ARM: State.ARMED},
    State.ARMED: {**_LOST, **_DOUBT, Trigger.ASK_START: State.WORKING},
    State.WORKING: {**_LOST, **_DOUBT},
    State.RESTING: {**_LOST, **_DOUBT},
    State.ENDING: dict(_LOST),
    State.ENDED: {**_LOST, Trigger.ASK_ARM: State.ARMED},
}


MAY_STAY = {
    (State.OFFLINE, Trigger.ANNOUNCED),
    (State.OFFLINE, Trigger.REBOOTED),
    (State.IDLE, Trigger.ASK_ARM),
    (State.ENDED, Trigger.ASK_ARM),
    (State.ARMED, Trigger.ASK_START),
}
MAY_LEAD_TO: dict[tuple[State, Trigger], frozenset[State]] = {
    **{(state, Trigger.ANNOUNCED): frozenset({State.ENDING}) for state in ARMED},
    (State.ARMED, Trigger.SAMPLES): frozenset({State.ENDING}),
    (State.ARMED, Trigger.TICK): frozenset({State.ENDING}),
    (State.WORKING, Trigger.SAMPLES): frozenset({State.RESTING, State.ENDING}),
    (State.WORKING, Trigger.REPETITION): frozenset({State.RESTING, State.ENDING}),
    (State.WORKING, Trigger.TICK): frozenset({State.ENDING}),
    (State.WORKING, Trigger.DOCK_CHANGED): frozenset({State.ENDING}),
    (State.WORKING, Trigger.ACK): frozenset({State.ENDING}),
    (State.RESTING, Trigger.SAMPLES): frozenset({State.WORKING, State.ENDING}),
    (State.RESTING, Trigger.TICK): frozenset({State.WORKING, State.ENDING}),
    **{
        (State.ENDING, trigger): frozenset({State.ENDED})
        for trigger in (Trigger.SAMPLES, Trigger.TICK, Trigger.ACK, Trigger.REBOOTED)
    },
}


def test_the_table_has_every_state_and_in_it_every_trigger() -> None:
    assert set(TRANSITIONS) == {(state, trigger) for state in State for trigger in Trigger}
    assert set(INPUTS) == set(Trigger)
    used = {response for response, _ in TRANSITIONS.values()}
    assert used == set(Response), "a response that no input leads to is dead"


def test_every_input_that_ends_a_set_has_a_reason() -> None:
    ending = {
        trigger for (_, trigger), (response, _) in TRANSITIONS.items() if response in (Response.END, Response.STOP)
    }
    assert ending == set(END_REASONS)


def test_the_table_allows_what_the_design_says_and_nothing_else() -> None:
    """Where telemetry or time may lead depends on the set; every other input has one place to go, or may be refused."""
    for (state, trigger), (response, may_lead_to) in TRANSITIONS.items():
        expected = {NEXT[state].get(trigger, state)}
        if (state, trigger) in MAY_STAY:
            expected.add(state)
        expected |= MAY_LEAD_TO.get((state, trigger), frozenset())
        assert may_lead_to == expected, (state, trigger, response)


def test_a_load_can_be_reached_from_an_end_only_through_a_persons_arming_and_start() -> None:
    into = {
        after: {(state, trigger) for (state, trigger), (_, leads) in TRANSITIONS.items() if after in leads - {state}}
        for after in State
    }
    assert into[State.ARMED] == {(State.IDLE, Trigger.ASK_ARM), (State.ENDED, Trigger.ASK_ARM)}
    assert into[State.WORKING] == {
        (State.ARMED, Trigger.ASK_START),
        (State.RESTING, Trigger.SAMPLES),
        (State.RESTING, Trigger.TICK),
    }
    assert {state for state, _ in into[State.RESTING]} == {State.WORKING}
    assert {state for state, _ in into[State.ENDED]} == {State.ENDING}
    assert {state for state, _ in into[State.IDLE]} == {State.OFFLINE}


@pytest.mark.parametrize("state", list(State))
def test_the_bench_reaches_every_state(state: State) -> None:
    assert brought_to(state).controller.state is state


@pytest.mark.parametrize("trigger", list(Trigger))
@pytest.mark.parametrize("state", list(State))
def test_every_state_meets_every_input(state: State, trigger: Trigger) -> None:
    rig = brought_to(state)
    event = INPUTS[trigger](rig)
    before = len(rig.outputs)
    if event is None:
        rig.frame()
    else:
        rig.send(event)
    outputs = rig.outputs[before:]
    after = rig.controller.state

    assert after is NEXT[state].get(trigger, state)
    loads = [output for output in outputs if isinstance(output, SendLoad)]
    if loads:
        assert state is State.WORKING or (state is State.ARMED and trigger is Trigger.ASK_START)
    if after is State.ENDING and state in ARMED:
        assert any(isinstance(output, SendUnload) for output in outputs), "an end unloads at once"
    if after is State.OFFLINE and state in (*ARMED, State.ENDING):
        assert any(isinstance(output, SendRelease) for output in outputs), "a lost set lets its nonce go"
        assert any(isinstance(output, SetResult) for output in outputs), "a lost set has a result"
    # Every word that goes out is one that the contract lists.
    assert {output.code for output in outputs if isinstance(output, Answer)} <= set(AnswerCode)
    assert {output.action for output in outputs if isinstance(output, Decision)} <= set(Action)
    armed = any(isinstance(output, SendArm) for output in outputs)
    assert armed == (trigger is Trigger.ASK_ARM and state in (State.IDLE, State.ENDED))
    if armed:
        assert not any(isinstance(output, Answer) for output in outputs), "the rig has not taken the arming yet"
        outputs += list(rig.send(_ack(accepted=True)(rig)))
    if trigger in (Trigger.ASK_ARM, Trigger.ASK_START, Trigger.ASK_STOP, Trigger.ASK_RELEASE):
        assert sum(isinstance(output, Answer) for output in outputs) == 1, "every request is answered, once"


@pytest.mark.parametrize("trigger", list(Trigger))
def test_nothing_but_arming_leads_out_of_an_ended_set_to_a_load(trigger: Trigger) -> None:
    rig = brought_to(State.ENDED)
    event = INPUTS[trigger](rig)
    before = len(rig.outputs)
    if trigger is Trigger.ASK_ARM:
        event = None
    if event is not None:
        rig.send(event)
    rig.ask(RequestAction.START)
    rig.run(2.0)
    assert not any(isinstance(output, SendLoad | SendArm) for output in rig.outputs[before:])


def test_the_page_draws_every_change_of_state_that_the_table_allows() -> None:
    page = as_markdown()
    drawn = set(re.findall(r"^    (\w+) --> (\w+): ", page, flags=re.MULTILINE))
    allowed = {
        (state.value, after.value) for (state, _), (_, leads) in TRANSITIONS.items() for after in leads - {state}
    }
    assert drawn == allowed
    assert f"| {Trigger.ASK_START.value.replace('_', ' ')} | refuse | refuse | start → working |" in page
    assert all(f"`{reason.value}`" in page for reason in END_REASONS.values())


# --- a state that the table forbids -------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("state", "trigger"),
    [
        (State.ARMED, Trigger.ASK_START),
        (State.WORKING, Trigger.TICK),
        (State.WORKING, Trigger.SAMPLES),
        (State.RESTING, Trigger.TICK),
    ],
)
def test_a_state_that_the_table_forbids_ends_the_set_safely_and_is_recorded(
    state: State, trigger: Trigger, monkeypatch: pytest.MonkeyPatch
) -> None:
    rig = brought_to(state)
    monkeypatch.setitem(TRANSITIONS, (state, trigger), Transition(TRANSITIONS[state, trigger].response, frozenset()))
    before = len(rig.outputs)
    event = INPUTS[trigger](rig)
    if event is None:
        rig.frame()
    else:
        rig.send(event)
    assert rig.controller.state is State.ENDING
    outputs = rig.outputs[before:]
    assert [type(output) for output in outputs if isinstance(output, SendLoad | SendUnload)] == [SendUnload]
    [end] = [output for output in outputs if isinstance(output, Decision) and output.action == "end"]
    assert end.reason is Reason.DEFECT
    assert f"{trigger.value} led from {state.value} to" in end.text
    monkeypatch.undo()
    rig.run(5.0)
    assert state_of(rig) is State.ENDED
    result = rig.result()
    assert result is not None
    assert result.reason is Reason.DEFECT


@pytest.mark.parametrize(
    ("state", "trigger"),
    [
        (State.OFFLINE, Trigger.ANNOUNCED),
        (State.IDLE, Trigger.ASK_ARM),
        (State.ENDED, Trigger.ASK_ARM),
        (State.ENDING, Trigger.TICK),
    ],
)
def test_without_a_set_to_end_a_forbidden_state_is_recorded_and_not_entered(
    state: State, trigger: Trigger, monkeypatch: pytest.MonkeyPatch
) -> None:
    rig = brought_to(state)
    monkeypatch.setitem(TRANSITIONS, (state, trigger), Transition(TRANSITIONS[state, trigger].response, frozenset()))
    before = len(rig.outputs)
    event = INPUTS[trigger](rig)
    assert event is not None
    rig.send(event)
    assert rig.controller.state is state
    outputs = rig.outputs[before:]
    assert not any(isinstance(output, SendArm | SendLoad) for output in outputs)
    defects = [output for output in outputs if isinstance(output, Decision) and output.reason is Reason.DEFECT]
    assert [(defect.nonce, defect.action, defect.state) for defect in defects] == [(None, "hold", state)]
