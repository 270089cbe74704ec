"""The firmware of a good rig judged rule by rule, straight from the wire contract."""

from __future__ import annotations

import itertools
from dataclasses import replace
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from ebbset.controller.link.contract_rules import REFUSALS_OF_ARM, REFUSALS_OF_LOAD
from ebbset.controller.messages.actions import SendArm, SendLoad, SendRelease, SendUnload
from ebbset.models.contract.controller_messages import ArmCommand, LoadCommand
from ebbset.models.contract.rig_messages import Refusal, RigEventKind
from ebbset.rig.description import RigLimits
from ebbset.rig.rig_core import Notice, Reply
from ebbset.rig.rig_messages import FrameContent
from ebbset.simulators.rig.defects import (
    FORCE_OFFSET_N,
    LATE_LEASES,
    OVERLOOKED,
    SLOW_LAPSE,
    Defect,
    distort,
)
from ebbset.simulators.rig.firmware import AnyCommand, RigFirmware

SETTINGS = RigLimits(cables=1, max_load_n=1_000.0, min_load_n=20.0, max_ramp_n_per_s=1_500.0, max_lease_ms=1_000)
T0 = 10_000_000
LEASE_MS = 600
NONCE = "nonce-0001"


class Bench:
    """A firmware with a hand on its clock, dock and applied load."""

    def __init__(self, defect: Defect | None = None, settings: RigLimits = SETTINGS) -> None:
        self.firmware = RigFirmware(settings, boot_id="boot-0001", defect=defect)
        self.t_us = T0
        self.docked = True
        self.applied_n = (0.0,) * settings.cables
        self.tick()

    def send(self, command: AnyCommand) -> Reply:
        return self.firmware.handle_command(command, t_us=self.t_us, docked=self.docked, applied_n=self.applied_n)

    def tick(
        self, after_ms: int = 0, *, settle: bool = True, position_m: float = 0.1, speed: float = 0.0
    ) -> list[RigEventKind]:
        self.t_us += after_ms * 1_000
        if settle:
            self.applied_n = self.firmware.target_n
        cables = self.firmware.limits.cables
        notices: tuple[Notice, ...] = self.firmware.tick(
            t_us=self.t_us,
            docked=self.docked,
            applied_n=self.applied_n,
            position_m=(position_m,) * cables,
            velocity_m_s=(speed,) * cables,
        )
        return [notice.kind for notice in notices]

    def armed(self) -> Bench:
        assert self.send(arm()).accepted
        return self

    def loaded(self, target_n: float = 400.0) -> Bench:
        self.armed()
        assert self.send(load(2, target_n, self.t_us)).accepted
        self.tick()
        return self


def arm(seq: int = 1, *, nonce: str = NONCE, **changes: Any) -> SendArm:
    command = SendArm(
        nonce=nonce, seq=seq, ceiling_n=(500.0,), floor_n=(100.0,), max_ramp_n_per_s=800.0, lease_ms=LEASE_MS
    )
    return replace(command, **changes)


def load(seq: int, target_n: float, cites_t_us: int, **changes: object) -> SendLoad:
    command = SendLoad(
        nonce=NONCE,
        seq=seq,
        target_n=(target_n,),
        ramp_n_per_s=300.0,
        lease_ms=LEASE_MS,
        cites_t_us=cites_t_us,
    )
    return replace(command, **changes)  # type: ignore[arg-type]


def broken(changes: dict[str, object]) -> SendLoad:
    """A load that is in order but for the changes."""
    return replace(load(2, 400.0, T0), **changes)  # type: ignore[arg-type]


# --- the ordinary course -----------------------------------------------------------------------------------------


def test_a_set_goes_through_and_leaves_the_rig_free() -> None:
    bench = Bench().loaded(400.0)
    assert bench.firmware.target_n == (400.0,)
    assert bench.firmware.ramp_n_per_s == 300.0
    bench.docked = False
    assert bench.tick(100) == [RigEventKind.UNDOCKED]
    assert bench.send(load(3, 320.0, bench.t_us)).accepted
    assert bench.send(SendUnload(nonce=NONCE, seq=4, ramp_n_per_s=300.0)).accepted
    assert bench.firmware.target_n == (0.0,)
    assert bench.send(SendRelease(nonce=NONCE, seq=5)).accepted
    assert bench.firmware.nonce is None
    assert bench.send(arm(1, nonce="nonce-0002")).accepted


def test_wire_messages_are_judged_like_the_core_s_own_values() -> None:
    bench = Bench()
    wire_arm = ArmCommand(
        nonce=NONCE, seq=1, ceiling_n=(500.0,), floor_n=(100.0,), max_ramp_n_per_s=800.0, lease_ms=LEASE_MS
    )
    wire_load = LoadCommand(
        nonce=NONCE, seq=2, target_n=(600.0,), ramp_n_per_s=300.0, lease_ms=LEASE_MS, cites_t_us=bench.t_us
    )
    assert bench.send(wire_arm).accepted
    assert bench.send(wire_load).refusal is Refusal.ABOVE_CEILING


def test_arming_loads_nothing() -> None:
    assert Bench().armed().firmware.target_n == (0.0,)


# --- refusals: each rule broken alone, everything else in order ---------------------------------------------------

BROKEN_LOADS: dict[Refusal, dict[str, object]] = {
    Refusal.FOREIGN_NONCE: {"nonce": "nonce-9999"},
    Refusal.REPEATED_SEQUENCE: {"seq": 1},
    Refusal.STALE_CITATION: {"cites_t_us": T0 - LEASE_MS * 1_000 - 1},
    Refusal.FUTURE_CITATION: {"cites_t_us": T0 + 1},
    Refusal.LEASE_TOO_LONG: {"lease_ms": LEASE_MS + 1, "cites_t_us": T0},
    Refusal.ABOVE_CEILING: {"target_n": (500.1,)},
    Refusal.BELOW_FLOOR: {"target_n": (99.9,)},
    Refusal.RAMP_TOO_STEEP: {"ramp_n_per_s": 800.1},
    Refusal.WRONG_CABLES: {"target_n": (400.0, 400.0)},
    Refusal.BAD_MESSAGE: {"target_n": (float("nan"),)},
}


@pytest.mark.parametrize("refusal", BROKEN_LOADS)
def test_a_load_that_breaks_one_rule_is_refused_by_that_rule(refusal: Refusal) -> None:
    bench = Bench().armed()
    reply = bench.send(broken(BROKEN_LOADS[refusal]))
    assert (reply.accepted, reply.refusal) == (False, refusal)
    assert bench.firmware.target_n == (0.0,)


@pytest.mark.parametrize(
    "changes",
    [{"target_n": (500.0,)}, {"target_n": (100.0,)}, {"target_n": (0.0,)}, {"ramp_n_per_s": 800.0}],
)
def test_a_load_at_the_limit_is_taken(changes: dict[str, object]) -> None:
    assert Bench().armed().send(broken({"cites_t_us": T0 - LEASE_MS * 1_000, **changes})).accepted


BROKEN_ARMS: dict[Refusal, dict[str, Any]] = {
    Refusal.ABOVE_CEILING: {"ceiling_n": (1_000.1,)},
    Refusal.BELOW_FLOOR: {"floor_n": (19.9,)},
    Refusal.RAMP_TOO_STEEP: {"max_ramp_n_per_s": 1_500.1},
    Refusal.LEASE_TOO_LONG: {"lease_ms": 1_001},
    Refusal.WRONG_CABLES: {"ceiling_n": (500.0, 500.0)},
    Refusal.BAD_MESSAGE: {"floor_n": (float("inf"),)},
}


@pytest.mark.parametrize("refusal", BROKEN_ARMS)
def test_an_arming_beyond_the_rig_is_refused(refusal: Refusal) -> None:
    bench = Bench()
    assert bench.send(arm(**BROKEN_ARMS[refusal])).refusal is refusal
    assert bench.firmware.nonce is None


def test_a_floor_above_the_ceiling_is_refused() -> None:
    assert Bench().send(arm(ceiling_n=(90.0,))).refusal is Refusal.BELOW_FLOOR


def test_a_bound_rig_refuses_every_other_set_and_a_second_arming_of_its_own() -> None:
    bench = Bench().armed()
    assert bench.send(arm(5, nonce="nonce-0002")).refusal is Refusal.FOREIGN_NONCE
    assert bench.send(arm(5, ceiling_n=(900.0,))).refusal is Refusal.SPENT_NONCE
    assert bench.send(arm(1)).refusal is Refusal.REPEATED_SEQUENCE


def test_the_load_rises_only_in_the_dock() -> None:
    bench = Bench().loaded(300.0)
    bench.docked = False
    bench.tick(50)
    assert bench.send(load(3, 301.0, bench.t_us)).refusal is Refusal.RISE_WHILE_UNDOCKED
    assert bench.send(load(4, 300.0, bench.t_us)).accepted
    assert bench.send(load(5, 250.0, bench.t_us)).accepted
    assert bench.send(load(6, 300.0, bench.t_us)).refusal is Refusal.RISE_WHILE_UNDOCKED


def test_a_refused_command_cannot_come_back_later() -> None:
    bench = Bench().loaded(300.0)
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
    bench = Bench().loaded(400.0)
    assert bench.send(SendUnload(nonce=nonce, seq=seq, ramp_n_per_s=200.0)).accepted
    assert (bench.firmware.target_n, bench.firmware.ramp_n_per_s) == ((0.0,), 200.0)


def test_only_a_new_unload_of_the_bound_set_keeps_the_binding() -> None:
    bench = Bench().armed()
    bench.tick(500)
    bench.send(SendUnload(nonce=NONCE, seq=2, ramp_n_per_s=200.0))
    assert bench.tick(500) == []
    bench.send(SendUnload(nonce=NONCE, seq=2, ramp_n_per_s=200.0))
    bench.send(SendUnload(nonce="nonce-9999", seq=9, ramp_n_per_s=200.0))
    assert bench.tick(200) == [RigEventKind.LEASE_EXPIRED]


def test_the_lease_starts_at_arming_and_every_accepted_command_of_the_set_renews_it() -> None:
    bench = Bench().armed()
    for seq in range(2, 12):
        assert bench.tick(LEASE_MS - 1) == []
        assert bench.send(SendUnload(nonce=NONCE, seq=seq, ramp_n_per_s=200.0)).accepted
    assert bench.send(load(12, 400.0, bench.t_us)).accepted
    assert bench.tick(LEASE_MS - 1) == []
    # A refused command of the set renews nothing, and neither does an accepted one of nobody's.
    assert not bench.send(load(13, 600.0, bench.t_us)).accepted
    assert bench.tick(1) == [RigEventKind.LEASE_EXPIRED]


def test_a_rig_whose_controller_dies_after_arming_is_free_after_one_lease() -> None:
    bench = Bench().armed()
    assert bench.tick(LEASE_MS - 1) == []
    assert bench.send(arm(1, nonce="nonce-0002")).refusal is Refusal.FOREIGN_NONCE
    assert bench.tick(1) == [RigEventKind.LEASE_EXPIRED]
    assert bench.send(load(2, 400.0, bench.t_us)).refusal is Refusal.SPENT_NONCE
    assert bench.send(arm(1, nonce="nonce-0002")).accepted


@pytest.mark.parametrize(("armed_n_per_s", "lapse_n_per_s"), [(800.0, 1_000.0), (1_500.0, 1_500.0)])
def test_at_the_end_of_a_lease_the_load_goes_off_no_slower_than_armed(
    armed_n_per_s: float, lapse_n_per_s: float
) -> None:
    bench = Bench()
    assert bench.send(arm(max_ramp_n_per_s=armed_n_per_s)).accepted
    assert bench.send(load(2, 400.0, bench.t_us)).accepted
    assert bench.tick(LEASE_MS) == [RigEventKind.LEASE_EXPIRED]
    assert (bench.firmware.target_n, bench.firmware.ramp_n_per_s) == ((0.0,), lapse_n_per_s)


def test_release_spends_the_nonce_for_good_and_may_come_twice() -> None:
    bench = Bench().loaded(400.0)
    assert bench.send(SendRelease(nonce="nonce-9999", seq=9)).refusal is Refusal.FOREIGN_NONCE
    assert bench.firmware.target_n == (400.0,)
    assert bench.send(SendRelease(nonce=NONCE, seq=3)).accepted
    assert bench.firmware.target_n == (0.0,)
    assert bench.send(SendRelease(nonce=NONCE, seq=3)).accepted
    assert bench.send(load(4, 400.0, bench.t_us)).refusal is Refusal.SPENT_NONCE
    assert bench.send(arm(5)).refusal is Refusal.SPENT_NONCE


def test_a_later_unload_makes_an_unloading_faster_and_never_slower() -> None:
    bench = Bench().loaded(400.0)
    ramps = []
    for seq, ramp in ((3, 300.0), (4, 1_200.0), (5, 300.0)):
        assert bench.send(SendUnload(nonce=NONCE, seq=seq, ramp_n_per_s=ramp)).accepted
        ramps.append(bench.firmware.ramp_n_per_s)
    assert ramps == [300.0, 1_200.0, 1_200.0]
    assert bench.send(load(6, 400.0, bench.t_us)).accepted
    assert bench.firmware.ramp_n_per_s == 300.0


def test_two_defects_of_an_unloading_and_of_a_handle_that_is_taken() -> None:
    slow = Bench(Defect.UNLOAD_SLOWS_DOWN).loaded(400.0)
    for seq, ramp in ((3, 1_200.0), (4, 300.0)):
        slow.send(SendUnload(nonce=NONCE, seq=seq, ramp_n_per_s=ramp))
    assert slow.firmware.ramp_n_per_s == 300.0
    for defect, target_n in ((None, 0.0), (Defect.RISES_WHEN_TAKEN, 400.0)):
        bench = Bench(defect).armed()
        bench.send(load(2, 400.0, bench.t_us))
        bench.docked, bench.applied_n = False, (90.0,)
        bench.tick(settle=False)
        assert bench.firmware.target_n == (target_n,)


# --- what the rig does by itself ----------------------------------------------------------------------------------


def test_the_lease_runs_out_exactly_and_spends_the_nonce() -> None:
    bench = Bench().loaded(400.0)
    bench.docked = False
    bench.tick()
    assert bench.tick(LEASE_MS - 1) == []
    assert bench.firmware.target_n == (400.0,)
    assert bench.tick(1) == [RigEventKind.LEASE_EXPIRED]
    assert (bench.firmware.target_n, bench.firmware.ramp_n_per_s) == ((0.0,), SETTINGS.unload_ramp_n_per_s)
    assert bench.send(load(3, 400.0, bench.t_us)).refusal is Refusal.SPENT_NONCE


def test_a_renewal_keeps_the_load_for_one_more_lease_only() -> None:
    bench = Bench().loaded(400.0)
    for seq in range(3, 8):
        assert bench.tick(LEASE_MS // 3) == []
        assert bench.send(load(seq, 400.0, bench.t_us)).accepted
    assert bench.tick(LEASE_MS) == [RigEventKind.LEASE_EXPIRED]


def test_the_emergency_stop_is_latched_and_its_reset_loads_nothing() -> None:
    bench = Bench().loaded(400.0)
    assert [notice.kind for notice in bench.firmware.press_emergency_stop(bench.t_us)] == [RigEventKind.EMERGENCY_STOP]
    assert bench.firmware.target_n == (0.0,)
    assert bench.send(load(3, 400.0, bench.t_us)).refusal is Refusal.STOPPED
    assert bench.send(arm(1, nonce="nonce-0002")).refusal is Refusal.STOPPED
    assert bench.send(SendUnload(nonce=NONCE, seq=4, ramp_n_per_s=100.0)).accepted
    bench.tick(5_000)
    assert bench.send(arm(1, nonce="nonce-0002")).refusal is Refusal.STOPPED
    bench.firmware.reset_emergency_stop()
    bench.tick()
    assert bench.firmware.target_n == (0.0,)
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
    bench = Bench().loaded(400.0)
    assert bench.tick(10, **motion) == [kind]
    assert bench.firmware.target_n == (0.0,)
    assert bench.tick(10, **motion) == []
    assert bench.tick(10) == []
    assert bench.tick(10, **motion) == [kind]


def test_a_handle_that_leaves_while_the_load_rises_unloads_the_rig() -> None:
    bench = Bench().armed()
    bench.send(load(2, 400.0, bench.t_us))
    bench.applied_n = (120.0,)
    bench.docked = False
    assert bench.tick(10, settle=False) == [RigEventKind.UNDOCKED, RigEventKind.FAULT]
    assert bench.firmware.target_n == (0.0,)


def test_a_reboot_forgets_the_set_and_loads_nothing() -> None:
    firmware = Bench().loaded(400.0).firmware.rebooted("boot-0002")
    assert (firmware.target_n, firmware.nonce, firmware.boot_id) == ((0.0,), None, "boot-0002")


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
    st.builds(SendUnload, nonce=st.just(NONCE), seq=st.integers(0, 12), ramp_n_per_s=st.just(300.0)),
    st.builds(SendRelease, nonce=st.sampled_from(["nonce-0001", "nonce-0002"]), seq=st.integers(0, 12)),
)
_STEPS = st.lists(st.tuples(_COMMANDS, st.integers(0, 400), st.booleans()), max_size=40)


@given(steps=_STEPS)
def test_no_commands_bring_a_load_that_the_contract_forbids(steps: list[tuple[AnyCommand, int, bool]]) -> None:
    bench = Bench()
    accepted: list[tuple[str, int]] = []
    held_since = bench.t_us
    for command, wait_ms, docked in steps:
        before_n = bench.firmware.target_n[0]
        reply = bench.send(command)
        after_n = bench.firmware.target_n[0]
        if isinstance(command, SendLoad) and reply.accepted:
            assert (command.nonce, command.seq) not in accepted
            accepted.append((command.nonce, command.seq))
            assert 0 <= bench.t_us - command.cites_t_us <= LEASE_MS * 1_000
            held_since = bench.t_us
        if after_n > before_n:
            assert reply.accepted
            assert isinstance(command, SendLoad)
            assert bench.docked
        assert after_n <= 500.0
        assert after_n == 0.0 or after_n >= 100.0
        bench.docked = docked
        bench.tick(wait_ms)
        assert bench.firmware.target_n[0] == 0.0 or bench.t_us - held_since < LEASE_MS * 1_000


# --- defects ------------------------------------------------------------------------------------------------------


def test_there_are_at_least_twenty_five_defects() -> None:
    assert len(Defect) >= 25


@pytest.mark.parametrize("defect", OVERLOOKED)
def test_an_overlooking_rig_accepts_exactly_what_it_overlooks(defect: Defect) -> None:
    refusal = OVERLOOKED[defect]
    bench = Bench(defect).armed()
    if refusal is Refusal.RISE_WHILE_UNDOCKED:
        bench.docked = False
        bench.tick()
        command = load(2, 400.0, T0)
    elif refusal is Refusal.SPENT_NONCE:
        bench.send(SendRelease(nonce=NONCE, seq=2))
        command = load(3, 400.0, T0)
    else:
        command = broken(BROKEN_LOADS[refusal])
    assert bench.send(command).accepted
    others = [other for other in BROKEN_LOADS if other is not refusal]
    assert [Bench(defect).armed().send(broken(BROKEN_LOADS[other])).refusal for other in others] == others


def test_lease_defects() -> None:
    never = Bench(Defect.LEASE_NEVER_EXPIRES).loaded()
    assert never.tick(60_000) == []
    assert never.firmware.target_n == (400.0,)
    late = Bench(Defect.LEASE_EXPIRES_LATE).loaded()
    assert late.tick(LATE_LEASES * LEASE_MS - 1) == []
    assert late.tick(1) == [RigEventKind.LEASE_EXPIRED]
    silent = Bench(Defect.LEASE_EXPIRY_NOT_REPORTED).loaded()
    assert silent.tick(LEASE_MS) == []
    assert silent.firmware.target_n == (0.0,)
    slow = Bench(Defect.LAPSES_SLOWLY).loaded()
    slow.tick(LEASE_MS)
    assert slow.firmware.ramp_n_per_s == 800.0 / SLOW_LAPSE


def test_defects_of_a_lease_before_the_first_load() -> None:
    unrenewed = Bench(Defect.UNLOAD_RENEWS_NOTHING).armed()
    unrenewed.tick(LEASE_MS - 1)
    assert unrenewed.send(SendUnload(nonce=NONCE, seq=2, ramp_n_per_s=200.0)).accepted
    assert unrenewed.tick(1) == [RigEventKind.LEASE_EXPIRED]
    endless = Bench(Defect.LEASE_STARTS_AT_LOAD).armed()
    assert endless.tick(60_000) == []
    assert endless.send(load(2, 400.0, endless.t_us)).accepted
    assert endless.tick(LEASE_MS) == [RigEventKind.LEASE_EXPIRED]
    locked = Bench(Defect.LOCKED_AFTER_LAPSE).armed()
    assert locked.tick(LEASE_MS) == [RigEventKind.LEASE_EXPIRED]
    assert locked.send(arm(1, nonce="nonce-0002")).refusal is Refusal.FOREIGN_NONCE
    locked.send(SendUnload(nonce="nonce-9999", seq=1, ramp_n_per_s=200.0))
    assert locked.send(arm(2, nonce="nonce-0002")).accepted


def test_ramp_and_loading_defects() -> None:
    assert Bench(Defect.IGNORES_RAMP).loaded().firmware.ramp_n_per_s == SETTINGS.max_ramp_n_per_s
    stepping = Bench(Defect.STEPS_TO_ZERO).loaded()
    stepping.send(SendUnload(nonce=NONCE, seq=3, ramp_n_per_s=100.0))
    assert stepping.firmware.ramp_n_per_s > 100 * SETTINGS.max_ramp_n_per_s
    assert Bench(Defect.ARMING_LOADS).armed().firmware.target_n == (500.0,)
    assert Bench(Defect.REBOOT_LOADS).loaded().firmware.rebooted("boot-0002").target_n == (400.0,)
    assert Bench(Defect.BOOT_ID_NEVER_CHANGES).firmware.rebooted("boot-0002").boot_id == "boot-0001"


def test_unload_and_release_defects() -> None:
    needs_nonce = Bench(Defect.UNLOAD_NEEDS_NONCE).loaded()
    assert not needs_nonce.send(SendUnload(nonce="nonce-9999", seq=9, ramp_n_per_s=100.0)).accepted
    needs_sequence = Bench(Defect.UNLOAD_NEEDS_SEQUENCE).loaded()
    assert not needs_sequence.send(SendUnload(nonce=NONCE, seq=1, ramp_n_per_s=100.0)).accepted
    remembers = Bench(Defect.RELEASE_FORGETS_NOTHING).loaded()
    remembers.send(SendRelease(nonce=NONCE, seq=3))
    assert remembers.send(load(4, 400.0, remembers.t_us)).accepted


def test_emergency_stop_defects() -> None:
    unlatched = Bench(Defect.STOP_NOT_LATCHED).loaded()
    unlatched.firmware.press_emergency_stop(unlatched.t_us)
    assert unlatched.firmware.target_n == (0.0,)
    assert unlatched.send(arm(1, nonce="nonce-0002")).accepted
    keeps = Bench(Defect.STOP_KEEPS_LOAD).loaded()
    keeps.firmware.press_emergency_stop(keeps.t_us)
    assert keeps.firmware.target_n == (400.0,)
    silent = Bench(Defect.STOP_NOT_REPORTED).loaded()
    assert silent.firmware.press_emergency_stop(silent.t_us) == ()
    assert silent.firmware.target_n == (0.0,)
    reloads = Bench(Defect.RESET_LOADS).loaded()
    reloads.firmware.press_emergency_stop(reloads.t_us)
    reloads.firmware.reset_emergency_stop()
    assert reloads.firmware.target_n == (400.0,)


def test_a_stuck_dock_sensor_lets_the_load_rise() -> None:
    bench = Bench(Defect.DOCKED_STUCK).loaded(300.0)
    bench.docked = False
    assert bench.tick(50) == []
    assert bench.send(load(3, 400.0, bench.t_us)).accepted


FRAME = FrameContent(
    seq=19,
    t_us=(5_000_000, 5_010_000, 5_020_000, 5_030_000),
    applied_n=(98.0665,),
    position_m=((0.5, 0.51, 0.52, 0.53),),
    velocity_m_s=((1.0, 1.0, 1.0, 1.0),),
    force_n=((98.0665, 100.0, 100.0, 100.0),),
)


def test_a_sound_frame_is_left_alone() -> None:
    assert distort(None, FRAME, target_n=(50.0,)) is FRAME
    assert distort(Defect.NEVER_ACKS, FRAME, target_n=(50.0,)) is FRAME


def test_telemetry_defects_change_one_thing_each() -> None:
    def changed(defect: Defect) -> dict[str, object]:
        bad = distort(defect, FRAME, target_n=(50.0,))
        names = ("seq", "t_us", "applied_n", "position_m", "velocity_m_s", "force_n")
        return {name: getattr(bad, name) for name in names if getattr(bad, name) != getattr(FRAME, name)}

    # One kilogram-force is 9.80665 N (ISO 80000-4, standard gravity).
    assert changed(Defect.FORCE_IN_KILOGRAMS)["force_n"][0][0] == pytest.approx(10.0)  # type: ignore[index]
    assert changed(Defect.APPLIED_IN_KILOGRAMS) == {"applied_n": (pytest.approx(10.0),)}
    assert changed(Defect.FORCE_OFFSET)["force_n"][0][1] == 100.0 + FORCE_OFFSET_N  # type: ignore[index]
    assert changed(Defect.FORCE_SIGN_REVERSED)["force_n"][0][1] == -100.0  # type: ignore[index]
    assert changed(Defect.FORCE_COMES_AND_GOES) == {"force_n": ()}
    assert distort(Defect.FORCE_COMES_AND_GOES, replace(FRAME, seq=20), target_n=(50.0,)).force_n == FRAME.force_n
    assert changed(Defect.VELOCITY_SIGN_REVERSED) == {"velocity_m_s": ((-1.0,) * 4,)}
    assert changed(Defect.POSITION_SIGN_REVERSED) == {"position_m": ((-0.5, -0.51, -0.52, -0.53),)}
    assert changed(Defect.APPLIED_IS_TARGET) == {"applied_n": (50.0,)}
    assert changed(Defect.TIME_IN_MILLISECONDS) == {"t_us": (5_000, 5_010, 5_020, 5_030)}
    assert changed(Defect.TIME_RUNS_BACKWARDS)["t_us"] == (4_800_000, 4_810_000, 4_820_000, 4_830_000)
    assert changed(Defect.SEQUENCE_SKIPS) == {"seq": 20}
    assert changed(Defect.SEQUENCE_REPEATS) == {"seq": 18}
    uneven = changed(Defect.IRREGULAR_SAMPLING)["t_us"]
    assert uneven == (5_000_000, 5_018_000, 5_020_000, 5_030_000)


# --- the order of refusals ----------------------------------------------------------------------------------------


def test_a_load_that_breaks_two_rules_is_refused_for_the_one_that_the_contract_names_first() -> None:
    order = list(REFUSALS_OF_LOAD)
    compared = 0
    for first, second in itertools.combinations(BROKEN_LOADS, 2):
        both = BROKEN_LOADS[first] | BROKEN_LOADS[second]
        if len(both) < len(BROKEN_LOADS[first]) + len(BROKEN_LOADS[second]):
            continue
        compared += 1
        refusal = Bench().armed().send(broken(both)).refusal
        assert refusal is min(first, second, key=order.index), (first, second)
    assert compared > 10
    assert order[-1] is Refusal.RISE_WHILE_UNDOCKED
    out = Bench().armed()
    out.docked = False
    assert out.send(broken({})).refusal is order[-1]
    for refusal, changes in BROKEN_LOADS.items():
        out = Bench().armed()
        out.docked = False
        assert out.send(broken(changes)).refusal is refusal
    stopped = Bench().armed()
    stopped.firmware.press_emergency_stop(stopped.t_us)
    for refusal, changes in BROKEN_LOADS.items():
        # A command that breaks its schema is not understood, so it cannot be judged by anything else.
        first = min(refusal, Refusal.STOPPED, key=order.index)
        assert stopped.send(broken(changes)).refusal is first
        assert (first is Refusal.BAD_MESSAGE) is (refusal is Refusal.BAD_MESSAGE)


def test_the_age_of_a_citation_is_judged_by_the_lease_of_its_own_command() -> None:
    longer: dict[str, object] = {"lease_ms": 2 * LEASE_MS, "cites_t_us": T0 - LEASE_MS * 1_500}
    assert Bench().armed().send(broken(longer)).refusal is Refusal.LEASE_TOO_LONG


def test_an_arming_that_breaks_two_rules_is_refused_for_the_one_that_the_contract_names_first() -> None:
    order = list(REFUSALS_OF_ARM)
    for first, second in itertools.combinations(BROKEN_ARMS, 2):
        both = BROKEN_ARMS[first] | BROKEN_ARMS[second]
        if len(both) == len(BROKEN_ARMS[first]) + len(BROKEN_ARMS[second]):
            assert Bench().send(arm(**both)).refusal is min(first, second, key=order.index), (first, second)
    bound = Bench().armed()
    for refusal, changes in BROKEN_ARMS.items():
        first = min(refusal, Refusal.FOREIGN_NONCE, key=order.index)
        assert bound.send(arm(2, nonce="nonce-0002", **changes)).refusal is first
    assert bound.send(arm(1)).refusal is Refusal.REPEATED_SEQUENCE
    assert bound.send(arm(9)).refusal is Refusal.SPENT_NONCE
