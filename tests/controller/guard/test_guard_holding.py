"""The guard on a handle that is taken early, on facts that come out of order, and on a set whose time is over."""

from __future__ import annotations

import dataclasses
from typing import Any

import pytest

from ebbset.controller.messages.actions import SendUnload
from ebbset.controller.messages.events import Acknowledged, RigReported
from ebbset.models.contract.operator_messages import RequestAction
from ebbset.models.contract.prescription import example
from ebbset.models.contract.rig_messages import RigEventKind
from tests.support.guard_bench import BOOT, NONCE, Bench, ack, announced, summary


def coming_on(applied_n: tuple[float, ...] = (90.0,), **identity: Any) -> Bench:
    """A bench whose load of 400 N was commanded and has come this far."""
    bench = Bench(**identity).started()
    assert bench.rule(bench.load_command(400.0)) == ""
    bench.applied_n = applied_n
    bench.frame()
    assert bench.rule(bench.load_command(400.0)) == ""
    return bench


@pytest.mark.parametrize(
    ("applied_n", "rule"), [(90.0, "taken_early"), (375.9, "taken_early"), (376.0, ""), (400.0, "")]
)
def test_a_handle_that_is_taken_while_the_load_comes_on_gets_no_more_of_it(applied_n: float, rule: str) -> None:
    bench = coming_on()
    bench.applied_n = (applied_n,)
    bench.frame(docked=False)
    assert bench.rule(bench.load_command(400.0)) == rule


@pytest.mark.parametrize(("applied_n", "rule"), [(139.9, "taken_early"), (140.0, "")])
def test_a_small_load_stands_once_it_is_within_10_newtons(applied_n: float, rule: str) -> None:
    bench = Bench().started()
    assert bench.rule(bench.load_command(150.0)) == ""
    bench.applied_n = (applied_n,)
    bench.frame(docked=False)
    assert bench.rule(bench.load_command(150.0)) == rule


def test_a_rig_that_loses_a_cable_while_the_load_comes_on_gets_no_more_of_it() -> None:
    bench = coming_on(cables=2, applied_n=(90.0, 90.0))
    bench.rig = announced(cables=1)
    bench.see(bench.rig)
    bench.applied_n = (400.0,)
    bench.frame()
    assert bench.rule(bench.load_command(400.0)) == "cables"


def test_no_lower_target_that_is_still_above_the_applied_load_passes_either() -> None:
    bench = coming_on()
    bench.applied_n = (200.0,)
    bench.frame(docked=False)
    assert bench.rule(bench.load_command(150.0)) == ""
    bench = coming_on()
    bench.applied_n = (200.0,)
    bench.frame(docked=False)
    assert bench.rule(bench.load_command(300.0)) == "taken_early"


def test_one_cable_that_has_not_come_up_is_enough() -> None:
    bench = coming_on(cables=2, applied_n=(90.0, 90.0))
    bench.applied_n = (400.0, 90.0)
    bench.frame(docked=False)
    assert bench.rule(bench.load_command(400.0)) == "taken_early"


def test_a_load_that_stood_stands_whatever_the_lifter_does_to_it() -> None:
    bench = coming_on()
    bench.applied_n = (400.0,)
    bench.frame()
    bench.applied_n = (350.0,)
    bench.frame(docked=False)
    assert bench.rule(bench.load_command(400.0)) == ""


def test_the_next_bout_has_to_stand_anew() -> None:
    bench = Bench().rested(10.05)
    assert bench.rule(bench.load_command(300.0)) == ""
    bench.applied_n = (120.0,)
    bench.frame(docked=False)
    assert bench.rule(bench.load_command(300.0)) == "taken_early"


def by_summaries() -> Bench:
    bench = Bench(telemetry="repetitions")
    bench.ask(RequestAction.ARM)
    assert bench.rule(bench.arm_command()) == ""
    bench.ask(RequestAction.START)
    bench.see(ack(bench, t_us=900))
    return bench


def answered(bench: Bench, t_us: int, applied_n: float, *, docked: bool = True) -> Acknowledged:
    return dataclasses.replace(ack(bench, t_us=t_us, docked=docked), applied_n=(applied_n,))


def test_a_rig_without_frames_is_judged_by_what_it_acknowledges_and_reports() -> None:
    bench = by_summaries()
    assert bench.rule(bench.load_command(400.0, cites_t_us=900)) == ""
    bench.see(answered(bench, 1_000, 90.0))
    bench.see(reported(bench, RigEventKind.UNDOCKED, 1_001))
    assert bench.rule(bench.load_command(400.0, cites_t_us=1_000)) == "taken_early"


def reported(bench: Bench, kind: RigEventKind, t_us: int) -> RigReported:
    return RigReported(now_us=bench.now_us, boot_id=BOOT, seq=1, t_us=t_us, kind=kind, detail="")


@pytest.mark.parametrize("nonce", ["somebody-else", "another-set"])
def test_an_acknowledgement_for_another_set_says_nothing(nonce: str) -> None:
    bench = by_summaries()
    bench.see(dataclasses.replace(answered(bench, 2_000, 400.0), nonce=nonce))
    assert bench.rule(bench.load_command(400.0, cites_t_us=2_000)) == "citation"
    bench = by_summaries()
    bench.see(summary(bench, nonce=nonce, t_end_us=1_000))
    assert bench.rule(bench.load_command(400.0, cites_t_us=900)) == ""


def test_an_older_frame_does_not_undo_a_newer_undocking() -> None:
    bench = Bench().rested(10.05)
    bench.see(reported(bench, RigEventKind.UNDOCKED, bench.t_us + 60_000))
    bench.frame(docked=True)
    assert bench.rule(bench.load_command(300.0)) == "undocked"


def test_a_later_frame_does() -> None:
    bench = Bench().rested(10.05)
    bench.see(reported(bench, RigEventKind.UNDOCKED, bench.t_us + 60_000))
    bench.frame(docked=True)
    bench.frame(docked=True)
    assert bench.rule(bench.load_command(300.0)) == ""


def test_an_undocking_counts_even_behind_a_report_from_the_future_that_it_is_docked() -> None:
    bench = Bench().rested(10.05)
    bench.see(reported(bench, RigEventKind.DOCKED, 2**52))
    bench.frame(docked=False)
    assert bench.rule(bench.load_command(300.0)) == "undocked"


@pytest.mark.parametrize(("late_us", "rule"), [(0, ""), (1, "duration")])
def test_no_load_comes_on_for_a_set_whose_time_is_over(late_us: int, rule: str) -> None:
    bench = Bench(example(stop={"max_duration_s": 20.0}, bouts=({}, {"rest_before_s": 10.0})))
    bench.working()
    started_us = bench.now_us - 50_000
    assert bench.rule(SendUnload(nonce=NONCE, seq=90, ramp_n_per_s=300.0)) == ""
    bench.command_seq = 100
    bench.now_us = started_us + 20_000_000 + late_us - 50_000
    bench.frame()
    assert bench.rule(bench.load_command(400.0)) == rule


@pytest.mark.parametrize(("late_us", "rule"), [(0, ""), (1, "duration")])
def test_asking_to_start_again_in_a_set_gives_it_no_more_time(late_us: int, rule: str) -> None:
    bench = Bench(example(stop={"max_duration_s": 30.0}, bouts=({}, {"rest_before_s": 5.0}, {"rest_before_s": 5.0})))
    bench.working()
    started_us = bench.now_us - 50_000
    bench.ask(RequestAction.START)
    assert bench.rule(SendUnload(nonce=NONCE, seq=90, ramp_n_per_s=300.0)) == ""
    bench.ask(RequestAction.START)
    bench.command_seq = 100
    bench.now_us += 5_000_000
    bench.frame()
    assert bench.rule(bench.load_command(400.0)) == ""
    bench.ask(RequestAction.START)
    assert bench.rule(SendUnload(nonce=NONCE, seq=190, ramp_n_per_s=300.0)) == ""
    bench.ask(RequestAction.START)
    bench.command_seq = 200
    bench.now_us = started_us + 30_000_000 + late_us - 50_000
    bench.frame()
    assert bench.rule(bench.load_command(400.0)) == rule


def test_a_rest_that_is_no_whole_number_of_microseconds_is_rounded_up() -> None:
    bench = Bench(example(bouts=({}, {"rest_before_s": 10.0000004})))
    bench.rested(10.0)
    assert bench.rule(bench.load_command(400.0)) == "rest"
    bench = Bench(example(bouts=({}, {"rest_before_s": 10.0000004})))
    bench.rested(10.000001)
    assert bench.rule(bench.load_command(400.0)) == ""
