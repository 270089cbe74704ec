"""Corners of the regulator that one wrong line could break unseen: late rests, old reports, second cables, last tries.

Each test was written against one changed line of the core that all others let pass. Behaviour is ours to define (the
design page and the prescription's own words); nothing here comes from a publication.
"""

from __future__ import annotations

import dataclasses
import math
from typing import Any

import pytest

from ebbset.controller.detection.signals import RepetitionEnded, StallSeen
from ebbset.controller.messages.actions import Answer, Output, SendArm, SendLoad, SendUnload, StateChanged
from ebbset.controller.messages.events import (
    Acknowledged,
    Event,
    GuardRefused,
    LinkUp,
    RepetitionSeen,
    Requested,
    Samples,
    Tick,
)
from ebbset.controller.messages.reasons import Reason, State
from ebbset.controller.regulation.armed_set import ArmedSet
from ebbset.controller.regulation.cable import Cable
from ebbset.controller.regulation.regulator import Regulator
from ebbset.controller.regulation.rig_facts import RigFacts
from ebbset.controller.regulation.stop_rules import SideStrikes, after_repetition, budget
from ebbset.models.contract.operator_messages import RequestAction
from ebbset.models.contract.rig_messages import Refusal, RepetitionOutcome, RigEventKind
from tests.support.kinematic_rig import BOTTOM_M, POLICIES, KinematicRig, profile_of
from tests.support.regulated import begun, ended_by, order, rig_report, state_of

TWO_BOUTS = [{"repetitions": 2}, {"load_n": 350.0, "rest_before_s": 6.0, "repetitions": 2}]


def armed(**identity: Any) -> KinematicRig:
    rig = KinematicRig(order(), profile=profile_of())
    rig.send(LinkUp(now_us=rig.now_us))
    rig.send(rig.identity(**identity))
    rig.run(0.2)
    rig.ask(RequestAction.ARM)
    rig.frame()
    return rig


def answer_to(rig: KinematicRig, action: RequestAction, **changes: Any) -> Answer:
    return next(o for o in rig.ask(action, **changes) if isinstance(o, Answer))


# --- time, freshness and the dock ---------------------------------------------------------------------------------


def test_a_clock_that_steps_back_does_not_make_old_telemetry_young() -> None:
    rig = begun(order())
    rig.run(3)
    newest = rig.now_us
    rig.ask(RequestAction.STOP, now_us=newest - 2_000_000)
    assert rig.decisions("end")[-1].now_us == newest


def test_a_start_on_telemetry_that_has_gone_silent_is_refused() -> None:
    rig = armed()
    answer = answer_to(rig, RequestAction.START, now_us=rig.now_us + 1_000_000)
    assert (answer.accepted, answer.code) == (False, "no_telemetry")
    assert not any(isinstance(c, SendLoad) for c in rig.commands)
    assert rig.result() is None, "the regulator refuses by itself; the guard is not needed for it"


@pytest.mark.parametrize(("age_us", "accepted"), [(1_000_000, True), (-1_000, False)])
def test_only_a_report_newer_than_the_last_sample_moves_the_handle_out_of_the_dock(age_us: int, accepted: bool) -> None:
    rig = armed()
    report = rig_report(rig, RigEventKind.UNDOCKED)
    rig.send(dataclasses.replace(report, t_us=rig.rig_us - age_us))
    assert answer_to(rig, RequestAction.START).accepted is accepted


def test_an_announcement_without_a_link_makes_no_rig() -> None:
    rig = KinematicRig(order())
    rig.send(rig.identity())
    assert rig.controller.state is State.OFFLINE


def test_a_rig_that_announces_other_capabilities_under_load_ends_the_set() -> None:
    rig = begun(order())
    rig.run(3)
    rig.send(rig.identity(max_load_n=900.0))
    rig.run(4)
    assert ended_by(rig) is Reason.RIG_DISAGREES


def test_a_refusal_of_somebody_elses_command_is_not_ours() -> None:
    rig = begun(order())
    rig.run(3)
    refused = {"accepted": False, "refusal": Refusal.ABOVE_CEILING, "applied_n": (400.0,), "docked": False}
    rig.send(rig.acknowledgement("somebody-elses", 3, **refused))
    assert rig.controller.state is State.WORKING


def test_movement_in_the_dock_is_no_repetition_under_way() -> None:
    rig = KinematicRig(order(stop={"max_start_wait_s": 4.0}), profile=profile_of())
    rig.resting = True
    rig.begin()
    original = rig.step

    def rattles(dt: float) -> None:
        original(dt)
        rig.x[0] = BOTTOM_M + 0.02 * math.sin(rig.now_us * 2e-5)
        rig.v[0] = 0.4 * math.cos(rig.now_us * 2e-5)

    rig.step = rattles  # type: ignore[method-assign]
    rig.run(7)
    assert rig.docked
    assert ended_by(rig) is Reason.PAUSE_TOO_LONG


# --- unloading, rests and the end ---------------------------------------------------------------------------------


def test_the_end_waits_for_telemetry_from_after_the_stop() -> None:
    rig = armed()
    rig.ask(RequestAction.STOP)
    rig.send(Tick(now_us=rig.now_us + 1_000))
    assert rig.controller.state is State.ENDING
    rig.run(0.1)
    assert state_of(rig) is State.ENDED


@pytest.mark.parametrize("stopped", [False, True])
def test_unloading_is_renewed_at_least_three_times_a_lease_armed_and_ending(stopped: bool) -> None:
    rig = begun(order()) if stopped else armed()
    rig.run(3)
    if stopped:
        stuck = list(rig.applied)
        rig.ask(RequestAction.STOP)
        rig.ramp, rig.applied = 0.0, stuck
    before = len(rig.commands)
    rig.ramp = 0.0
    rig.run(1.8)
    assert rig.controller.state is (State.ENDING if stopped else State.ARMED)
    assert len([c for c in rig.commands[before:] if isinstance(c, SendUnload)]) >= 3 * 1.8 / 0.6


def resting() -> KinematicRig:
    rig = begun(order(bouts=TWO_BOUTS, stop={"max_start_wait_s": 3.0}))
    while rig.controller.state is not State.RESTING:
        rig.run(0.05)
    rig.run(4)
    assert rig.docked
    return rig


@pytest.mark.parametrize("what", ["load still on", "out of the dock"])
def test_after_a_rest_the_load_stays_off_until_the_rig_is_unloaded_and_docked_and_the_wait_has_an_end(
    what: str,
) -> None:
    rig = resting()
    original = rig.step

    def held(dt: float) -> None:
        original(dt)
        if what == "load still on":
            rig.applied, rig.resting = [8.0], True
        else:
            rig.docked = False

    rig.step = held  # type: ignore[method-assign]
    rig.run(4)
    assert rig.controller.state is State.RESTING
    rig.run(6)
    assert not any(d.reason is Reason.BOUT_BEGUN for d in rig.decisions("load"))
    assert ended_by(rig) is Reason.PAUSE_TOO_LONG


def test_a_rest_gives_capacity_back() -> None:
    rig = begun(order(bouts=[{"on_stall": "end"}, {"load_n": 350.0, "rest_before_s": 20.0}]), lifts_n=[1e9, 350, 1e9])
    rig.run(45)
    spent = {
        state: [o.budget_spent for o in rig.outputs if isinstance(o, StateChanged) and o.state is state]
        for state in (State.RESTING, State.WORKING)
    }
    before, after = (
        spent[State.RESTING][-1],
        next(o.budget_spent for o in rig.outputs if isinstance(o, StateChanged) and o.bout == 1),
    )
    assert before is not None
    assert after is not None
    assert before > 0.03
    assert after < before


def test_a_set_stopped_in_a_rest_tells_the_last_load_under_the_lifter() -> None:
    rig = resting()
    rig.ask(RequestAction.STOP)
    rig.run(1)
    result = rig.result()
    assert result is not None
    assert result.final_load_n == (400.0,)


def test_a_second_try_at_the_floor_is_had_where_two_failures_are_allowed() -> None:
    rig = begun(
        order(load={"start_n": 130.0, "floor_n": 120.0}, stop={"floor_failures": 2, "max_pause_s": 60.0}),
        lifts_n=[1e9, 50],
    )
    rig.run(25)
    assert len(rig.decisions("hold")) == 1
    assert ended_by(rig) is Reason.FLOOR_FAILED
    assert dict(rig.decisions("end")[-1].inputs)["floor_failures"] == 2.0


def test_a_stall_that_spends_the_budget_ends_the_set_instead_of_dropping() -> None:
    rig = begun(order(budget={"capacity_loss": 0.06}), lifts_n=[1e9, 350])
    rig.run(12)
    assert rig.decisions("drop") == []
    assert ended_by(rig) is Reason.BUDGET_SPENT


# --- two cables ---------------------------------------------------------------------------------------------------


def test_coupled_cables_that_stall_in_the_same_frame_drop_once() -> None:
    rig = begun(order(), cables=2, lifts_n=[1e9, 350], weaker_side=1.0)
    while not rig.decisions("drop"):
        rig.run(0.05)
    assert [d.to_n for d in rig.decisions("drop")] == [(300.0, 300.0)]


def test_two_stalls_in_the_same_frame_end_the_set_once() -> None:
    rig = begun(order(stop={"max_drops": 0}), cables=2, lifts_n=[1e9, 350], weaker_side=1.0)
    rig.run(14)
    assert ended_by(rig) is Reason.DROPS_SPENT
    assert len(rig.decisions("end")) == 1


@pytest.mark.parametrize("sections", [{"bouts": [{"repetitions": 2}]}, {"stop": {"max_repetitions": 2}}])
def test_repetitions_count_for_the_side_that_has_fewer(sections: dict[str, Any]) -> None:
    sections = {**sections, "load": {"cables": "independent"}, "stall": {"start_patience_s": 30.0}}
    rig = begun(order(**sections), cables=2)
    original = rig.step

    def one_side_rests(dt: float) -> None:
        original(dt)
        rig.x[1], rig.v[1] = BOTTOM_M, 0.0
        if rig.phase == "up" and rig.x[0] > BOTTOM_M + 0.49:
            rig.enter("top")

    rig.step = one_side_rests  # type: ignore[method-assign]
    rig.run(14)
    assert len([r for r in rig.repetitions() if r.cable == 0 and r.outcome is RepetitionOutcome.COMPLETED]) > 2
    assert rig.result() is None


def test_differences_between_the_sides_must_come_in_a_row() -> None:
    rig = begun(order(stop={"max_left_right_difference": 0.10, "max_repetitions": 5}), cables=2)
    original = rig.step

    def every_other(dt: float) -> None:
        rig.side_rom = 0.86 if rig.attempt % 2 == 0 else 1.0
        original(dt)

    rig.step = every_other  # type: ignore[method-assign]
    rig.run(30)
    assert ended_by(rig) is Reason.REPETITIONS_DONE


def test_sides_that_differ_in_velocity_alone_stop_the_set() -> None:
    rig = begun(order(stop={"max_left_right_difference": 0.10}), cables=2, weaker_side=0.8)
    rig.run(15)
    assert ended_by(rig) is Reason.LEFT_RIGHT_DIFFERENCE
    told = dict(rig.decisions("end")[-1].inputs)
    assert told["rom_difference"] is not None
    assert told["velocity_difference"] is not None
    assert told["rom_difference"] < 0.10 < told["velocity_difference"]


# --- the stop rules, at their very limits -------------------------------------------------------------------------


def pair(**sections: Any) -> tuple[Cable, Cable]:
    one, other = (Cable(order(**sections), profile_of(), has_force=True) for _ in range(2))
    one.begin_bout(400.0)
    other.begin_bout(400.0)
    return one, other


def repetition(velocity_m_s: float, *, rom_m: float = 0.5, load_changed: bool = False) -> RepetitionEnded:
    return RepetitionEnded(
        outcome=RepetitionOutcome.COMPLETED,
        t_start_us=0,
        t_end_us=1_000_000,
        rom_m=rom_m,
        mean_velocity_m_s=velocity_m_s,
        peak_velocity_m_s=1.5 * velocity_m_s,
        min_velocity_m_s=0.1,
        mean_force_n=None,
        load_changed=load_changed,
    )


def reason_after(sections: dict[str, Any], cables: tuple[Cable, ...], strikes: int = 0) -> Reason | None:
    finding = after_repetition(order(**sections), cables, 0, SideStrikes(strikes, (0.4, 0.0)))
    return None if finding is None else finding.reason


@pytest.mark.parametrize(("load_changed", "reason"), [(True, None), (False, Reason.VELOCITY_LOSS)])
def test_a_repetition_in_which_the_load_changed_says_nothing_of_velocity_loss(
    load_changed: bool, reason: Reason | None
) -> None:
    cables = pair()
    for velocity_m_s, changed in ((0.6, False), (0.2, load_changed)):
        cables[0].repetition(repetition(velocity_m_s, load_changed=changed), least_rom_fraction=None)
    assert reason_after({"stop": {"max_velocity_loss": 0.3}}, cables) is reason


@pytest.mark.parametrize(("strikes", "reason"), [(1, None), (2, Reason.LEFT_RIGHT_DIFFERENCE)])
def test_the_left_right_rule_ends_at_the_number_of_strikes_that_is_written(strikes: int, reason: Reason | None) -> None:
    cables = pair()
    cables[0].repetition(repetition(0.6), least_rom_fraction=None)
    cables[1].repetition(repetition(0.6, rom_m=0.3), least_rom_fraction=None)
    sections = {"stop": {"max_left_right_difference": 0.1, "left_right_strikes": 2}}
    assert reason_after(sections, cables, strikes) is reason


@pytest.mark.parametrize(("short", "reason"), [(1, None), (2, Reason.ROM_SHRINKING)])
def test_the_rom_rule_ends_at_the_number_of_strikes_that_is_written(short: int, reason: Reason | None) -> None:
    cables = pair()
    for rom_m in (0.5, *(0.2,) * short):
        cables[0].repetition(repetition(0.6, rom_m=rom_m), least_rom_fraction=0.7)
    assert reason_after({"stop": {"min_rom_fraction": 0.7, "rom_strikes": 2}}, cables) is reason


@pytest.mark.parametrize(("done", "reason"), [(1, None), (2, Reason.BUDGET_SPENT)])
def test_a_budget_of_hard_repetitions_ends_at_the_number_that_is_written(done: int, reason: Reason | None) -> None:
    cables = pair()
    for _ in range(done):
        cables[0].effort.repetition(reserve=0.0, spent=0.0)
    assert cables[0].effort.hard_repetitions == done
    assert reason_after({"budget": {"hard_repetitions": 2.0}}, cables) is reason


def test_the_budget_is_spent_when_either_cable_has_spent_it() -> None:
    cables = pair()
    for velocity_m_s in (0.6, 0.5, 0.4, 0.35):
        cables[1].repetition(repetition(velocity_m_s), least_rom_fraction=None)
    spent = cables[1].capacity.budget_spent
    assert spent is not None
    found = budget(order(budget={"capacity_loss": spent}), cables)
    assert found is not None
    assert (found.reason, found.cable) == (Reason.BUDGET_SPENT, 1)


# --- what is known of the rig -------------------------------------------------------------------------------------


def facts(*, cables: int = 1, telemetry: str = "frames") -> RigFacts:
    known = RigFacts()
    known.announced(KinematicRig(order(), cables=cables).identity(telemetry=telemetry))
    return known


FRAME = Samples(
    now_us=10_000,
    boot_id="boot-0001",
    seq=5,
    nonce=None,
    docked=True,
    applied_n=(0.0,),
    t_us=(1_000, 2_000),
    position_m=((0.1, 0.1),),
    velocity_m_s=((0.0, 0.0),),
    force_n=((0.0, 0.0),),
)


@pytest.mark.parametrize(
    ("changes", "accepted"),
    [
        ({"seq": 6, "t_us": (2_001, 3_000)}, True),
        ({"seq": 6, "t_us": (2_000, 3_000)}, False),
        ({"seq": 5, "t_us": (2_001, 3_000)}, False),
        ({"seq": 6, "t_us": (2_001, 3_000), "position_m": ((0.1, math.nan),)}, False),
        ({"seq": 6, "t_us": (2_001, 3_000), "force_n": ((math.inf, 0.0),)}, False),
        ({"seq": 6, "t_us": (2_001, 3_000), "applied_n": (math.nan,)}, False),
    ],
)
def test_a_frame_counts_only_when_it_is_new_in_number_and_time_and_finite(
    changes: dict[str, Any], accepted: bool
) -> None:
    known = facts()
    assert known.accept_samples(FRAME)
    assert known.accept_samples(dataclasses.replace(FRAME, now_us=20_000, **changes)) is accepted
    assert known.fresh_us == (20_000 if accepted else 10_000)


def ack(t_us: int, now_us: int) -> Acknowledged:
    return Acknowledged(
        now_us=now_us,
        boot_id="boot-0001",
        nonce="nonce",
        command_seq=1,
        t_us=t_us,
        accepted=True,
        refusal=None,
        applied_n=(0.0,),
        docked=True,
    )


def test_an_acknowledgement_is_a_sign_of_life_only_where_no_frames_are_sent_and_only_when_new() -> None:
    framed = facts()
    framed.accept_ack(ack(9_000, 50_000))
    assert framed.fresh_us is None
    plain = facts(telemetry="repetitions")
    assert plain.accept_ack(ack(9_000, 50_000))
    assert not plain.accept_ack(ack(8_000, 60_000))
    assert plain.fresh_us == 50_000


def summary(**changes: Any) -> RepetitionSeen:
    base: dict[str, Any] = {
        "now_us": 60_000,
        "boot_id": "boot-0001",
        "seq": 1,
        "nonce": "nonce",
        "docked": False,
        "applied_n": (300.0,),
        "t_start_us": 1_000,
        "t_end_us": 8_000,
        "outcome": RepetitionOutcome.COMPLETED,
        "rom_m": (0.5,),
        "mean_velocity_m_s": (0.5,),
        "peak_velocity_m_s": (0.8,),
        "mean_force_n": (None,),
    }
    return RepetitionSeen(**{**base, **changes})


@pytest.mark.parametrize(("t_end_us", "docked"), [(8_000, True), (9_500, False)])
def test_a_summary_from_before_the_last_acknowledgement_does_not_move_the_handle(t_end_us: int, docked: bool) -> None:
    known = facts(telemetry="repetitions")
    known.accept_ack(ack(9_000, 50_000))
    assert known.accept_repetition(summary(t_end_us=t_end_us))
    assert known.docked is docked


def test_the_second_cable_is_compared_with_its_target_too() -> None:
    rig = begun(order(), cables=2)
    rig.run(3.0)
    rig.applied[1] += 60.0
    rig.ramp = 0.0
    rig.frame()
    end = rig.decisions("end")[0]
    assert end.reason is Reason.RIG_DISAGREES
    assert (dict(end.inputs)["difference_n"], dict(end.thresholds)["allowed_n"]) == (60.0, 24.0)


# --- the order ----------------------------------------------------------------------------------------------------


def test_what_the_rig_can_do_narrows_lease_and_ramp() -> None:
    rig = armed(max_lease_ms=300, max_ramp_n_per_s=200.0)
    [arm] = [c for c in rig.commands if isinstance(c, SendArm)]
    assert (arm.lease_ms, arm.max_ramp_n_per_s) == (300, 200.0)


def test_telemetry_may_never_be_older_than_the_lease() -> None:
    rig = armed(max_lease_ms=200)
    rig.send(Tick(now_us=rig.now_us + 200_000))
    assert rig.controller.state is State.ARMED
    rig.send(Tick(now_us=rig.now_us + 200_001))
    assert rig.decisions("end")[-1].reason is Reason.TELEMETRY_LOST


def order_of_two() -> ArmedSet:
    request = Requested(
        now_us=0,
        correlation_id="c",
        action=RequestAction.ARM,
        operator="coach",
        cautions_shown=True,
        fresh_nonce="nonce-0001",
        prescription=order(load={"cables": "independent"}),
        profile=profile_of(),
    )
    return ArmedSet.of(request, facts(cables=2, telemetry="repetitions"), POLICIES)


@pytest.mark.parametrize("outcome", [RepetitionOutcome.FAILED, RepetitionOutcome.NOT_STARTED])
def test_a_reported_failure_is_a_stall_of_the_side_that_came_less_far(outcome: RepetitionOutcome) -> None:
    both = summary(
        outcome=outcome,
        applied_n=(300.0, 300.0),
        rom_m=(0.3, 0.2),
        mean_velocity_m_s=(0.2, 0.3),
        peak_velocity_m_s=(0.4, 0.5),
        mean_force_n=(None, None),
    )
    signals = list(order_of_two().signals_of(both))
    assert [k for k, signal in signals if isinstance(signal, RepetitionEnded)] == [0, 1]
    assert [k for k, signal in signals if isinstance(signal, StallSeen)] == [1]


def test_the_budget_that_is_reported_is_that_of_the_side_that_has_spent_more() -> None:
    two = order_of_two()
    for cable, slowest in zip(two.cables, (0.55, 0.35), strict=True):
        cable.begin_bout(400.0)
        for velocity_m_s in (0.6, 0.5, slowest):
            cable.repetition(repetition(velocity_m_s), least_rom_fraction=None)
    each = [cable.capacity.budget_spent for cable in two.cables]
    assert each[0] != each[1]
    assert two.budget_spent == max(spent for spent in each if spent is not None)


# --- behind a refusal of the guard --------------------------------------------------------------------------------


def test_nothing_that_was_sent_with_a_refused_command_or_after_it_reaches_the_rig(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    rig = begun(order())
    rig.run(3)
    [good] = [c for c in rig.commands if isinstance(c, SendLoad)][-1:]
    bad = dataclasses.replace(good, seq=good.seq + 1, target_n=(401.0,))
    also = dataclasses.replace(good, seq=good.seq + 2)
    unload = SendUnload(nonce=good.nonce, seq=good.seq + 3, ramp_n_per_s=300.0)
    heard: list[Event] = []

    def faulty(_regulator: Regulator, event: Event) -> tuple[Output, ...]:
        heard.append(event)
        return (unload,) if isinstance(event, GuardRefused) else (bad, also)

    monkeypatch.setattr(Regulator, "handle", faulty)
    now_us = rig.now_us + 1_000
    out = rig.controller.handle(Tick(now_us=now_us))
    assert [type(item) for item in out] == [SendUnload]
    assert len([event for event in heard if isinstance(event, GuardRefused)]) == 1
    # Not even a regulator that answers a refusal with another load gets one past the guard.
    later = dataclasses.replace(good, seq=good.seq + 4)
    monkeypatch.setattr(Regulator, "handle", lambda _regulator, _event: (later,))
    assert rig.controller.handle(Tick(now_us=now_us + 1_000)) == ()
