"""The guard's limits to the microsecond and the last newton, and the inputs that it must not believe.

What is written here as a number is the limit itself, not the guard's constant, so that a changed constant is seen.
"""

from __future__ import annotations

import dataclasses
import math
from typing import Any

import pytest

from ebbset.controller.guard.guard import REORDERED_US, Guard, Refused
from ebbset.controller.messages.actions import SendRelease, SendUnload
from ebbset.controller.messages.events import LinkDown, LinkUp, RigLost, RigReported, Tick
from ebbset.models.contract.field_types import LATEST_US
from ebbset.models.contract.operator_messages import RequestAction
from ebbset.models.contract.prescription import example
from ebbset.models.contract.rig_messages import RigEventKind
from tests.support.guard_bench import BOOT, NONCE, ORDER, Bench, ack, announced, summary

OTHER_BOOTS = ("boot-0000", "boot-0002")
"""One sorts before the rig's own name and one after it."""


def by_summaries(**identity: Any) -> Bench:
    """A started set on a rig that sends no frames; the newest acknowledgement is of 900 µs."""
    bench = Bench(telemetry="repetitions", **identity)
    bench.ask(RequestAction.ARM)
    assert bench.rule(bench.arm_command()) == ""
    bench.ask(RequestAction.START)
    bench.see(ack(bench, t_us=900))
    return bench


def undocked(bench: Bench) -> bool:
    """Whether the guard takes the handle for undocked: the first load would be refused for that alone."""
    rule = bench.rule(bench.load_command(cites_t_us=900))
    assert rule in ("", "undocked")
    return rule == "undocked"


# --- what counts as telemetry ------------------------------------------------------------------------------------


@pytest.mark.parametrize("boot_id", OTHER_BOOTS)
def test_nothing_from_another_boot_counts(boot_id: str) -> None:
    bench = Bench().working()
    bench.frame(docked=False, boot_id=boot_id)
    assert bench.rule(bench.load_command()) == "citation"
    bench = by_summaries()
    bench.see(ack(bench, t_us=1_000, docked=False, boot_id=boot_id), summary(bench, boot_id=boot_id))
    report = RigReported(now_us=bench.now_us, boot_id=boot_id, seq=1, t_us=2_000, kind=RigEventKind.UNDOCKED, detail="")
    bench.see(report)
    assert not undocked(bench)


def frame_times(bench: Bench, *offsets_us: int) -> bool:
    """Show a frame whose times lie so far after the newest sample; whether it counted."""
    newest = bench.t_us
    n = len(offsets_us)
    bench.frame(
        docked=False,
        t_us=tuple(newest + offset for offset in offsets_us),
        position_m=((0.5,) * n,),
        velocity_m_s=((0.1,) * n,),
        force_n=((200.0,) * n,),
    )
    return bench.rule(bench.load_command(cites_t_us=newest)) == "citation"


@pytest.mark.parametrize(
    ("offsets_us", "counts"),
    [
        ((1,), True),
        ((1, 2), True),
        ((1, 1), True),
        ((0,), False),
        ((0, 10), False),
        ((-10, 10, 20), False),
        ((20, 30, 10), False),
        ((20, 10), False),
        ((30, 10, 20), False),
        ((10, 30, 20), False),
    ],
)
def test_a_frame_begins_after_the_newest_sample_and_no_time_in_it_goes_back(
    offsets_us: tuple[int, ...], counts: bool
) -> None:
    assert frame_times(Bench().working(), *offsets_us) is counts


@pytest.mark.parametrize("column", ["position_m", "velocity_m_s", "force_n"])
@pytest.mark.parametrize("cables", [(), ((0.1,) * 5,) * 2, ((0.1,) * 4,), ((0.1,) * 6,), ((math.inf,) * 5,)])
def test_a_frame_has_one_finite_value_for_each_time_and_cable(column: str, cables: Any) -> None:
    bench = Bench().working()
    newest = bench.t_us
    bench.frame(docked=False, **{column: cables})
    assert bench.rule(bench.load_command(cites_t_us=newest)) == ""


@pytest.mark.parametrize("applied_n", [(), (0.0, 0.0), (math.inf,)])
def test_a_frame_tells_one_finite_load_for_each_cable(applied_n: tuple[float, ...]) -> None:
    bench = Bench().working()
    newest = bench.t_us
    bench.frame(docked=False, applied_n=applied_n)
    assert bench.rule(bench.load_command(cites_t_us=newest)) == ""


def test_infinities_that_cancel_are_not_finite() -> None:
    bench = Bench().working()
    newest = bench.t_us
    bench.frame(docked=False, velocity_m_s=((math.inf, -math.inf, 0.0, 0.0, 0.0),))
    assert bench.rule(bench.load_command(cites_t_us=newest)) == ""


def test_the_first_frame_may_have_number_zero() -> None:
    bench = Bench()
    bench.frame_seq = -1
    bench.started()
    assert bench.rule(bench.load_command()) == ""


def test_a_missing_column_of_one_cable_says_nothing_of_the_next_one() -> None:
    bench = Bench(cables=2).working()
    newest = bench.t_us
    bench.frame(docked=False, velocity_m_s=(None, (math.nan,) * 5))
    assert bench.rule(bench.load_command(cites_t_us=newest)) == ""


def test_acknowledgements_of_a_rig_with_frames_are_no_telemetry() -> None:
    bench = Bench().started()
    bench.see(ack(bench, t_us=bench.t_us + 10, docked=False))
    assert bench.rule(bench.load_command()) == ""


def test_an_acknowledgement_of_the_same_moment_counts_and_an_older_one_does_not() -> None:
    bench = by_summaries()
    bench.see(ack(bench, t_us=899, docked=False))
    assert not undocked(bench)
    bench = by_summaries()
    bench.see(ack(bench, t_us=900, docked=False))
    assert undocked(bench)


def test_summaries_of_a_rig_with_frames_say_nothing() -> None:
    bench = Bench().started()
    bench.see(summary(bench, t_end_us=bench.t_us + 1))
    assert bench.rule(bench.load_command()) == ""


@pytest.mark.parametrize(
    "bad",
    [
        {"rom_m": ()},
        {"rom_m": (math.nan,)},
        {"applied_n": (math.nan,)},
        {"mean_velocity_m_s": (math.inf,)},
        {"peak_velocity_m_s": (math.nan,)},
    ],
)
def test_a_summary_that_is_not_finite_or_not_of_each_cable_is_none(bad: dict[str, Any]) -> None:
    bench = by_summaries()
    bench.see(summary(bench, **bad))
    assert not undocked(bench)


def test_a_summary_counts_once_and_may_have_number_zero() -> None:
    bench = by_summaries()
    bench.see(summary(bench, seq=0))
    assert undocked(bench)
    bench = by_summaries()
    bench.see(summary(bench, seq=5, docked=True))
    for seq in (4, 5):
        bench.see(summary(bench, seq=seq))
    assert not undocked(bench)
    again = by_summaries()
    again.see(summary(again, seq=5, docked=True), summary(again, seq=6))
    assert undocked(again)


@pytest.mark.parametrize(
    ("kind", "later_us", "expected"),
    [
        (RigEventKind.UNDOCKED, -1, False),
        (RigEventKind.UNDOCKED, 0, True),
        (RigEventKind.UNDOCKED, 1, True),
        (RigEventKind.DOCKED, 1, False),
    ],
)
def test_docking_that_is_reported_counts_unless_it_is_older_than_the_newest_sample(
    kind: RigEventKind, later_us: int, expected: bool
) -> None:
    bench = by_summaries()
    bench.see(RigReported(now_us=bench.now_us, boot_id=BOOT, seq=1, t_us=900 + later_us, kind=kind, detail=""))
    assert undocked(bench) is expected


def test_a_handle_that_is_reported_docked_is_docked() -> None:
    bench = by_summaries()
    bench.see(ack(bench, t_us=950, docked=False))
    bench.see(RigReported(now_us=bench.now_us, boot_id=BOOT, seq=1, t_us=951, kind=RigEventKind.DOCKED, detail=""))
    assert bench.rule(bench.load_command(cites_t_us=950)) == ""


def test_docking_that_is_reported_before_any_rig_is_known_raises_nothing() -> None:
    guard = Guard()
    guard.observe(RigReported(now_us=0, boot_id=BOOT, seq=1, t_us=1, kind=RigEventKind.DOCKED, detail=""))
    assert guard.check(Bench().load_command(), 0) == Refused(
        "offline", "no rig is online; allowed: unload and release only"
    )


@pytest.mark.parametrize("lost", [LinkDown, RigLost])
def test_a_rig_that_restarts_begins_with_a_clock_and_numbers_of_its_own(lost: Any) -> None:
    bench = Bench().working()
    bench.see(lost(now_us=bench.now_us), announced(boot_id="boot-0002", now_us=bench.now_us))
    bench.ask(RequestAction.ARM, fresh_nonce="nonce-0002")
    assert bench.rule(bench.arm_command(nonce="nonce-0002")) == ""
    bench.ask(RequestAction.START)
    assert bench.rule(bench.load_command(nonce="nonce-0002")) == "no_telemetry"
    bench.ask(RequestAction.ARM, fresh_nonce="nonce-0003")
    assert bench.rule(bench.arm_command(nonce="nonce-0003")) == ""
    bench.ask(RequestAction.START)
    bench.t_us, bench.frame_seq = 100_000, 0
    bench.frame(boot_id="boot-0002")
    assert bench.rule(bench.load_command(nonce="nonce-0003")) == ""


def test_the_numbers_of_summaries_begin_anew_with_a_rig_that_restarts() -> None:
    bench = by_summaries()
    bench.see(summary(bench, seq=7, docked=True))
    bench.see(LinkDown(now_us=bench.now_us), announced(boot_id="boot-0002", telemetry="repetitions"))
    bench.ask(RequestAction.ARM, fresh_nonce="nonce-0002")
    assert bench.rule(bench.arm_command(nonce="nonce-0002")) == ""
    bench.ask(RequestAction.START)
    bench.see(dataclasses.replace(ack(bench, t_us=10, boot_id="boot-0002"), nonce="nonce-0002"))
    bench.see(summary(bench, nonce="nonce-0002", seq=1, boot_id="boot-0002", t_start_us=5, t_end_us=11))
    assert bench.rule(bench.load_command(nonce="nonce-0002", cites_t_us=10)) == "undocked"


@pytest.mark.parametrize("boot_id", OTHER_BOOTS)
def test_a_restart_without_a_loss_stops_the_set(boot_id: str) -> None:
    bench = Bench().working()
    bench.see(announced(boot_id=boot_id))
    refused = bench.guard.check(bench.load_command(), bench.now_us)
    assert refused is not None
    assert (refused.rule, refused.detail.split(";")[0]) == ("stopped", "the rig restarted")


def test_what_the_rig_said_before_it_restarted_says_nothing_of_it_now() -> None:
    bench = Bench().working()
    bench.see(announced(boot_id="boot-0002"))
    bench.ask(RequestAction.ARM, fresh_nonce="nonce-0002")
    assert bench.rule(bench.arm_command(nonce="nonce-0002")) == ""
    bench.ask(RequestAction.START)
    assert bench.rule(bench.load_command(nonce="nonce-0002")) == "no_telemetry"


def test_an_announcement_that_no_rig_can_make_stops_the_set_for_good() -> None:
    bench = Bench().working()
    bench.see(announced(cables=3), announced())
    bench.frame(docked=False)
    refused = bench.guard.check(bench.load_command(), bench.now_us)
    assert refused is not None
    assert (refused.rule, refused.detail.split(";")[0]) == ("stopped", "the rig announced what no rig can be")


def test_the_first_reason_of_a_stop_is_the_one_that_is_reported() -> None:
    bench = Bench().working()
    bench.ask(RequestAction.STOP)
    bench.ask(RequestAction.RELEASE)
    refused = bench.guard.check(bench.load_command(), bench.now_us)
    assert refused is not None
    assert refused.detail.startswith("a person asked to stop;")


# --- the clock ---------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("behind_us", "rule"), [(100_000, ""), (100_001, "clock")])
def test_a_command_may_be_a_tenth_of_a_second_out_of_order(behind_us: int, rule: str) -> None:
    bench = Bench()
    bench.ask(RequestAction.ARM)
    bench.now_us -= behind_us
    assert bench.rule(bench.arm_command()) == rule


def test_time_that_a_command_brought_does_not_go_back_with_the_next_one() -> None:
    bench = Bench().working()
    bench.now_us += 200_000
    assert bench.rule(bench.load_command()) == ""
    bench.now_us -= 100_001
    assert bench.rule(bench.load_command()) == "clock"


def test_inputs_that_come_out_of_order_do_not_set_the_clock_back() -> None:
    bench = Bench().working()
    bench.see(Tick(now_us=bench.now_us + 200_000), Tick(now_us=bench.now_us))
    bench.now_us += 99_999
    assert bench.rule(bench.load_command()) == "clock"


BEYOND_TEXT = 10**5_000
"""Python refuses to write so long a number down, and turns none of these into a float."""


@pytest.mark.parametrize(
    "wrong_us", [LATEST_US + 1, 10**400, BEYOND_TEXT], ids=["62 bits", "400 digits", "5000 digits"]
)
def test_an_input_with_an_impossible_time_makes_what_is_known_old_and_raises_nothing(wrong_us: int) -> None:
    bench = Bench().working()
    bench.see(Tick(now_us=wrong_us))
    assert bench.rule(bench.load_command()) == "clock"
    bench = Bench().working()
    bench.frame(docked=False, now_us=-wrong_us)
    assert bench.rule(bench.load_command()) == "stale"
    bench = Bench().working()
    bench.see(Tick(now_us=-wrong_us))
    assert bench.rule(bench.load_command()) == "", "a time long past says nothing of now"


@pytest.mark.parametrize(
    "wrong_us", [LATEST_US + 1, 10**400, BEYOND_TEXT], ids=["62 bits", "400 digits", "5000 digits"]
)
def test_a_command_with_an_impossible_time_is_refused_and_raises_nothing(wrong_us: int) -> None:
    for now_us, rule in ((wrong_us, "stale"), (-wrong_us, "clock")):
        bench = Bench().working()
        bench.now_us = now_us
        assert bench.rule(bench.load_command()) == rule


def test_the_latest_time_that_a_clock_may_show_is_a_time() -> None:
    bench = Bench().working()
    bench.now_us = LATEST_US - 50_000
    bench.frame(docked=False)
    assert bench.rule(bench.load_command()) == ""
    bench.now_us = LATEST_US + REORDERED_US + 1
    assert bench.rule(bench.load_command()) == "", "a later one is taken for the latest"


@pytest.mark.parametrize("wrong", [LATEST_US + 1, -LATEST_US - 1, 10**400])
@pytest.mark.parametrize("field", ["seq", "lease_ms", "cites_t_us", "ramp_n_per_s", "target_n"])
def test_a_load_with_a_whole_number_that_no_float_holds_is_refused(field: str, wrong: int) -> None:
    bench = Bench().working()
    changes: dict[str, Any] = {field: (wrong,) if field == "target_n" else wrong}
    assert bench.rule(dataclasses.replace(bench.load_command(), **changes)) == "figures"
    assert bench.rule(bench.load_command()) == "stopped"


@pytest.mark.parametrize("wrong", [LATEST_US + 1, -LATEST_US - 1, 10**400])
@pytest.mark.parametrize("field", ["seq", "lease_ms", "max_ramp_n_per_s", "ceiling_n", "floor_n"])
def test_an_arm_command_with_a_whole_number_that_no_float_holds_is_refused(field: str, wrong: int) -> None:
    bench = Bench()
    bench.ask(RequestAction.ARM)
    changes: dict[str, Any] = {field: (wrong,) if field in ("ceiling_n", "floor_n") else wrong}
    assert bench.rule(dataclasses.replace(bench.arm_command(), **changes)) == "figures"


def test_the_largest_whole_number_is_a_number() -> None:
    bench = Bench().working()
    assert bench.rule(bench.load_command(seq=LATEST_US)) == ""
    for wrong in (LATEST_US, -LATEST_US):
        bench = Bench().working()
        assert bench.rule(bench.load_command(cites_t_us=wrong)) == "citation"


# --- arming and starting -----------------------------------------------------------------------------------------


def test_a_stopped_set_may_be_followed_by_another_and_an_open_one_may_not() -> None:
    bench = Bench().armed()
    bench.ask(RequestAction.ARM, fresh_nonce="nonce-0002")
    assert bench.rule(bench.arm_command(nonce="nonce-0002")) == "set_open"
    bench.ask(RequestAction.ARM, fresh_nonce="nonce-0003")
    assert bench.rule(bench.arm_command(nonce="nonce-0003")) == ""


def test_an_arm_command_uses_its_request_up() -> None:
    bench = Bench()
    bench.ask(RequestAction.ARM)
    assert bench.rule(bench.arm_command()) == ""
    assert bench.rule(bench.arm_command()) == "arm_not_asked"


def test_a_thousand_nonces_are_remembered() -> None:
    bench = Bench()

    def arm(nonce: str) -> str:
        bench.ask(RequestAction.ARM, fresh_nonce=nonce)
        rule = bench.rule(bench.arm_command(nonce=nonce))
        bench.rule(SendRelease(nonce=nonce, seq=2))
        return rule

    assert {arm(f"nonce-{k:06d}") for k in range(1_000)} == {""}
    assert arm("nonce-000000") == "nonce_used"
    assert arm("nonce-001000") == ""
    assert arm("nonce-000000") == "", "a thousand others were armed since"


@pytest.mark.parametrize(
    ("changes", "rule"), [({"max_ramp_n_per_s": 0.001}, ""), ({"lease_ms": 1}, ""), ({"lease_ms": -1}, "lease")]
)
def test_slower_and_shorter_than_prescribed_may_be_armed(changes: dict[str, Any], rule: str) -> None:
    bench = Bench()
    bench.ask(RequestAction.ARM)
    assert bench.rule(bench.arm_command(**changes)) == rule


@pytest.mark.parametrize("field", ["ceiling_n", "floor_n"])
def test_an_arm_command_names_every_cable(field: str) -> None:
    bench = Bench(cables=2)
    bench.ask(RequestAction.ARM)
    command = bench.arm_command()
    assert bench.rule(dataclasses.replace(command, **{field: getattr(command, field)[:1]})) == field.removesuffix("_n")


@pytest.mark.parametrize(
    ("changes", "rule"),
    [
        ({"ramp_n_per_s": 100.0}, ""),
        ({"ramp_n_per_s": 100.1}, "ramp"),
        ({"lease_ms": 300}, ""),
        ({"lease_ms": 301}, "lease"),
        ({"lease_ms": 1}, ""),
        ({"ramp_n_per_s": 0.001}, ""),
    ],
)
def test_loads_keep_to_what_was_armed_even_where_more_was_prescribed(changes: dict[str, Any], rule: str) -> None:
    bench = Bench()
    bench.frame()
    bench.ask(RequestAction.ARM)
    assert bench.rule(bench.arm_command(max_ramp_n_per_s=100.0, lease_ms=300)) == ""
    bench.ask(RequestAction.START)
    plain: dict[str, Any] = {"ramp_n_per_s": 100.0, "lease_ms": 300}
    assert bench.rule(bench.load_command(**{**plain, **changes})) == rule


@pytest.mark.parametrize(("lowered", "rule"), [({"max_lease_ms": 599}, "lease"), ({"max_ramp_n_per_s": 299.0}, "ramp")])
def test_a_rig_that_lowers_its_limits_is_obeyed_at_once(lowered: dict[str, Any], rule: str) -> None:
    bench = Bench().working()
    bench.see(announced(**lowered))
    assert bench.rule(bench.load_command()) == rule


def test_a_rig_that_gains_or_loses_a_cable_gets_no_load() -> None:
    bench = Bench(cables=2).working()
    bench.see(announced(cables=1))
    assert bench.rule(bench.load_command((400.0,))) == "cables"
    bench = Bench(cables=1).working()
    bench.see(announced(cables=2))
    assert bench.rule(bench.load_command((400.0, 400.0))) == "cables"


@pytest.mark.parametrize("target_n", [(400.1, 300.0), (300.0, 400.1), (119.9, 300.0), (300.0, 119.9)])
def test_each_of_two_cables_keeps_its_limits(target_n: tuple[float, float]) -> None:
    bench = Bench(cables=2).working()
    assert bench.rule(bench.load_command(target_n)) == ("ceiling" if max(target_n) > 400 else "floor")


@pytest.mark.parametrize("value", [math.nan, math.inf, -math.inf])
def test_a_load_is_finite_on_the_second_cable_too(value: float) -> None:
    bench = Bench(cables=2).working()
    assert bench.rule(bench.load_command((300.0, value))) == "finite"


# --- bouts and rests ---------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("rest_us", "rule"), [(10_000_000, ""), (9_999_999, "rest")])
def test_a_rest_is_kept_to_the_microsecond(rest_us: int, rule: str) -> None:
    bench = Bench().working()
    assert bench.rule(SendUnload(nonce=NONCE, seq=90, ramp_n_per_s=300.0)) == ""
    bench.command_seq = 100
    bench.now_us += rest_us - 50_000
    bench.frame()
    assert bench.rule(bench.load_command(300.0)) == rule


def test_a_second_rest_counts_from_the_second_unloading() -> None:
    order = example(
        load={"start_n": 400.0, "floor_n": 120.0, "ramp_n_per_s": 300.0},
        bouts=({}, {"rest_before_s": 10.0}, {"rest_before_s": 10.0}),
    )
    bench = Bench(order=order).rested(10.0)
    assert bench.rule(bench.load_command(400.0)) == ""
    bench.frame(docked=False)
    assert bench.rule(SendUnload(nonce=NONCE, seq=190, ramp_n_per_s=300.0)) == ""
    bench.command_seq = 200
    bench.now_us += 5_000_000
    bench.frame()
    assert bench.rule(bench.load_command(400.0)) == "rest"


def test_a_first_bout_may_have_a_load_below_the_ceiling() -> None:
    order = example(load={"start_n": 400.0, "floor_n": 120.0, "ramp_n_per_s": 300.0}, bouts=({"load_n": 250.0},))
    for load_n, rule in ((250.0, ""), (250.1, "bout_load")):
        bench = Bench(order=order).started()
        assert bench.rule(bench.load_command(load_n)) == rule


def test_one_cable_above_the_load_of_its_bout_is_enough() -> None:
    bench = Bench(cables=2)
    bench.rested(10.0)
    assert bench.rule(bench.load_command((200.0, 300.1))) == "bout_load"


def test_a_refused_load_begins_no_bout() -> None:
    bench = Bench(order=example()).started()
    assert bench.rule(bench.load_command(cites_t_us=1)) == "citation"
    bench.ask(RequestAction.ARM, fresh_nonce="nonce-0002")
    assert bench.rule(bench.arm_command(nonce="nonce-0002")) == ""
    bench.ask(RequestAction.START)
    assert bench.rule(bench.load_command(nonce="nonce-0002")) == ""


def test_unloading_twice_before_any_load_does_not_count_as_a_bout() -> None:
    bench = Bench(order=example()).started()
    for seq in (40, 41):
        assert bench.rule(SendUnload(nonce=NONCE, seq=seq, ramp_n_per_s=300.0)) == ""
    bench.command_seq = 100
    assert bench.rule(bench.load_command()) == ""


def test_the_number_of_a_load_that_passed_is_used() -> None:
    bench = Bench().working()
    assert bench.rule(bench.load_command(seq=40)) == ""
    assert bench.rule(bench.load_command(seq=41)) == ""
    assert bench.rule(bench.load_command(seq=41)) == "sequence"


def test_an_older_unload_does_not_give_numbers_back() -> None:
    bench = Bench().working()
    assert bench.rule(bench.load_command(seq=40)) == ""
    assert bench.rule(SendUnload(nonce=NONCE, seq=10, ramp_n_per_s=300.0)) == ""
    bench.now_us += 10_000_000
    bench.frame()
    assert bench.rule(bench.load_command(300.0, seq=40)) == "sequence"


# --- rate --------------------------------------------------------------------------------------------------------


def test_changes_and_eight_renewals_a_lease_fit_into_a_second_and_one_more_does_not() -> None:
    bench = Bench().started()
    # 10 changes a cable and 8 renewals in each of 1 s / 0.6 s leases, rounded down: 23.
    assert [bench.rule(bench.load_command()) for _ in range(24)] == [""] * 23 + ["rate"]
    bench = Bench(cables=2).started()
    assert [bench.rule(bench.load_command()) for _ in range(34)] == [""] * 33 + ["rate"]


def test_a_shorter_lease_may_be_renewed_more_often() -> None:
    bench = Bench().started()
    assert [bench.rule(bench.load_command(lease_ms=200)) for _ in range(51)] == [""] * 50 + ["rate"]
    bench = Bench().started()
    # 8 renewals in each of 1 s / 0.471 s leases are 16.98
    assert [bench.rule(bench.load_command(lease_ms=471)) for _ in range(27)] == [""] * 26 + ["rate"]


def test_renewals_under_a_short_lease_count_when_the_lease_becomes_longer() -> None:
    bench = Bench().started()
    for _ in range(30):
        assert bench.rule(bench.load_command(lease_ms=200)) == ""
    assert bench.rule(bench.load_command(lease_ms=600)) == "rate"


def test_changes_in_a_set_on_two_cables_count_in_the_next_one_on_one() -> None:
    bench = Bench(cables=2).started()
    for k in range(12):
        assert bench.rule(bench.load_command(400.0 - k)) == ""
    bench.rule(SendRelease(nonce=NONCE, seq=90))
    bench.rig = announced(cables=1)
    bench.see(bench.rig)
    bench.applied_n = (0.0,)
    bench.frame()
    bench.ask(RequestAction.ARM, fresh_nonce="nonce-0002")
    assert bench.rule(bench.arm_command(nonce="nonce-0002")) == ""
    bench.ask(RequestAction.START)
    assert bench.rule(bench.load_command(nonce="nonce-0002")) == "rate"


@pytest.mark.parametrize(("later_us", "rule"), [(999_999, "rate"), (1_000_000, "")])
def test_what_was_sent_a_second_ago_does_not_count(later_us: int, rule: str) -> None:
    bench = Bench().started()
    first_us = bench.now_us
    for _ in range(23):
        assert bench.rule(bench.load_command()) == ""
    bench.now_us = first_us + later_us - 50_000
    bench.frame(docked=False)
    assert bench.rule(bench.load_command()) == rule


@pytest.mark.parametrize(("later_us", "rule"), [(999_999, "rate"), (1_000_000, "")])
def test_ten_changes_a_second_fit_and_the_eleventh_does_not(later_us: int, rule: str) -> None:
    bench = Bench().started()
    first_us = bench.now_us
    for k in range(10):
        assert bench.rule(bench.load_command(400.0 - k)) == ""
    bench.now_us = first_us + later_us - 50_000
    bench.frame(docked=False)
    assert bench.rule(bench.load_command(300.0)) == rule


def test_a_second_full_of_changes_may_still_be_renewed() -> None:
    bench = Bench().started()
    for k in range(10):
        assert bench.rule(bench.load_command(400.0 - k)) == ""
    assert bench.rule(bench.load_command(391.0)) == ""


def test_what_left_the_window_leaves_it_for_good_one_by_one() -> None:
    bench = Bench().started()
    for k in range(10):
        assert bench.rule(bench.load_command(400.0 - k)) == ""
        bench.frame(docked=False)
    bench.now_us += 460_000
    bench.frame(docked=False)
    # The first one is a second old, the second one is not.
    assert bench.rule(bench.load_command(300.0)) == ""
    assert bench.rule(bench.load_command(299.0)) == "rate"


def test_what_the_guard_says_cannot_be_changed() -> None:
    refused = Guard().check(Bench().load_command(), 0)
    with pytest.raises(dataclasses.FrozenInstanceError):
        refused.rule = ""  # type: ignore[misc, union-attr]


def test_lost_and_found_again_with_the_same_boot_is_a_stop() -> None:
    bench = Bench().working()
    bench.see(LinkDown(now_us=bench.now_us), LinkUp(now_us=bench.now_us), announced())
    bench.frame(docked=False)
    refused = bench.guard.check(bench.load_command(), bench.now_us)
    assert refused is not None
    assert refused.detail.startswith("the rig or the link was lost;")


def test_the_prescription_that_was_armed_is_the_one_that_counts() -> None:
    bench = Bench().working()
    assert bench.order == ORDER
    bench.order = example(load={"start_n": 900.0, "floor_n": 50.0})
    assert bench.rule(bench.load_command(400.0)) == ""
    assert bench.rule(bench.load_command(401.0)) == "ceiling"


@pytest.mark.parametrize(
    "changes",
    [
        {"cables": 3},
        {"cables": 10**400},
        {"cables": 0},
        {"max_load_n": float("nan")},
        {"max_load_n": 5_000.1},
        {"max_load_n": 0.0},
        {"min_load_n": -1.0},
        {"max_ramp_n_per_s": 5e-324},
        {"max_ramp_n_per_s": float("inf")},
        {"max_lease_ms": 99},
        {"sample_rate_hz": float("nan")},
    ],
)
def test_a_rig_that_announces_what_no_rig_can_be_gets_no_load_and_no_arming(changes: dict[str, Any]) -> None:
    bench = Bench().working()
    bench.see(announced(**changes))
    bench.frame(docked=False)
    assert bench.rule(bench.load_command()) == "offline"
    bench.see(announced())
    bench.frame()
    assert bench.rule(bench.load_command()) == "stopped"
