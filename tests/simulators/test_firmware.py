"""The software of a simulated rig: the good core, unless it has a defect, and then wrong in that and nothing else."""

from __future__ import annotations

from dataclasses import replace

import pytest

from ebbset.controller.messages.actions import SendArm, SendLoad
from ebbset.models.contract.rig_messages import Refusal, RigEventKind
from ebbset.rig.rig_messages import FrameContent
from ebbset.simulators.rig.defects import FORCE_OFFSET_N, LATE_LEASES, OVERLOOKED, SLOW_LAPSE, Defect, distort
from ebbset.simulators.rig.firmware import RigFirmware
from tests.support.core_bench import (
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


def faulty(defect: Defect | None) -> Bench[RigFirmware]:
    return Bench(RigFirmware(LIMITS, boot_id="boot-0001", defect=defect))


def test_the_controller_s_own_values_are_judged_like_wire_messages() -> None:
    firmware = faulty(None).core
    armed = SendArm(nonce=NONCE, seq=1, ceiling_n=(500.0,), floor_n=(100.0,), max_ramp_n_per_s=800.0, lease_ms=LEASE_MS)
    loaded = SendLoad(nonce=NONCE, seq=2, target_n=(600.0,), ramp_n_per_s=300.0, lease_ms=LEASE_MS, cites_t_us=T0)
    assert firmware.handle_command(armed, t_us=T0, docked=True, applied_n=(0.0,)).accepted
    assert firmware.handle_command(loaded, t_us=T0, docked=True, applied_n=(0.0,)).refusal is Refusal.ABOVE_CEILING
    nothing = replace(loaded, seq=3, target_n=(float("nan"),))
    assert firmware.handle_command(nothing, t_us=T0, docked=True, applied_n=(0.0,)).refusal is Refusal.BAD_MESSAGE


def test_two_defects_of_an_unloading_and_of_a_handle_that_is_taken() -> None:
    slow = faulty(Defect.UNLOAD_SLOWS_DOWN).loaded(400.0)
    for seq, ramp in ((3, 1_200.0), (4, 300.0)):
        slow.send(unload(nonce=NONCE, seq=seq, ramp_n_per_s=ramp))
    assert slow.core.ramp_n_per_s == 300.0
    for defect, target_n in ((None, 0.0), (Defect.RISES_WHEN_TAKEN, 400.0)):
        bench = faulty(defect).armed()
        bench.send(load(2, 400.0, bench.t_us))
        bench.docked, bench.applied_n = False, (90.0,)
        bench.tick(settle=False)
        assert bench.core.target_n == (target_n,)


def test_a_reboot_forgets_the_set_and_loads_nothing() -> None:
    firmware = faulty(None).loaded(400.0).core.rebooted("boot-0002")
    assert (firmware.target_n, firmware.nonce, firmware.boot_id) == ((0.0,), None, "boot-0002")


# --- defects ------------------------------------------------------------------------------------------------------


def test_there_are_at_least_twenty_five_defects() -> None:
    assert len(Defect) >= 25


@pytest.mark.parametrize("defect", OVERLOOKED)
def test_an_overlooking_rig_accepts_exactly_what_it_overlooks(defect: Defect) -> None:
    refusal = OVERLOOKED[defect]
    bench = faulty(defect).armed()
    if refusal is Refusal.RISE_WHILE_UNDOCKED:
        bench.docked = False
        bench.tick()
        command = load(2, 400.0, T0)
    elif refusal is Refusal.SPENT_NONCE:
        bench.send(release(nonce=NONCE, seq=2))
        command = load(3, 400.0, T0)
    else:
        command = broken(BROKEN_LOADS[refusal])
    assert bench.send(command).accepted
    others = [other for other in BROKEN_LOADS if other is not refusal]
    assert [faulty(defect).armed().send(broken(BROKEN_LOADS[other])).refusal for other in others] == others


def test_lease_defects() -> None:
    never = faulty(Defect.LEASE_NEVER_EXPIRES).loaded()
    assert never.tick(60_000) == []
    assert never.core.target_n == (400.0,)
    late = faulty(Defect.LEASE_EXPIRES_LATE).loaded()
    assert late.tick(LATE_LEASES * LEASE_MS - 1) == []
    assert late.tick(1) == [RigEventKind.LEASE_EXPIRED]
    silent = faulty(Defect.LEASE_EXPIRY_NOT_REPORTED).loaded()
    assert silent.tick(LEASE_MS) == []
    assert silent.core.target_n == (0.0,)
    slow = faulty(Defect.LAPSES_SLOWLY).loaded()
    slow.tick(LEASE_MS)
    assert slow.core.ramp_n_per_s == 800.0 / SLOW_LAPSE


def test_defects_of_a_lease_before_the_first_load() -> None:
    unrenewed = faulty(Defect.UNLOAD_RENEWS_NOTHING).armed()
    unrenewed.tick(LEASE_MS - 1)
    assert unrenewed.send(unload(nonce=NONCE, seq=2, ramp_n_per_s=200.0)).accepted
    assert unrenewed.tick(1) == [RigEventKind.LEASE_EXPIRED]
    endless = faulty(Defect.LEASE_STARTS_AT_LOAD).armed()
    assert endless.tick(60_000) == []
    assert endless.send(load(2, 400.0, endless.t_us)).accepted
    assert endless.tick(LEASE_MS) == [RigEventKind.LEASE_EXPIRED]
    locked = faulty(Defect.LOCKED_AFTER_LAPSE).armed()
    assert locked.tick(LEASE_MS) == [RigEventKind.LEASE_EXPIRED]
    assert locked.send(arm(1, nonce="nonce-0002")).refusal is Refusal.FOREIGN_NONCE
    locked.send(unload(nonce="nonce-9999", seq=1, ramp_n_per_s=200.0))
    assert locked.send(arm(2, nonce="nonce-0002")).accepted


def test_ramp_and_loading_defects() -> None:
    assert faulty(Defect.IGNORES_RAMP).loaded().core.ramp_n_per_s == LIMITS.max_ramp_n_per_s
    stepping = faulty(Defect.STEPS_TO_ZERO).loaded()
    stepping.send(unload(nonce=NONCE, seq=3, ramp_n_per_s=100.0))
    assert stepping.core.ramp_n_per_s > 100 * LIMITS.max_ramp_n_per_s
    assert faulty(Defect.ARMING_LOADS).armed().core.target_n == (500.0,)
    assert faulty(Defect.REBOOT_LOADS).loaded().core.rebooted("boot-0002").target_n == (400.0,)
    assert faulty(Defect.BOOT_ID_NEVER_CHANGES).core.rebooted("boot-0002").boot_id == "boot-0001"


def test_unload_and_release_defects() -> None:
    needs_nonce = faulty(Defect.UNLOAD_NEEDS_NONCE).loaded()
    assert not needs_nonce.send(unload(nonce="nonce-9999", seq=9, ramp_n_per_s=100.0)).accepted
    needs_sequence = faulty(Defect.UNLOAD_NEEDS_SEQUENCE).loaded()
    assert not needs_sequence.send(unload(nonce=NONCE, seq=1, ramp_n_per_s=100.0)).accepted
    remembers = faulty(Defect.RELEASE_FORGETS_NOTHING).loaded()
    remembers.send(release(nonce=NONCE, seq=3))
    assert remembers.send(load(4, 400.0, remembers.t_us)).accepted


def test_emergency_stop_defects() -> None:
    unlatched = faulty(Defect.STOP_NOT_LATCHED).loaded()
    unlatched.core.press_emergency_stop(unlatched.t_us)
    assert unlatched.core.target_n == (0.0,)
    assert unlatched.send(arm(1, nonce="nonce-0002")).accepted
    keeps = faulty(Defect.STOP_KEEPS_LOAD).loaded()
    keeps.core.press_emergency_stop(keeps.t_us)
    assert keeps.core.target_n == (400.0,)
    silent = faulty(Defect.STOP_NOT_REPORTED).loaded()
    assert silent.core.press_emergency_stop(silent.t_us) == ()
    assert silent.core.target_n == (0.0,)
    reloads = faulty(Defect.RESET_LOADS).loaded()
    reloads.core.press_emergency_stop(reloads.t_us)
    reloads.core.reset_emergency_stop()
    assert reloads.core.target_n == (400.0,)


def test_a_stuck_dock_sensor_lets_the_load_rise() -> None:
    bench = faulty(Defect.DOCKED_STUCK).loaded(300.0)
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
