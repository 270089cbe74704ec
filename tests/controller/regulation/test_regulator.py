"""The regulator as a whole, driven by a scripted rig: drops, floor, bouts, every stop rule, every fault of the link.

Behaviour is ours to define (the design page and the prescription's own words); nothing here comes from a publication.
"""

from __future__ import annotations

import dataclasses
import itertools
from typing import Any

import pytest

from ebbset.controller.detection.evidence.habit_figures import SHIPPED
from ebbset.controller.messages.actions import (
    Answer,
    SendArm,
    SendLoad,
    SendUnload,
    SetResult,
    StateChanged,
)
from ebbset.controller.messages.events import (
    BadInput,
    GuardRefused,
    LinkDown,
    LinkUp,
    RigLost,
    Tick,
)
from ebbset.controller.messages.reasons import Limit, Reason, State
from ebbset.controller.policies.policy import DropView, Proposal
from ebbset.models.contract.operator_messages import RequestAction
from ebbset.models.contract.rig_messages import Refusal, RepetitionOutcome, RigEventKind
from tests.support.kinematic_rig import FRAME, PERIOD_US, POLICIES, KinematicRig, profile_of
from tests.support.regulated import begun, ended_by, order, rig_report, state_of
from tests.support.summary_rig import SummaryRig


def test_a_set_drops_at_each_stall_holds_the_floor_and_ends_there() -> None:
    rig = begun(order(), lifts_n=[1e9, 1e9, 350, 260, 150, 90])
    rig.run(60)
    loads = [(d.from_n[0], d.to_n[0]) for d in rig.decisions("drop")]
    assert loads == [(400.0, 300.0), (300.0, 225.0), (225.0, 168.7), (168.7, 126.5), (126.5, 120.0)]
    assert rig.decisions("drop")[-1].limited_by == (Limit.FLOOR,)
    assert ended_by(rig) is Reason.FLOOR_FAILED
    result = rig.result()
    assert result is not None
    assert result.final_load_n == (120.0,)
    assert result.repetitions == 5
    assert result.guard_refusals == 0


def test_every_drop_says_why_on_which_numbers_and_against_what() -> None:
    rig = begun(order(), lifts_n=[1e9, 350])
    rig.run(12)
    drop = rig.decisions("drop")[0]
    inputs, thresholds = dict(drop.inputs), dict(drop.thresholds)
    assert drop.reason in (Reason.STALL_IN_CONCENTRIC, Reason.STALL_FORESEEN)
    assert inputs["proposed_n"] == pytest.approx(300.0)
    assert inputs["force_n"] == pytest.approx(400.0, abs=1.0)
    assert inputs["velocity_m_s"] is not None
    assert inputs["velocity_m_s"] < 0.05
    assert thresholds["velocity_m_s"] == 0.05
    assert thresholds["certainty"] == pytest.approx(SHIPPED.certainty(rig.prescription.stall), abs=1e-3)
    assert thresholds["floor_n"] == 120.0
    assert "25% off the load" in drop.text


def test_the_lease_is_renewed_at_least_three_times_a_lease_and_cites_the_newest_sample() -> None:
    rig = begun(order(), lifts_n=[1e9])
    rig.run(6)
    loads = [c for c in rig.commands if isinstance(c, SendLoad)]
    gaps = [b.cites_t_us - a.cites_t_us for a, b in itertools.pairwise(loads)]
    assert max(gaps) <= 600_000 / 3
    assert [c.seq for c in rig.commands if not isinstance(c, SendArm)] == sorted(
        c.seq for c in loads + [c for c in rig.commands if isinstance(c, SendUnload)]
    )


def test_start_is_refused_while_the_handle_is_out_of_the_dock() -> None:
    rig = KinematicRig(order())
    rig.online()
    rig.ask(RequestAction.ARM)
    rig.phase = "held away from the dock"
    rig.run(0.1)
    answer = next(o for o in rig.ask(RequestAction.START) if isinstance(o, Answer))
    assert (answer.accepted, answer.code) == (False, "handle_not_docked")
    assert not any(isinstance(c, SendLoad) for c in rig.commands)


@pytest.mark.parametrize(
    ("changes", "code"),
    [
        ({"cautions_shown": False}, "cautions_not_shown"),
        ({"prescription": None}, "no_prescription"),
        ({"fresh_nonce": None}, "nonce_not_fresh"),
        ({"prescription": order(load={"start_n": 2_000.0})}, "above_rig_maximum"),
        ({"prescription": order(load={"floor_n": 10.0})}, "below_rig_minimum"),
        ({"profile": profile_of("curl")}, "profile_of_another_exercise"),
        ({"prescription": order(drop={"policy": "nobody_has_this", "parameters": {}})}, "unknown_policy"),
        ({"prescription": order(drop={"parameters": {"fraction": 3.0}})}, "bad_policy_parameters"),
        ({"prescription": order(drop={"parameters": {"portion": 0.2}})}, "bad_policy_parameters"),
    ],
)
def test_arming_is_refused_with_a_code_and_a_sentence(changes: dict[str, Any], code: str) -> None:
    rig = KinematicRig(order())
    rig.online()
    answer = next(o for o in rig.ask(RequestAction.ARM, **changes) if isinstance(o, Answer))
    assert (answer.accepted, answer.code) == (False, code)
    assert "allowed" in answer.message
    assert state_of(rig) is State.IDLE
    assert rig.commands == []


def test_arming_without_telemetry_is_refused() -> None:
    rig = KinematicRig(order())
    rig.send(LinkUp(now_us=rig.now_us))
    rig.send(rig.identity())
    answer = next(o for o in rig.ask(RequestAction.ARM) if isinstance(o, Answer))
    assert (answer.accepted, answer.code) == (False, "no_telemetry")


STOP_CASES: list[tuple[str, dict[str, Any], dict[str, Any], float, Reason]] = [
    ("drops", {"stop": {"max_drops": 1}}, {"lifts_n": [1e9, 350, 250]}, 30, Reason.DROPS_SPENT),
    ("repetitions", {"stop": {"max_repetitions": 3}}, {}, 30, Reason.REPETITIONS_DONE),
    ("duration", {"stop": {"max_duration_s": 7.0}}, {}, 12, Reason.DURATION_SPENT),
    ("budget", {"budget": {"capacity_loss": 0.10}}, {"lifts_n": [1e9, 1e9, 380, 300, 200]}, 40, Reason.BUDGET_SPENT),
]


@pytest.mark.parametrize(("name", "sections", "rig_changes", "seconds", "reason"), STOP_CASES)
def test_stop_rules_end_the_set(
    name: str, sections: dict[str, Any], rig_changes: dict[str, Any], seconds: float, reason: Reason
) -> None:
    rig = begun(order(**sections), **rig_changes)
    rig.run(seconds)
    assert ended_by(rig) is reason
    end = rig.decisions("end")[-1]
    assert end.inputs, name
    assert end.thresholds, name
    assert end.to_n == (0.0,)


def test_a_pause_that_is_too_long_ends_the_set() -> None:
    rig = begun(order(stop={"max_pause_s": 3.0}))
    rig.run(5)
    rig.resting = True
    rig.run(8)
    assert ended_by(rig) is Reason.PAUSE_TOO_LONG


def test_waiting_for_the_first_movement_has_its_own_limit() -> None:
    rig = KinematicRig(order(stop={"max_pause_s": 1.0, "max_start_wait_s": 4.0}))
    rig.resting = True
    rig.begin()
    rig.run(3)
    assert rig.controller.state is State.WORKING
    rig.run(3)
    assert ended_by(rig) is Reason.PAUSE_TOO_LONG


def test_velocity_loss_ends_the_set() -> None:
    rig = begun(order(stop={"max_velocity_loss": 0.3}))
    rig.run(6)
    rig.velocity_m_s = 0.35
    rig.run(8)
    assert ended_by(rig) is Reason.VELOCITY_LOSS
    assert dict(rig.decisions("end")[-1].inputs)["velocity_loss"] == pytest.approx(0.37, abs=0.06)


def test_a_stop_request_beats_everything_and_is_latched() -> None:
    rig = begun(order())
    rig.run(3)
    out = rig.ask(RequestAction.STOP)
    assert isinstance(out[0], SendUnload)
    assert rig.controller.state is State.ENDING
    rig.run(4)
    assert ended_by(rig) is Reason.STOP_REQUESTED
    sent = len(rig.commands)
    answer = next(o for o in rig.ask(RequestAction.START) if isinstance(o, Answer))
    assert not answer.accepted
    rig.run(2)
    assert len(rig.commands) == sent
    rig.phase = "dock"
    rig.ask(RequestAction.ARM)
    assert state_of(rig) is State.ARMED


@pytest.mark.parametrize(
    ("event", "reason"),
    [
        (lambda rig: rig_report(rig, RigEventKind.EMERGENCY_STOP), Reason.EMERGENCY_STOP),
        (lambda rig: rig_report(rig, RigEventKind.OVER_TRAVEL), Reason.RIG_FAULT),
        (lambda rig: rig_report(rig, RigEventKind.OVER_SPEED), Reason.RIG_FAULT),
        (lambda rig: rig_report(rig, RigEventKind.FAULT), Reason.RIG_FAULT),
        (lambda rig: rig_report(rig, RigEventKind.LEASE_EXPIRED), Reason.LEASE_EXPIRED),
        (lambda rig: rig.identity(boot_id="boot-0002"), Reason.RIG_REBOOTED),
        (lambda rig: GuardRefused(now_us=rig.now_us, rule="rise", detail="x"), Reason.GUARD_REFUSED),
        (
            lambda rig: rig.acknowledgement(
                rig.nonce or "", 3, accepted=False, refusal=Refusal.ABOVE_CEILING, applied_n=(0.0,), docked=False
            ),
            Reason.RIG_REFUSED,
        ),
    ],
)
def test_faults_end_an_armed_set_in_every_armed_state(event: Any, reason: Reason) -> None:
    for seconds_before in (None, 3.0):
        rig = KinematicRig(order(), profile=profile_of())
        rig.online()
        rig.ask(RequestAction.ARM)
        rig.run(0.3)
        if seconds_before is not None:
            rig.ask(RequestAction.START)
            rig.run(seconds_before)
        rig.send(event(rig))
        rig.run(5)
        assert ended_by(rig) is reason


@pytest.mark.parametrize("event", [LinkDown, RigLost])
def test_loss_of_link_or_rig_ends_the_set_and_comes_back_unarmed(event: Any) -> None:
    rig = begun(order())
    rig.run(3)
    rig.send(event(now_us=rig.now_us))
    result = rig.result()
    assert result is not None
    assert result.reason is (Reason.LINK_LOST if event is LinkDown else Reason.RIG_LOST)
    assert rig.controller.state is State.OFFLINE
    rig.send(LinkUp(now_us=rig.now_us))
    rig.send(rig.identity())
    sent = len(rig.commands)
    rig.run(2)
    assert state_of(rig) is State.IDLE
    assert len(rig.commands) == sent


def test_silence_of_telemetry_ends_the_set_within_its_timeout() -> None:
    rig = begun(order())
    rig.run(3)
    rig.silent = True
    before = rig.now_us
    while rig.result() is None and rig.now_us - before < 5_000_000:
        rig.now_us += 20_000
        rig.send(Tick(now_us=rig.now_us))
    end = rig.decisions("end")[-1]
    assert end.reason is Reason.TELEMETRY_LOST
    assert 250_000 <= end.now_us - before <= 320_000


@pytest.mark.parametrize("state", [State.ARMED, State.WORKING, State.RESTING])
def test_a_silence_that_a_late_frame_ends_was_a_silence_all_the_same(state: State) -> None:
    """The controller was suspended, or its clock jumped: the first thing that it sees afterwards is a fresh frame."""
    rig = KinematicRig(
        order(bouts=[{"repetitions": 1, "on_stall": "end"}, {"rest_before_s": 60.0}]), profile=profile_of()
    )
    rig.online()
    rig.ask(RequestAction.ARM)
    rig.run(0.3)
    if state is not State.ARMED:
        rig.ask(RequestAction.START)
        rig.run(2.0 if state is State.WORKING else 8.0)
    assert rig.controller.state is state
    rig.now_us += 10_000_000
    rig.frame()
    assert rig.decisions("end")[-1].reason is Reason.TELEMETRY_LOST
    rig.run(1.0)
    assert ended_by(rig) is Reason.TELEMETRY_LOST


def test_old_or_repeated_frames_count_for_nothing() -> None:
    rig = begun(order())
    rig.run(3)
    frame = rig.frame()
    assert frame is not None
    before = rig.now_us
    for _ in range(30):
        rig.now_us += PERIOD_US * FRAME
        rig.send(dataclasses.replace(frame, now_us=rig.now_us))
        if rig.decisions("end"):
            break
    assert rig.decisions("end")[-1].reason is Reason.TELEMETRY_LOST
    renewals = [c for c in rig.commands if isinstance(c, SendLoad) and c.cites_t_us > frame.t_us[-1]]
    assert renewals == []
    assert rig.now_us - before <= 350_000


def test_a_rig_that_applies_another_load_ends_the_set() -> None:
    rig = begun(order(), lifts_n=[1e9, 350])
    rig.run(3)
    rig.ramp = 0.0
    rig.applied = [430.0]
    rig.run(2)
    rig.ramp = 400.0
    rig.run(5)
    assert ended_by(rig) is Reason.RIG_DISAGREES


def test_a_rig_that_serves_another_set_ends_this_one() -> None:
    rig = begun(order())
    rig.run(3)
    rig.nonce = "somebody-elses"
    rig.run(4)
    assert ended_by(rig) is Reason.RIG_DISAGREES


def test_bouts_with_a_programmed_rest_come_back_only_docked_and_rested() -> None:
    rig = begun(
        order(
            bouts=[
                {"repetitions": 3, "on_stall": "end"},
                {"load_n": 350.0, "rest_before_s": 6.0, "repetitions": 2, "on_stall": "end"},
            ]
        )
    )
    rig.run(40)
    assert ended_by(rig) is Reason.REPETITIONS_DONE
    rest = rig.decisions("rest")[0]
    second = next(d for d in rig.decisions("load") if d.reason is Reason.BOUT_BEGUN)
    assert 6.0 <= (second.now_us - rest.now_us) / 1e6 <= 7.0
    assert second.to_n == (350.0,)
    result = rig.result()
    assert result is not None
    assert (result.repetitions, result.bouts) == (5, 2)


def test_a_stall_ends_a_bout_that_is_prescribed_so() -> None:
    rig = begun(order(bouts=[{"on_stall": "end"}]), lifts_n=[1e9, 350])
    rig.run(20)
    assert ended_by(rig) is Reason.SET_DONE
    assert rig.decisions("drop") == []


def test_coupled_cables_drop_together_and_independent_ones_alone() -> None:
    coupled = begun(order(), cables=2, lifts_n=[1e9, 350], weaker_side=0.999)
    coupled.run(14)
    drop = coupled.decisions("drop")[0]
    assert drop.to_n == (300.0, 300.0)
    alone = begun(order(load={"cables": "independent"}), cables=2, lifts_n=[1e9])
    alone.run(4.5)
    while alone.phase != "up" or alone.x[0] < 0.3:
        alone.run(0.05)
    stuck = alone.x[1]
    original = alone.step

    def one_side_stops(dt: float) -> None:
        original(dt)
        if alone.applied[1] > 310.0 and alone.phase in ("up", "top"):
            alone.phase_s = 0.0
            alone.x[1], alone.v[1] = stuck, 0.0

    alone.step = one_side_stops  # type: ignore[method-assign]
    alone.run(3)
    drop = alone.decisions("drop")[0]
    assert (drop.cable, drop.to_n) == (1, (400.0, 300.0))


def test_left_right_difference_stops_the_set() -> None:
    rig = begun(
        order(load={"cables": "independent"}, stop={"max_left_right_difference": 0.10}), cables=2, side_rom=0.86
    )
    rig.run(15)
    assert ended_by(rig) is Reason.LEFT_RIGHT_DIFFERENCE
    assert dict(rig.decisions("end")[-1].inputs)["rom_difference"] == pytest.approx(0.14, abs=0.03)


def test_a_first_ascent_that_sticks_straight_out_of_the_dock_drops_after_the_patience_of_a_start() -> None:
    """Until an ascent was seen, a rest above the dock may be where ascents begin; patience decides, not the dwell."""
    rig = begun(order(stall={"start_patience_s": 3.0}), lifts_n=[350, 1e9])
    rig.run(9)
    drop = rig.decisions("drop")[0]
    assert drop.reason is Reason.FAILED_START
    assert drop.thresholds[0] == ("start_patience_s", 3.0)
    assert dict(drop.inputs)["stalled_s"] == pytest.approx(3.0, abs=0.25)


class Throws:
    name = "throws"

    @classmethod
    def from_parameters(cls, _parameters: Any) -> Throws:
        return cls()

    def initial(self) -> None:
        return None

    def propose(self, _state: None, _view: DropView) -> tuple[None, Proposal]:
        raise RuntimeError("no idea")


class ProposesNoLoad(Throws):
    def propose(self, _state: None, _view: DropView) -> tuple[None, Proposal]:
        return None, Proposal(float("nan"), "nothing")


class ProposesMore(Throws):
    def propose(self, _state: None, view: DropView) -> tuple[None, Proposal]:
        return None, Proposal(view.load_n * 2.0, "up")


@pytest.mark.parametrize("policy", [Throws, ProposesNoLoad])
def test_a_policy_that_fails_ends_the_set_safely(policy: Any) -> None:
    rig = begun(
        order(drop={"policy": "mine", "parameters": {}}), lifts_n=[1e9, 350], policies={**POLICIES, "mine": policy}
    )
    rig.run(15)
    assert ended_by(rig) is Reason.POLICY_FAILED


def test_a_policy_that_wants_more_load_gets_the_least_drop() -> None:
    rig = begun(
        order(drop={"policy": "mine", "parameters": {}}),
        lifts_n=[1e9, 350],
        policies={**POLICIES, "mine": ProposesMore},
    )
    rig.run(9)
    drop = rig.decisions("drop")[0]
    assert drop.limited_by == (Limit.NO_RISE, Limit.LEAST_STEP)
    assert drop.to_n[0] == pytest.approx(396.0, abs=0.11)


def test_bad_input_is_counted_and_changes_nothing() -> None:
    rig = begun(order())
    rig.run(3)
    for _ in range(50):
        rig.send(BadInput(now_us=rig.now_us, topic="rig/frame", code="not_json", detail="?"))
    rig.run(1)
    assert rig.controller.state is State.WORKING
    rig.ask(RequestAction.STOP)
    rig.run(4)
    result = rig.result()
    assert result is not None
    assert result.refused_inputs == 50


def test_a_rig_that_sends_summaries_only_is_regulated() -> None:
    """Acks are its sign of life, its failed repetitions are the stalls."""
    rig = SummaryRig(order())
    rig.online()
    rig.ask(RequestAction.ARM)
    rig.live(0.5, docked=True)
    rig.ask(RequestAction.START)
    rig.live(1.0, docked=True)
    for velocity in (0.6, 0.5, 0.4):
        rig.live(2.5, docked=False)
        rig.summary(RepetitionOutcome.COMPLETED, velocity)
    rig.live(2.5, docked=False)
    rig.summary(RepetitionOutcome.FAILED, 0.1)
    rig.live(0.1, docked=False)
    drop = rig.decisions("drop")[0]
    assert (drop.reason, drop.to_n) == (Reason.REPORTED_FAILURE, (300.0,))
    assert [r.outcome for r in rig.repetitions()] == [RepetitionOutcome.COMPLETED] * 3 + [RepetitionOutcome.FAILED]
    # Acks stop: nothing is renewed past one lease, and the set ends.
    silent_from = rig.now_us
    while not rig.decisions("end") and rig.now_us - silent_from < 3_000_000:
        rig.tick()
    assert rig.decisions("end")[-1].reason is Reason.TELEMETRY_LOST
    assert rig.now_us - silent_from <= 640_000


def test_state_is_reported_twice_a_second_and_on_every_change() -> None:
    rig = begun(order())
    rig.run(5)
    reports = [o for o in rig.outputs if isinstance(o, StateChanged)]
    changes = [r.state for a, r in zip([None, *reports], reports, strict=False) if a is None or a.state is not r.state]
    assert changes[-3:] == [State.IDLE, State.ARMED, State.WORKING]
    times = [r.now_us for r in reports if r.state is State.WORKING]
    assert max(b - a for a, b in itertools.pairwise(times)) <= 550_000


def test_the_same_events_give_the_same_outputs() -> None:
    one = begun(order(), lifts_n=[1e9, 350, 200, 90])
    other = begun(order(), lifts_n=[1e9, 350, 200, 90])
    one.run(40)
    other.run(40)
    assert one.outputs == other.outputs
    assert any(isinstance(o, SetResult) for o in one.outputs)
