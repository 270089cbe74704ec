"""The core of a good rig judged rule by rule, straight from the wire contract."""

from __future__ import annotations

import itertools
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from ebbset.controller.link.contract_rules import REFUSALS_OF_ARM, REFUSALS_OF_LOAD
from ebbset.models.contract.controller_messages import LoadCommand
from ebbset.models.contract.rig_messages import Refusal, RigEventKind
from ebbset.rig.command_rules import AnyCommand
from ebbset.rig.rig_core import RigCore
from tests.support.core_bench import (
    BROKEN_ARMS,
    BROKEN_LOADS,
    LEASE_MS,
    LIMITS,
    NONCE,
    T0,
    Bench,
    arm,
    broken,
    load,
    release,
    unload,
)


def good_rig() -> Bench[RigCore]:
    return Bench(RigCore(LIMITS, boot_id="boot-0001"))


# --- the ordinary course -----------------------------------------------------------------------------------------


def test_a_set_goes_through_and_leaves_the_rig_free() -> None:
    bench = good_rig().loaded(400.0)
    assert bench.core.target_n == (400.0,)
    assert bench.core.ramp_n_per_s == 300.0
    bench.docked = False
    assert bench.tick(100) == [RigEventKind.UNDOCKED]
    assert bench.send(load(3, 320.0, bench.t_us)).accepted
    assert bench.send(unload(nonce=NONCE, seq=4, ramp_n_per_s=300.0)).accepted
    assert bench.core.target_n == (0.0,)
    assert bench.send(release(nonce=NONCE, seq=5)).accepted
    assert bench.core.nonce is None
    assert bench.send(arm(1, nonce="nonce-0002")).accepted


def test_arming_loads_nothing() -> None:
    assert good_rig().armed().core.target_n == (0.0,)


# --- refusals: each rule broken alone, everything else in order ---------------------------------------------------


@pytest.mark.parametrize("refusal", BROKEN_LOADS)
def test_a_load_that_breaks_one_rule_is_refused_by_that_rule(refusal: Refusal) -> None:
    bench = good_rig().armed()
    reply = bench.send(broken(BROKEN_LOADS[refusal]))
    assert (reply.accepted, reply.refusal) == (False, refusal)
    assert bench.core.target_n == (0.0,)


@pytest.mark.parametrize(
    "changes",
    [{"target_n": (500.0,)}, {"target_n": (100.0,)}, {"target_n": (0.0,)}, {"ramp_n_per_s": 800.0}],
)
def test_a_load_at_the_limit_is_taken(changes: dict[str, Any]) -> None:
    assert good_rig().armed().send(broken({"cites_t_us": T0 - LEASE_MS * 1_000, **changes})).accepted


@pytest.mark.parametrize("refusal", BROKEN_ARMS)
def test_an_arming_beyond_the_rig_is_refused(refusal: Refusal) -> None:
    bench = good_rig()
    assert bench.send(arm(**BROKEN_ARMS[refusal])).refusal is refusal
    assert bench.core.nonce is None


def test_a_floor_above_the_ceiling_is_refused() -> None:
    assert good_rig().send(arm(ceiling_n=(90.0,))).refusal is Refusal.BELOW_FLOOR


def test_a_bound_rig_refuses_every_other_set_and_a_second_arming_of_its_own() -> None:
    bench = good_rig().armed()
    assert bench.send(arm(5, nonce="nonce-0002")).refusal is Refusal.FOREIGN_NONCE
    assert bench.send(arm(5, ceiling_n=(900.0,))).refusal is Refusal.SPENT_NONCE
    assert bench.send(arm(1)).refusal is Refusal.REPEATED_SEQUENCE


def test_the_load_rises_only_in_the_dock() -> None:
    bench = good_rig().loaded(300.0)
    bench.docked = False
    bench.tick(50)
    assert bench.send(load(3, 301.0, bench.t_us)).refusal is Refusal.RISE_WHILE_UNDOCKED
    assert bench.send(load(4, 300.0, bench.t_us)).accepted
    assert bench.send(load(5, 250.0, bench.t_us)).accepted
    assert bench.send(load(6, 300.0, bench.t_us)).refusal is Refusal.RISE_WHILE_UNDOCKED


def test_a_refused_command_cannot_come_back_later() -> None:
    bench = good_rig().loaded(300.0)
    bench.docked = False
    bench.tick(50)
    refused = load(3, 400.0, bench.t_us)
    assert bench.send(refused).refusal is Refusal.RISE_WHILE_UNDOCKED
    bench.docked = True
    bench.tick(50)
    assert bench.send(refused).refusal is Refusal.REPEATED_SEQUENCE


# --- unloading always goes through --------------------------------------------------------------------------------


@pytest.mark.parametrize("nonce", [NONCE, "nonce-9999"])
@pytest.mark.parametrize("seq", [0, 1, 2, 99])
def test_unload_is_obeyed_whatever_its_nonce_and_number(nonce: str, seq: int) -> None:
    bench = good_rig().loaded(400.0)
    assert bench.send(unload(nonce=nonce, seq=seq, ramp_n_per_s=200.0)).accepted
    assert (bench.core.target_n, bench.core.ramp_n_per_s) == ((0.0,), 200.0)


def test_only_a_new_unload_of_the_bound_set_keeps_the_binding() -> None:
    bench = good_rig().armed()
    bench.tick(500)
    bench.send(unload(nonce=NONCE, seq=2, ramp_n_per_s=200.0))
    assert bench.tick(500) == []
    bench.send(unload(nonce=NONCE, seq=2, ramp_n_per_s=200.0))
    bench.send(unload(nonce="nonce-9999", seq=9, ramp_n_per_s=200.0))
    assert bench.tick(200) == [RigEventKind.LEASE_EXPIRED]


def test_the_lease_starts_at_arming_and_every_accepted_command_of_the_set_renews_it() -> None:
    bench = good_rig().armed()
    for seq in range(2, 12):
        assert bench.tick(LEASE_MS - 1) == []
        assert bench.send(unload(nonce=NONCE, seq=seq, ramp_n_per_s=200.0)).accepted
    assert bench.send(load(12, 400.0, bench.t_us)).accepted
    assert bench.tick(LEASE_MS - 1) == []
    # A refused command of the set renews nothing, and neither does an accepted one of nobody's.
    assert not bench.send(load(13, 600.0, bench.t_us)).accepted
    assert bench.tick(1) == [RigEventKind.LEASE_EXPIRED]


def test_a_rig_whose_controller_dies_after_arming_is_free_after_one_lease() -> None:
    bench = good_rig().armed()
    assert bench.tick(LEASE_MS - 1) == []
    assert bench.send(arm(1, nonce="nonce-0002")).refusal is Refusal.FOREIGN_NONCE
    assert bench.tick(1) == [RigEventKind.LEASE_EXPIRED]
    assert bench.send(load(2, 400.0, bench.t_us)).refusal is Refusal.SPENT_NONCE
    assert bench.send(arm(1, nonce="nonce-0002")).accepted


@pytest.mark.parametrize(("armed_n_per_s", "lapse_n_per_s"), [(800.0, 1_000.0), (1_500.0, 1_500.0)])
def test_at_the_end_of_a_lease_the_load_goes_off_no_slower_than_armed(
    armed_n_per_s: float, lapse_n_per_s: float
) -> None:
    bench = good_rig()
    assert bench.send(arm(max_ramp_n_per_s=armed_n_per_s)).accepted
    assert bench.send(load(2, 400.0, bench.t_us)).accepted
    assert bench.tick(LEASE_MS) == [RigEventKind.LEASE_EXPIRED]
    assert (bench.core.target_n, bench.core.ramp_n_per_s) == ((0.0,), lapse_n_per_s)


def test_release_spends_the_nonce_for_good_and_may_come_twice() -> None:
    bench = good_rig().loaded(400.0)
    assert bench.send(release(nonce="nonce-9999", seq=9)).refusal is Refusal.FOREIGN_NONCE
    assert bench.core.target_n == (400.0,)
    assert bench.send(release(nonce=NONCE, seq=3)).accepted
    assert bench.core.target_n == (0.0,)
    assert bench.send(release(nonce=NONCE, seq=3)).accepted
    assert bench.send(load(4, 400.0, bench.t_us)).refusal is Refusal.SPENT_NONCE
    assert bench.send(arm(5)).refusal is Refusal.SPENT_NONCE


def test_a_later_unload_makes_an_unloading_faster_and_never_slower() -> None:
    bench = good_rig().loaded(400.0)
    ramps = []
    for seq, ramp in ((3, 300.0), (4, 1_200.0), (5, 300.0)):
        assert bench.send(unload(nonce=NONCE, seq=seq, ramp_n_per_s=ramp)).accepted
        ramps.append(bench.core.ramp_n_per_s)
    assert ramps == [300.0, 1_200.0, 1_200.0]
    assert bench.send(load(6, 400.0, bench.t_us)).accepted
    assert bench.core.ramp_n_per_s == 300.0


# --- what the rig does by itself ----------------------------------------------------------------------------------


def test_the_lease_runs_out_exactly_and_spends_the_nonce() -> None:
    bench = good_rig().loaded(400.0)
    bench.docked = False
    bench.tick()
    assert bench.tick(LEASE_MS - 1) == []
    assert bench.core.target_n == (400.0,)
    assert bench.tick(1) == [RigEventKind.LEASE_EXPIRED]
    assert (bench.core.target_n, bench.core.ramp_n_per_s) == ((0.0,), LIMITS.unload_ramp_n_per_s)
    assert bench.send(load(3, 400.0, bench.t_us)).refusal is Refusal.SPENT_NONCE


def test_a_renewal_keeps_the_load_for_one_more_lease_only() -> None:
    bench = good_rig().loaded(400.0)
    for seq in range(3, 8):
        assert bench.tick(LEASE_MS // 3) == []
        assert bench.send(load(seq, 400.0, bench.t_us)).accepted
    assert bench.tick(LEASE_MS) == [RigEventKind.LEASE_EXPIRED]


def test_the_emergency_stop_is_latched_and_its_reset_loads_nothing() -> None:
    bench = good_rig().loaded(400.0)
    assert [notice.kind for notice in bench.core.press_emergency_stop(bench.t_us)] == [RigEventKind.EMERGENCY_STOP]
    assert bench.core.target_n == (0.0,)
    assert bench.send(load(3, 400.0, bench.t_us)).refusal is Refusal.STOPPED
    assert bench.send(arm(1, nonce="nonce-0002")).refusal is Refusal.STOPPED
    assert bench.send(unload(nonce=NONCE, seq=4, ramp_n_per_s=100.0)).accepted
    bench.tick(5_000)
    assert bench.send(arm(1, nonce="nonce-0002")).refusal is Refusal.STOPPED
    bench.core.reset_emergency_stop()
    bench.tick()
    assert bench.core.target_n == (0.0,)
    assert bench.send(load(5, 400.0, bench.t_us)).refusal is Refusal.SPENT_NONCE
    assert bench.send(arm(1, nonce="nonce-0002")).accepted


@pytest.mark.parametrize(
    ("kind", "motion"),
    [
        (RigEventKind.OVER_TRAVEL, {"position_m": 2.51}),
        (RigEventKind.OVER_SPEED, {"speed": 4.1}),
        (RigEventKind.OVER_SPEED, {"speed": -4.1}),
    ],
)
def test_over_travel_and_over_speed_unload_and_are_reported_once(kind: RigEventKind, motion: dict[str, Any]) -> None:
    bench = good_rig().loaded(400.0)
    assert bench.tick(10, **motion) == [kind]
    assert bench.core.target_n == (0.0,)
    assert bench.tick(10, **motion) == []
    assert bench.tick(10) == []
    assert bench.tick(10, **motion) == [kind]


def test_a_handle_that_leaves_while_the_load_rises_unloads_the_rig() -> None:
    bench = good_rig().armed()
    bench.send(load(2, 400.0, bench.t_us))
    bench.applied_n = (120.0,)
    bench.docked = False
    assert bench.tick(10, settle=False) == [RigEventKind.UNDOCKED, RigEventKind.FAULT]
    assert bench.core.target_n == (0.0,)


# --- under any commands at any time -------------------------------------------------------------------------------

_COMMANDS = st.one_of(
    st.builds(
        arm,
        seq=st.integers(0, 12),
        nonce=st.sampled_from(["nonce-0001", "nonce-0002"]),
        ceiling_n=st.sampled_from([(300.0,), (500.0,), (2_000.0,)]),
    ),
    st.builds(
        load,
        seq=st.integers(0, 12),
        target_n=st.sampled_from([0.0, 5.0, 100.0, 300.0, 500.0, 900.0]),
        cites_t_us=st.integers(T0 - 1_000_000, T0 + 3_000_000),
        nonce=st.sampled_from(["nonce-0001", "nonce-0002"]),
    ),
    st.builds(unload, nonce=st.just(NONCE), seq=st.integers(0, 12), ramp_n_per_s=st.just(300.0)),
    st.builds(release, nonce=st.sampled_from(["nonce-0001", "nonce-0002"]), seq=st.integers(0, 12)),
)
_STEPS = st.lists(st.tuples(_COMMANDS, st.integers(0, 400), st.booleans()), max_size=40)


@given(steps=_STEPS)
def test_no_commands_bring_a_load_that_the_contract_forbids(steps: list[tuple[AnyCommand, int, bool]]) -> None:
    bench = good_rig()
    accepted: list[tuple[str, int]] = []
    held_since = bench.t_us
    for command, wait_ms, docked in steps:
        before_n = bench.core.target_n[0]
        reply = bench.send(command)
        after_n = bench.core.target_n[0]
        if isinstance(command, LoadCommand) and reply.accepted:
            assert (command.nonce, command.seq) not in accepted
            accepted.append((command.nonce, command.seq))
            assert 0 <= bench.t_us - command.cites_t_us <= LEASE_MS * 1_000
            held_since = bench.t_us
        if after_n > before_n:
            assert reply.accepted
            assert isinstance(command, LoadCommand)
            assert bench.docked
        assert after_n <= 500.0
        assert after_n == 0.0 or after_n >= 100.0
        bench.docked = docked
        bench.tick(wait_ms)
        assert bench.core.target_n[0] == 0.0 or bench.t_us - held_since < LEASE_MS * 1_000


# --- the order of refusals ----------------------------------------------------------------------------------------


def test_a_load_that_breaks_two_rules_is_refused_for_the_one_that_the_contract_names_first() -> None:
    order = list(REFUSALS_OF_LOAD)
    compared = 0
    for first, second in itertools.combinations(BROKEN_LOADS, 2):
        both = BROKEN_LOADS[first] | BROKEN_LOADS[second]
        if len(both) < len(BROKEN_LOADS[first]) + len(BROKEN_LOADS[second]):
            continue
        compared += 1
        refusal = good_rig().armed().send(broken(both)).refusal
        assert refusal is min(first, second, key=order.index), (first, second)
    assert compared > 10
    assert order[-1] is Refusal.RISE_WHILE_UNDOCKED
    out = good_rig().armed()
    out.docked = False
    assert out.send(broken({})).refusal is order[-1]
    for refusal, changes in BROKEN_LOADS.items():
        out = good_rig().armed()
        out.docked = False
        assert out.send(broken(changes)).refusal is refusal
    stopped = good_rig().armed()
    stopped.core.press_emergency_stop(stopped.t_us)
    for refusal, changes in BROKEN_LOADS.items():
        # A command that breaks its schema is not understood, so it cannot be judged by anything else.
        first = min(refusal, Refusal.STOPPED, key=order.index)
        assert stopped.send(broken(changes)).refusal is first
        assert (first is Refusal.BAD_MESSAGE) is (refusal is Refusal.BAD_MESSAGE)


def test_the_age_of_a_citation_is_judged_by_the_lease_of_its_own_command() -> None:
    longer: dict[str, Any] = {"lease_ms": 2 * LEASE_MS, "cites_t_us": T0 - LEASE_MS * 1_500}
    assert good_rig().armed().send(broken(longer)).refusal is Refusal.LEASE_TOO_LONG


def test_an_arming_that_breaks_two_rules_is_refused_for_the_one_that_the_contract_names_first() -> None:
    order = list(REFUSALS_OF_ARM)
    for first, second in itertools.combinations(BROKEN_ARMS, 2):
        both = BROKEN_ARMS[first] | BROKEN_ARMS[second]
        if len(both) == len(BROKEN_ARMS[first]) + len(BROKEN_ARMS[second]):
            assert good_rig().send(arm(**both)).refusal is min(first, second, key=order.index), (first, second)
    bound = good_rig().armed()
    for refusal, changes in BROKEN_ARMS.items():
        first = min(refusal, Refusal.FOREIGN_NONCE, key=order.index)
        assert bound.send(arm(2, nonce="nonce-0002", **changes)).refusal is first
    assert bound.send(arm(1)).refusal is Refusal.REPEATED_SEQUENCE
    assert bound.send(arm(9)).refusal is Refusal.SPENT_NONCE
