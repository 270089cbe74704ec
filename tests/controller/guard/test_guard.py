"""The guard alone: every rule at its boundary, and the safe commands through every state."""

from __future__ import annotations

import ast
import dataclasses
import inspect
import math
from typing import Any

import pytest

from ebbset.controller.guard import guard as guard_module
from ebbset.controller.guard.guard import Guard
from ebbset.controller.messages.actions import Answer, Decision, SendArm, SendRelease, SendUnload
from ebbset.controller.messages.events import (
    BadInput,
    GuardRefused,
    LinkDown,
    LinkUp,
    Requested,
    RigLost,
    RigReported,
    Tick,
)
from ebbset.controller.messages.reasons import Reason
from ebbset.controller.policies.built_in import FixedFraction
from ebbset.controller.regulation.set_controller import SetController
from ebbset.models.contract.operator_messages import RequestAction
from ebbset.models.contract.prescription import example
from ebbset.models.contract.rig_messages import RigEventKind
from tests.support.guard_bench import BOOT, NONCE, ORDER, Bench, ack, announced, summary


def test_a_plain_set_passes_from_arming_to_release() -> None:
    bench = Bench().working()
    for load_n in (400.0, 350.0, 350.0, 120.0):
        bench.frame(docked=False)
        assert bench.rule(bench.load_command(load_n)) == ""
    assert bench.rule(SendUnload(nonce=NONCE, seq=50, ramp_n_per_s=300.0)) == ""
    assert bench.rule(SendRelease(nonce=NONCE, seq=51)) == ""


def test_the_guard_shares_only_message_types_with_the_rest_of_the_controller() -> None:
    tree = ast.parse(inspect.getsource(guard_module))
    named = {node.module for node in ast.walk(tree) if isinstance(node, ast.ImportFrom) and node.module}
    ours = {name for name in named if name.startswith("ebbset.")}
    assert ours == {
        "ebbset.controller.guard.telemetry",
        "ebbset.controller.messages.actions",
        "ebbset.controller.messages.events",
        "ebbset.models.contract.field_types",
        "ebbset.models.contract.operator_messages",
        "ebbset.models.contract.prescription",
        "ebbset.models.contract.rig_messages",
    }


# --- the safe commands ------------------------------------------------------------------------------------------


@pytest.mark.parametrize("state", ["new", "online", "armed", "working", "rested", "stopped", "lost", "refused"])
@pytest.mark.parametrize("nonce", [NONCE, "foreign-nonce"])
@pytest.mark.parametrize("seq", [0, 2**53])
def test_unload_and_release_pass_in_every_state(state: str, nonce: str, seq: int) -> None:
    bench = Bench()
    if state == "new":
        bench.guard = Guard()
    elif state == "armed":
        bench.armed()
    elif state == "working":
        bench.working()
    elif state == "rested":
        bench.rested(1)
    elif state == "stopped":
        bench.working()
        bench.ask(RequestAction.STOP)
    elif state == "lost":
        bench.working()
        bench.see(LinkDown(now_us=bench.now_us))
    elif state == "refused":
        bench.working()
        assert bench.rule(bench.load_command(900.0)) != ""
    assert bench.rule(SendUnload(nonce=nonce, seq=seq, ramp_n_per_s=math.nan)) == ""
    assert bench.rule(SendRelease(nonce=nonce, seq=seq)) == ""
    assert bench.rule(SendUnload(nonce=nonce, seq=seq, ramp_n_per_s=1.0)) == ""


# --- arming -----------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("changes", "rule"),
    [
        ({"nonce": "another-nonce"}, "arm_not_asked"),
        ({"nonce": "nonce-0009"}, "arm_not_asked"),
        ({"ceiling_n": (400.1,)}, "ceiling"),
        ({"ceiling_n": (399.9,)}, "ceiling"),
        ({"ceiling_n": (math.nan,)}, "ceiling"),
        ({"ceiling_n": (400.0, 400.0)}, "ceiling"),
        ({"ceiling_n": ()}, "ceiling"),
        ({"floor_n": (119.9,)}, "floor"),
        ({"floor_n": (120.1,)}, "floor"),
        ({"floor_n": (math.nan,)}, "floor"),
        ({"floor_n": (120.0, 120.0)}, "floor"),
        ({"max_ramp_n_per_s": 300.1}, "ramp"),
        ({"max_ramp_n_per_s": 0.0}, "ramp"),
        ({"max_ramp_n_per_s": -1.0}, "ramp"),
        ({"max_ramp_n_per_s": math.nan}, "ramp"),
        ({"lease_ms": 601}, "lease"),
        ({"lease_ms": 0}, "lease"),
    ],
)
def test_an_arm_command_must_say_what_the_prescription_says(changes: dict[str, Any], rule: str) -> None:
    bench = Bench()
    bench.ask(RequestAction.ARM)
    assert bench.rule(bench.arm_command(**changes)) == rule


@pytest.mark.parametrize(
    ("identity", "rule"),
    [
        ({"max_load_n": 400.0}, ""),
        ({"max_load_n": 399.9}, "above_rig"),
        ({"min_load_n": 120.0}, ""),
        ({"min_load_n": 120.1}, "below_rig"),
        ({"max_ramp_n_per_s": 300.0}, ""),
        ({"max_ramp_n_per_s": 299.9}, "ramp"),
        ({"max_lease_ms": 600}, ""),
        ({"max_lease_ms": 599}, "lease"),
    ],
)
def test_the_rig_narrows_what_the_prescription_allows(identity: dict[str, Any], rule: str) -> None:
    bench = Bench(**identity)
    bench.ask(RequestAction.ARM)
    assert bench.rule(bench.arm_command()) == rule


def test_arming_needs_a_request_the_cautions_a_prescription_and_a_rig() -> None:
    assert Bench().rule(Bench().arm_command()) == "arm_not_asked"
    bench = Bench()
    bench.ask(RequestAction.ARM, cautions_shown=False)
    assert bench.rule(bench.arm_command()) == "cautions_not_shown"
    bench = Bench()
    bench.ask(RequestAction.ARM, prescription=None)
    assert bench.rule(bench.arm_command()) == "arm_not_asked"
    bench = Bench()
    bench.ask(RequestAction.ARM)
    bench.see(RigLost(now_us=bench.now_us))
    assert bench.rule(bench.arm_command()) == "offline"


def test_one_request_arms_once_and_a_nonce_is_never_armed_again() -> None:
    bench = Bench().armed()
    bench.rule(SendRelease(nonce=NONCE, seq=2))
    assert bench.rule(bench.arm_command()) == "arm_not_asked"
    bench.ask(RequestAction.ARM)
    assert bench.rule(bench.arm_command()) == "nonce_used"


def test_any_later_input_withdraws_a_request_to_arm() -> None:
    bench = Bench()
    bench.ask(RequestAction.ARM)
    bench.see(Tick(now_us=bench.now_us))
    assert bench.rule(bench.arm_command()) == "arm_not_asked"


def test_a_set_that_has_not_ended_is_not_armed_over() -> None:
    bench = Bench().working()
    bench.ask(RequestAction.ARM, fresh_nonce="nonce-0002")
    assert bench.rule(bench.arm_command(nonce="nonce-0002")) == "set_open"
    assert bench.rule(bench.load_command()) == "stopped"


# --- loads ------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("changes", "rule"),
    [
        ({}, ""),
        ({"nonce": "another-nonce"}, "nonce"),
        ({"nonce": "nonce-0009"}, "nonce"),
        ({"seq": 2}, "sequence"),
        ({"seq": 1}, "sequence"),
        ({"seq": 3}, ""),
        ({"lease_ms": 600}, ""),
        ({"lease_ms": 601}, "lease"),
        ({"lease_ms": 0}, "lease"),
        ({"lease_ms": -1}, "lease"),
        ({"ramp_n_per_s": 300.1}, "ramp"),
        ({"ramp_n_per_s": 0.0}, "ramp"),
        ({"ramp_n_per_s": -1.0}, "ramp"),
        ({"ramp_n_per_s": math.nan}, "ramp"),
        ({"ramp_n_per_s": math.inf}, "ramp"),
        ({"target_n": (400.0, 400.0)}, "cables"),
        ({"target_n": ()}, "cables"),
        ({"target_n": (math.nan,)}, "finite"),
        ({"target_n": (-math.inf,)}, "finite"),
        ({"target_n": (400.1,)}, "ceiling"),
        ({"target_n": (119.9,)}, "floor"),
        ({"target_n": (120.0,)}, ""),
        ({"target_n": (0.0,)}, "floor"),
        ({"target_n": (-1.0,)}, "floor"),
    ],
)
def test_a_load_must_keep_every_limit(changes: dict[str, Any], rule: str) -> None:
    bench = Bench().working()
    command = dataclasses.replace(bench.load_command(), **changes)
    assert bench.rule(command) == rule


def test_a_limit_that_the_rig_lowers_later_holds_at_once() -> None:
    bench = Bench().working()
    bench.see(announced(max_load_n=300.0))
    assert bench.rule(bench.load_command(400.0)) == "ceiling"


def test_a_load_needs_arming_and_a_request_to_start() -> None:
    bench = Bench()
    bench.frame()
    assert bench.rule(bench.load_command()) == "nonce"
    assert Bench().armed().rule(Bench().armed().load_command()) == "not_started"
    bench = Bench()
    bench.ask(RequestAction.START)
    bench.armed()
    assert bench.rule(bench.load_command()) == "not_started"


@pytest.mark.parametrize(("before", "after", "rule"), [(300.0, 300.0, ""), (300.0, 300.1, "rise"), (300.0, 299.9, "")])
@pytest.mark.parametrize("docked", [True, False])
def test_the_load_never_rises_in_a_bout_docked_or_not(before: float, after: float, rule: str, docked: bool) -> None:
    bench = Bench().working(before)
    bench.frame(docked=docked)
    assert bench.rule(bench.load_command(after)) == rule


def test_neither_of_two_cables_rises() -> None:
    bench = Bench(cables=2).working(300.0)
    assert bench.rule(bench.load_command((300.0, 200.0))) == ""
    assert bench.rule(bench.load_command((299.0, 200.5))) == "rise"


def test_a_load_comes_on_only_in_the_dock() -> None:
    bench = Bench().started()
    bench.frame(docked=False)
    assert bench.rule(bench.load_command()) == "undocked"


def test_an_undocking_that_the_rig_reports_counts_before_the_next_frame() -> None:
    bench = Bench().started()
    for kind, t_us, rule in (
        (RigEventKind.UNDOCKED, bench.t_us - 1, ""),
        (RigEventKind.UNDOCKED, bench.t_us + 1, "undocked"),
    ):
        again = Bench().started()
        again.see(RigReported(now_us=again.now_us, boot_id=BOOT, seq=1, t_us=t_us, kind=kind, detail=""))
        assert again.rule(again.load_command()) == rule


@pytest.mark.parametrize(
    ("rest_s", "load_n", "docked", "rule"),
    [
        (10.0, 300.0, True, ""),
        (9.999, 300.0, True, "rest"),
        (10.0, 300.1, True, "bout_load"),
        (10.0, 300.0, False, "undocked"),
        (10.0, 120.0, True, ""),
    ],
)
def test_a_load_comes_back_only_after_the_programmed_rest(
    rest_s: float, load_n: float, docked: bool, rule: str
) -> None:
    bench = Bench().rested(rest_s)
    bench.now_us -= 50_000 if not docked else 0
    if not docked:
        bench.frame(docked=False)
    assert bench.rule(bench.load_command(load_n)) == rule


def test_a_number_used_by_an_unload_is_used() -> None:
    bench = Bench().working()
    for foreign in ("foreign-nonce", "strange-nonce"):
        assert bench.rule(SendUnload(nonce=foreign, seq=80, ramp_n_per_s=300.0)) == ""
    assert bench.rule(SendUnload(nonce=NONCE, seq=50, ramp_n_per_s=300.0)) == ""
    bench.now_us += 10_000_000
    bench.frame()
    assert bench.rule(bench.load_command(300.0, seq=51)) == ""
    again = Bench().working()
    again.rule(SendUnload(nonce=NONCE, seq=50, ramp_n_per_s=300.0))
    again.now_us += 10_000_000
    again.frame()
    assert again.rule(again.load_command(300.0, seq=50)) == "sequence"


def test_renewed_unloading_does_not_lengthen_a_rest() -> None:
    bench = Bench().rested(5)
    assert bench.rule(SendUnload(nonce=NONCE, seq=91, ramp_n_per_s=300.0)) == ""
    bench.now_us += 4_950_000
    bench.frame()
    assert bench.rule(bench.load_command(300.0)) == ""


def test_no_load_follows_the_last_bout() -> None:
    bench = Bench(order=example()).rested(100)
    assert bench.rule(bench.load_command()) == "no_bout"


# --- telemetry --------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("age_us", "rule"), [(0, ""), (250_000, ""), (250_001, "stale"), (-100_000, ""), (-100_001, "clock")]
)
def test_a_load_needs_telemetry_that_is_fresh(age_us: int, rule: str) -> None:
    bench = Bench().working()
    bench.now_us += age_us
    assert bench.rule(bench.load_command()) == rule


@pytest.mark.parametrize("off_us", [-50_000, -1, 1, 10_000])
def test_a_load_cites_the_newest_good_sample(off_us: int) -> None:
    bench = Bench().working()
    assert bench.rule(bench.load_command(cites_t_us=bench.t_us + off_us)) == "citation"


@pytest.mark.parametrize(
    "bad",
    [
        {"boot_id": "boot-0002"},
        {"seq": 1},
        {"seq": 2},
        {"t_us": (1, 2, 3, 4, 5)},
        {"t_us": ()},
        {"position_m": ((math.nan,) * 5,)},
        {"position_m": ((0.5,) * 5,) * 2},
        {"velocity_m_s": ()},
        {"force_n": ((1.0,) * 4,)},
        {"applied_n": (0.0, 0.0)},
        {"velocity_m_s": ((0.1, math.inf, 0.1, 0.1, 0.1),)},
        {"force_n": ((math.nan, 1.0, 1.0, 1.0, 1.0),)},
        {"applied_n": (math.nan,)},
    ],
)
def test_a_bad_frame_is_no_frame(bad: dict[str, Any]) -> None:
    bench = Bench().working()
    before = bench.t_us
    bench.frame(docked=False, **bad)
    after = bench.t_us
    assert bench.rule(bench.load_command(cites_t_us=after)) == "citation"
    again = Bench().working()
    for _ in range(6):
        again.frame(docked=False, **bad)
    assert again.rule(again.load_command(cites_t_us=before)) == "stale"


def test_a_repeated_frame_does_not_count_as_fresh() -> None:
    bench = Bench().working()
    sample = bench.frame(docked=False)
    bench.now_us += 300_000
    bench.see(dataclasses.replace(sample, now_us=bench.now_us))
    assert bench.rule(bench.load_command()) == "stale"


def test_columns_that_a_rig_does_not_have_are_no_fault() -> None:
    bench = Bench(has_force=False).working()
    bench.frame(docked=False, velocity_m_s=(None,), force_n=(None,))
    assert bench.rule(bench.load_command()) == ""


def test_a_frame_without_the_force_that_was_announced_never_was() -> None:
    bench = Bench().working()
    known = bench.t_us
    bench.frame(docked=False, force_n=(None,))
    assert bench.rule(bench.load_command()) == "citation"
    bench = Bench().working()
    bench.frame(docked=False, force_n=(None,))
    assert bench.rule(bench.load_command(cites_t_us=known)) == ""


def test_a_rig_without_frames_is_heard_by_its_acknowledgements() -> None:
    bench = Bench(telemetry="repetitions")
    bench.ask(RequestAction.ARM)
    assert bench.rule(bench.arm_command()) == ""
    bench.ask(RequestAction.START)
    bench.see(ack(bench, t_us=900))
    assert bench.rule(bench.load_command(cites_t_us=900)) == ""
    bench.see(ack(bench, t_us=800, docked=False), ack(bench, t_us=2_000, boot_id="boot-0002"))
    bench.now_us += 600_000
    assert bench.rule(bench.load_command(cites_t_us=900)) == ""
    bench.now_us += 1
    assert bench.rule(bench.load_command(cites_t_us=900)) == "stale"


def test_without_any_telemetry_there_is_no_load() -> None:
    bench = Bench()
    bench.ask(RequestAction.ARM)
    assert bench.rule(bench.arm_command()) == ""
    bench.ask(RequestAction.START)
    bench.see(ack(bench, t_us=900))
    assert bench.rule(bench.load_command(cites_t_us=900)) == "no_telemetry"


@pytest.mark.parametrize(
    ("changes", "rule"),
    [
        ({}, "undocked"),
        ({"boot_id": "boot-0002"}, ""),
        ({"seq": -1}, ""),
        ({"rom_m": (0.5, 0.5)}, ""),
        ({"t_start_us": 800, "t_end_us": 899}, ""),
        ({"t_end_us": 900}, "undocked"),
    ],
)
def test_a_repetition_summary_says_whether_the_handle_is_docked(changes: dict[str, Any], rule: str) -> None:
    bench = Bench(telemetry="repetitions")
    bench.ask(RequestAction.ARM)
    bench.rule(bench.arm_command())
    bench.ask(RequestAction.START)
    bench.see(ack(bench, t_us=900))
    bench.see(summary(bench, **changes))
    assert bench.rule(bench.load_command(cites_t_us=900)) == rule


def test_before_a_rig_announces_nothing_is_telemetry() -> None:
    bench = Bench(telemetry="repetitions")
    bench.guard = Guard()
    bench.see(summary(bench), ack(bench, t_us=1), bench.frame())
    bench.see(bench.rig)
    bench.ask(RequestAction.ARM)
    assert bench.rule(bench.arm_command()) == ""
    bench.ask(RequestAction.START)
    assert bench.rule(bench.load_command()) == "no_telemetry"


# --- the latch --------------------------------------------------------------------------------------------------

STOPS: dict[str, Any] = {
    "stop asked": lambda b: b.ask(RequestAction.STOP),
    "release asked": lambda b: b.ask(RequestAction.RELEASE),
    "rig lost": lambda b: b.see(RigLost(now_us=b.now_us), announced()),
    "link lost": lambda b: b.see(LinkDown(now_us=b.now_us), LinkUp(now_us=b.now_us), announced()),
    "rig restarted": lambda b: b.see(announced(boot_id="boot-0002"), announced()),
    "release sent": lambda b: b.rule(SendRelease(nonce=NONCE, seq=70)),
    "a refusal": lambda b: b.rule(b.load_command(401.0)),
    **{
        f"rig says {kind.value}": lambda b, kind=kind: b.see(
            RigReported(now_us=b.now_us, boot_id="any-boot", seq=9, t_us=1, kind=kind, detail="")
        )
        for kind in RigEventKind
        if kind not in (RigEventKind.DOCKED, RigEventKind.UNDOCKED)
    },
}


@pytest.mark.parametrize("stop", STOPS)
def test_a_stop_is_latched_until_a_person_arms_again(stop: str) -> None:
    bench = Bench().working()
    STOPS[stop](bench)
    for _ in range(3):
        bench.frame()
        assert bench.rule(bench.load_command(120.0)) == "stopped"
        bench.ask(RequestAction.START)
    bench.ask(RequestAction.ARM, fresh_nonce="nonce-0002")
    assert bench.rule(bench.load_command(120.0)) == "stopped"
    assert bench.rule(bench.arm_command(nonce="nonce-0002")) == ""
    bench.ask(RequestAction.START)
    bench.frame()
    assert bench.rule(bench.load_command(nonce="nonce-0002")) == ""
    assert bench.rule(bench.load_command(nonce=NONCE)) == "nonce"


@pytest.mark.parametrize("lost", [LinkDown, RigLost])
def test_offline_nothing_but_the_safe_commands_passes(lost: Any) -> None:
    bench = Bench().working()
    bench.see(lost(now_us=bench.now_us))
    assert bench.rule(bench.load_command()) == "offline"
    bench.ask(RequestAction.ARM, fresh_nonce="nonce-0002")
    assert bench.rule(bench.arm_command(nonce="nonce-0002")) == "offline"


def test_inputs_that_say_nothing_of_the_rig_change_nothing() -> None:
    bench = Bench().working()
    bench.see(
        Tick(now_us=bench.now_us),
        BadInput(now_us=bench.now_us, topic="t", code="c", detail="d"),
        GuardRefused(now_us=bench.now_us, rule="r", detail="d"),
        LinkUp(now_us=bench.now_us),
        announced(),
        RigReported(now_us=bench.now_us, boot_id=BOOT, seq=1, t_us=bench.t_us, kind=RigEventKind.UNDOCKED, detail=""),
    )
    assert bench.rule(bench.load_command()) == ""


# --- rate -------------------------------------------------------------------------------------------------------


def test_a_storm_of_renewals_is_refused_and_renewing_four_times_a_lease_is_not() -> None:
    bench = Bench().working()
    for _ in range(400):
        bench.now_us += 100_000
        bench.frame(docked=False)
        assert bench.rule(bench.load_command()) == ""
    rules = [bench.rule(bench.load_command()) for _ in range(40)]
    assert "rate" in rules
    assert rules.index("rate") <= 24


def test_a_storm_of_drops_is_refused() -> None:
    bench = Bench().working()
    rules = [bench.rule(bench.load_command(400.0 - k)) for k in range(1, 40)]
    assert rules.index("rate") == guard_module.CHANGES_PER_CABLE - 1


def test_refusals_name_field_value_and_what_is_allowed() -> None:
    bench = Bench().working()
    refused = bench.guard.check(bench.load_command(401.5), bench.now_us)
    assert refused is not None
    assert "target_n[0]" in refused.detail
    assert "401.5" in refused.detail
    assert "at most 400" in refused.detail


def test_nothing_that_the_guard_keeps_grows_with_the_number_of_sets() -> None:
    bench = Bench()
    for k in range(guard_module.NONCES_REMEMBERED + 50):
        nonce = f"nonce-{k:06d}"
        bench.ask(RequestAction.ARM, fresh_nonce=nonce)
        assert bench.rule(bench.arm_command(nonce=nonce)) == ""
        assert bench.rule(SendRelease(nonce=nonce, seq=2)) == ""
    held = [getattr(bench.guard, name) for name in Guard.__slots__]
    assert max(len(value) for value in held if hasattr(value, "__len__")) <= guard_module.NONCES_REMEMBERED


def test_an_arming_that_the_guard_refuses_is_answered_as_refused() -> None:
    controller = SetController({"fixed_fraction": FixedFraction})
    bench = Bench()
    bench.now_us = 10_000_000
    controller.handle(LinkUp(now_us=bench.now_us))
    controller.handle(dataclasses.replace(bench.rig, now_us=bench.now_us))
    controller.handle(bench.frame())
    request = Requested(
        now_us=1_000_000,
        correlation_id="c" * 8,
        action=RequestAction.ARM,
        operator="op",
        cautions_shown=True,
        fresh_nonce=NONCE,
        prescription=ORDER,
    )
    outputs = controller.handle(request)
    answers = [output for output in outputs if isinstance(output, Answer)]
    assert [(answer.accepted, answer.code) for answer in answers] == [(False, "guard_refused")]
    assert not any(isinstance(output, SendArm) for output in outputs)
    assert [d.reason for d in outputs if isinstance(d, Decision)] == [Reason.GUARD_REFUSED]


@pytest.mark.parametrize("arming", [None, "nonce-0002"])
def test_a_start_of_another_arming_opens_nothing(arming: str | None) -> None:
    bench = Bench().armed()
    bench.ask(RequestAction.START, arming=arming)
    assert bench.rule(bench.load_command()) == "not_started"
