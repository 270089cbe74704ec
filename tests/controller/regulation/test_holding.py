"""The handle that is taken early, the end that stays fast, the rig that is held to its word, and time in a rest."""

from __future__ import annotations

import dataclasses
from typing import Any

import pytest

from ebbset.controller.estimation.carried_state import is_sound_state
from ebbset.controller.messages.actions import Answer, SendLoad, SendUnload
from ebbset.controller.messages.events import Samples
from ebbset.controller.messages.reasons import Reason, State
from ebbset.models.contract.operator_messages import RequestAction
from ebbset.models.contract.rig_messages import RepetitionOutcome, RigEventKind
from tests.support.answering_rig import AnsweringRig
from tests.support.kinematic_rig import KinematicRig, profile_of
from tests.support.regulated import begun, ended_by, order, rig_report, state_of


def taken(rig: KinematicRig, after_s: float) -> KinematicRig:
    """The handle leaves the dock this long after the start, and is held."""
    rig.run(after_s)
    rig.phase = "held away from the dock"
    rig.frame()
    return rig


def end_of(rig: KinematicRig) -> Reason:
    [end] = rig.decisions("end")
    return end.reason


def rest_of(sections: dict[str, Any], **bout: Any) -> Any:
    return order(bouts=[{"repetitions": 1}, {"rest_before_s": 3.0, **bout}], **sections)


# --- a handle that is taken before the load stands ----------------------------------------------------------------


@pytest.mark.parametrize("after_s", [0.05, 0.25, 0.85])
def test_a_handle_taken_while_the_load_comes_on_ends_the_set_and_nothing_rises(after_s: float) -> None:
    rig = begun(order())
    taken(rig, after_s)
    at_taking_n = rig.applied[0]
    assert at_taking_n < 370
    assert end_of(rig) is Reason.TAKEN_EARLY
    assert isinstance(rig.commands[-1], SendUnload)
    highest_n = 0.0
    for _ in range(80):
        rig.frame()
        highest_n = max(highest_n, rig.applied[0])
    assert highest_n <= at_taking_n
    assert ended_by(rig) is Reason.TAKEN_EARLY
    assert rig.result().guard_refusals == 0  # type: ignore[union-attr]


def test_a_load_that_stands_may_be_taken() -> None:
    assert state_of(taken(begun(order()), 1.05)) is State.WORKING


def test_an_undocking_that_is_reported_between_frames_counts_at_once() -> None:
    rig = begun(order())
    rig.run(0.3)
    rig.send(rig_report(rig, RigEventKind.UNDOCKED))
    assert end_of(rig) is Reason.TAKEN_EARLY


def test_the_next_bout_has_to_stand_anew() -> None:
    rig = begun(rest_of({}))
    while state_of(rig) is not State.RESTING:
        rig.frame()
    while state_of(rig) is not State.WORKING:
        rig.frame()
    taken(rig, 0.3)
    assert end_of(rig) is Reason.TAKEN_EARLY


def test_without_frames_the_report_of_the_dock_and_the_last_acknowledged_load_tell() -> None:
    rig = AnsweringRig(order(), profile=profile_of())
    rig.begin()
    rig.run(0.4)
    rig.phase = "held away from the dock"
    rig.frame()
    assert end_of(rig) is Reason.TAKEN_EARLY


def test_without_frames_an_acknowledgement_alone_tells_too() -> None:
    rig = AnsweringRig(order(), profile=profile_of())
    rig.begin()
    rig.run(0.2)
    rig.lie = {"docked": False}
    rig.run(0.3)
    assert end_of(rig) is Reason.TAKEN_EARLY


# --- the ramp of an ending ----------------------------------------------------------------------------------------


def test_after_a_release_every_repeat_of_the_unload_keeps_the_fastest_ramp() -> None:
    rig = begun(order())
    rig.run(3.0)
    rig.phase = "flying"
    for _ in range(6):
        rig.v[0] = -2.0
        rig.x[0] = max(rig.x[0] - 0.1, 0.2)
        rig.frame()
        if state_of(rig) is not State.WORKING:
            break
    assert end_of(rig) is Reason.HANDLE_RELEASED
    since = len(rig.commands)
    rig.v[0] = 0.0
    # the load is still on, so that the unload is repeated
    rig.ramp, rig.applied = 0.0, [400.0]
    rig.run(1.0)
    repeats = rig.commands[since:]
    assert len(repeats) >= 5
    assert {command.ramp_n_per_s for command in repeats if isinstance(command, SendUnload)} == {2_000.0}


def test_any_other_end_keeps_the_prescribed_ramp() -> None:
    rig = begun(order())
    rig.run(2.0)
    rig.ask(RequestAction.STOP)
    rig.run(0.5)
    unloads = [command for command in rig.commands if isinstance(command, SendUnload)]
    assert {command.ramp_n_per_s for command in unloads} == {400.0}


# --- a rig without frames is held to its word ---------------------------------------------------------------------


def answering(**changes: Any) -> AnsweringRig:
    rig = AnsweringRig(order(), profile=profile_of(), **changes)
    rig.begin()
    rig.run(2.5)
    return rig


def test_a_true_rig_without_frames_goes_on_and_drops() -> None:
    rig = answering()
    assert state_of(rig) is State.WORKING
    rig.summary(RepetitionOutcome.FAILED)
    rig.run(2.5)
    assert [decision.to_n for decision in rig.decisions("drop")] == [(300.0,)]
    assert state_of(rig) is State.WORKING


@pytest.mark.parametrize(("factor", "why"), [(2.0, "double load"), (1.07, "a little too much")])
def test_another_load_than_commanded_ends_the_set(factor: float, why: str) -> None:
    rig = answering(factor=factor)
    assert end_of(rig) is Reason.RIG_DISAGREES, why


def test_no_load_at_all_ends_the_set_though_nobody_takes_the_handle() -> None:
    rig = AnsweringRig(order(), profile=profile_of(), factor=0.0)
    rig.begin()
    rig.resting = True
    rig.run(2.5)
    assert end_of(rig) is Reason.RIG_DISAGREES


def test_a_drop_that_is_ignored_ends_the_set() -> None:
    rig = answering()
    rig.lie = {"applied_n": (400.0,)}
    rig.summary(RepetitionOutcome.FAILED)
    assert state_of(rig) is State.WORKING
    rig.run(2.0)
    assert end_of(rig) is Reason.RIG_DISAGREES


def test_a_summary_that_tells_another_load_ends_the_set() -> None:
    rig = answering()
    rig.summary(applied_n=(450.0,))
    assert end_of(rig) is Reason.RIG_DISAGREES


@pytest.mark.parametrize("nonce", ["somebody-else", None])
def test_a_summary_of_another_set_ends_this_one_and_is_not_counted(nonce: str | None) -> None:
    rig = answering()
    rig.summary(nonce=nonce)
    assert end_of(rig) is Reason.RIG_DISAGREES
    assert rig.repetitions() == []


def test_a_late_summary_of_an_earlier_set_is_only_counted() -> None:
    rig = answering()
    rig.summary(nonce="the-set-before", t_start_us=1_000, t_end_us=2_000)
    assert state_of(rig) is State.WORKING
    assert rig.repetitions() == []


def test_acknowledgements_for_another_set_are_no_sign_of_life() -> None:
    rig = answering()
    rig.lie = {"nonce": "somebody-else"}
    rig.run(1.0)
    assert end_of(rig) is Reason.TELEMETRY_LOST


# --- facts by the rig's clock -------------------------------------------------------------------------------------


def resting() -> KinematicRig:
    rig = begun(rest_of({}))
    while state_of(rig) is not State.RESTING:
        rig.frame()
    rig.run(2.5)
    assert rig.docked
    return rig


def test_an_older_frame_does_not_undo_a_newer_undocking_so_that_no_load_comes_on() -> None:
    rig = resting()
    before = sum(isinstance(command, SendLoad) for command in rig.commands)
    for _ in range(12):
        report = rig_report(rig, RigEventKind.UNDOCKED)
        rig.send(dataclasses.replace(report, t_us=rig.rig_us + 60_000))
        rig.frame()
    assert state_of(rig) is State.RESTING
    assert sum(isinstance(command, SendLoad) for command in rig.commands) == before
    rig.run(0.2)
    assert state_of(rig) is State.WORKING


def test_an_undocked_frame_counts_even_behind_a_report_from_the_future() -> None:
    rig = resting()
    rig.send(dataclasses.replace(rig_report(rig, RigEventKind.DOCKED), t_us=2**52))
    rig.phase = "held away from the dock"
    rig.run(2.0)
    assert state_of(rig) is State.RESTING


# --- time in a rest, and a start that can be carried out ----------------------------------------------------------


def test_no_load_comes_on_for_a_set_whose_time_is_over() -> None:
    rig = begun(order(bouts=[{"repetitions": 1}, {"rest_before_s": 20.0}], stop={"max_duration_s": 10.0}))
    rig.run(10.5)
    assert end_of(rig) is Reason.DURATION_SPENT
    assert rig.decisions("end")[0].state is State.RESTING
    assert [decision.reason for decision in rig.decisions("load")] == [Reason.STARTED]


def test_a_rest_is_rounded_up_by_regulator_and_guard_alike() -> None:
    rig = begun(order(bouts=[{"repetitions": 1}, {"rest_before_s": 3.0000004}]))
    while state_of(rig) is not State.RESTING:
        rig.frame()
    began_us = rig.decisions("rest")[0].now_us
    while rig.now_us < began_us + 2_950_000:
        rig.frame()
    for early_us in (0, 1):
        frame = Samples(
            now_us=began_us + 3_000_000 + early_us,
            boot_id="boot-0001",
            seq=rig.seq + 1 + early_us,
            nonce=rig.nonce,
            docked=True,
            applied_n=(0.0,),
            t_us=(rig.rig_us + 1_000 + early_us,),
            position_m=((0.15,),),
            velocity_m_s=((0.0,),),
            force_n=((0.0,),),
        )
        rig.send(frame)
        assert state_of(rig) is (State.WORKING if early_us else State.RESTING)
    assert rig.decisions("end") == []


def test_a_start_that_no_load_could_follow_is_refused() -> None:
    rig = AnsweringRig(order(), profile=profile_of(), answers=False)
    rig.online()
    rig.ask(RequestAction.ARM)
    [answer] = [out for out in rig.ask(RequestAction.START) if isinstance(out, Answer)]
    assert (answer.accepted, answer.code) == (False, "rig_not_heard")
    assert rig.decisions("load") == []
    rig.answers = True
    rig.answer()
    [answer] = [out for out in rig.ask(RequestAction.START) if isinstance(out, Answer)]
    assert answer.code == "started"
    assert isinstance(rig.commands[-1], SendLoad)


def test_a_rig_without_frames_that_was_silent_between_two_sets_may_be_armed_again() -> None:
    rig = answering()
    rig.ask(RequestAction.STOP)
    rig.run(3.0)
    assert state_of(rig) is State.ENDED
    rig.now_us += 60_000_000
    rig.rig_us += 60_000_000
    rig.phase, rig.phase_s, rig.docked = "dock", 0.0, True
    rig.ask(RequestAction.ARM)
    rig.frame()
    assert state_of(rig) is State.ARMED


# --- telemetry that is not what was announced ---------------------------------------------------------------------


@pytest.mark.parametrize("until", [State.ARMED, State.WORKING])
def test_frames_that_lack_the_announced_force_count_as_silence(until: State) -> None:
    rig = KinematicRig(order(), profile=profile_of())
    rig.online()
    rig.ask(RequestAction.ARM)
    rig.frame()
    if until is State.WORKING:
        rig.ask(RequestAction.START)
        rig.run(2.0)
    assert state_of(rig) is until
    rig.force = False
    rig.frame()
    assert state_of(rig) is until
    rig.run(0.4)
    assert end_of(rig) is Reason.TELEMETRY_LOST


def test_a_rig_that_announced_no_force_need_not_send_any() -> None:
    rig = KinematicRig(order(), profile=profile_of(), force=False)
    rig.begin()
    rig.run(3.0)
    assert state_of(rig) is State.WORKING


@pytest.mark.parametrize("until", [State.ARMED, State.WORKING, State.RESTING])
def test_a_clock_of_the_rig_that_leaps_ahead_is_a_loss_of_telemetry(until: State) -> None:
    rig = begun(rest_of({})) if until is not State.ARMED else KinematicRig(order(), profile=profile_of())
    if until is State.ARMED:
        rig.online()
        rig.ask(RequestAction.ARM)
    while state_of(rig) is not until:
        rig.frame()
    rig.rig_us += 190_000
    rig.frame()
    assert state_of(rig) is until
    rig.rig_us += 250_000
    rig.frame()
    assert end_of(rig) is Reason.TELEMETRY_LOST
    [end] = rig.decisions("end")
    assert end.inputs == (("rig_clock_gap_ms", 260.0),)


def test_a_leap_within_one_frame_counts_too() -> None:
    rig = begun(order())
    rig.run(2.0)
    frame = rig.frame()
    assert frame is not None
    later = tuple(t + 50_000 for t in frame.t_us)
    rig.now_us += 50_000
    leaping = (*later[:2], *(t + 300_000 for t in later[2:]))
    rig.send(dataclasses.replace(frame, now_us=rig.now_us, seq=frame.seq + 1, t_us=leaping))
    assert end_of(rig) is Reason.TELEMETRY_LOST


# --- announcements that cannot be ---------------------------------------------------------------------------------

NONSENSE = ({"cables": 7}, {"max_ramp_n_per_s": 5e-324}, {"max_load_n": float("nan")}, {"max_lease_ms": -1})


@pytest.mark.parametrize("changes", NONSENSE)
def test_a_rig_that_announces_what_no_rig_can_be_is_not_there(changes: dict[str, Any]) -> None:
    rig = KinematicRig(order(), profile=profile_of())
    rig.online()
    rig.send(rig.identity(**changes))
    [answer] = [output for output in rig.ask(RequestAction.ARM) if isinstance(output, Answer)]
    assert (answer.accepted, answer.code) == (False, "rig_offline")
    rig.online()
    rig.ask(RequestAction.ARM)
    assert state_of(rig) is State.ARMED


@pytest.mark.parametrize("changes", NONSENSE)
@pytest.mark.parametrize("boot_id", ["boot-0001", "boot-0002"])
def test_such_an_announcement_in_a_set_ends_it(changes: dict[str, Any], boot_id: str) -> None:
    rig = begun(order())
    rig.run(2.0)
    rig.send(rig.identity(boot_id=boot_id, **changes))
    assert end_of(rig) is (Reason.RIG_DISAGREES if boot_id == "boot-0001" else Reason.RIG_REBOOTED)
    assert isinstance(rig.commands[-1], SendUnload)
    rig.run(6.0)
    assert state_of(rig) is State.ENDED


def test_what_an_embedding_kept_of_an_earlier_set_is_taken_over_only_if_it_can_be() -> None:
    rig = begun(order())
    rig.run(4.0)
    rig.ask(RequestAction.STOP)
    kept = rig.controller.left_behind
    assert kept is not None
    [state] = kept.cables
    assert is_sound_state(state)
    broken = (
        dataclasses.replace(state, z=state.z[:4]),
        dataclasses.replace(state, z=(float("nan"), *state.z[1:])),
        dataclasses.replace(state, unit_n=1e-300),
        dataclasses.replace(state, p=tuple(tuple(-value for value in row) for row in state.p)),
        dataclasses.replace(state, p=state.p[:4]),
    )
    assert not any(map(is_sound_state, broken))


# --- a load that nobody commanded ---------------------------------------------------------------------------------


@pytest.mark.parametrize("kind", [KinematicRig, AnsweringRig])
def test_a_load_that_comes_on_while_armed_ends_the_set(kind: type[KinematicRig]) -> None:
    rig = kind(order())
    rig.online()
    rig.ask(RequestAction.ARM)
    rig.run(1.5)
    assert state_of(rig) is State.ARMED
    rig.taut_n = 40.0
    rig.run(0.4)
    assert end_of(rig) is Reason.RIG_DISAGREES
    rig.ask(RequestAction.START)
    assert not any(isinstance(command, SendLoad) for command in rig.commands)


def test_a_load_that_stays_in_a_rest_ends_the_set_once_it_had_time_to_go_off() -> None:
    rig = begun(rest_of({}, rest_before_s=60.0))
    while state_of(rig) is State.WORKING:
        rig.frame()
    assert state_of(rig) is State.RESTING
    rest_began_us, rig.taut_n = rig.now_us, 400.0
    rig.run(1.6)
    assert state_of(rig) is State.RESTING
    while state_of(rig) is State.RESTING:
        rig.frame()
    assert end_of(rig) is Reason.RIG_DISAGREES
    assert 1_750_000 <= rig.now_us - rest_began_us <= 1_850_000


def test_what_is_left_of_the_load_before_goes_off_after_the_arming() -> None:
    rig = KinematicRig(order())
    rig.applied = [300.0]
    rig.online()
    rig.ask(RequestAction.ARM)
    rig.ramp = 400.0
    rig.run(4.0)
    assert state_of(rig) is State.ARMED
