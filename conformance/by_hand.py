"""The procedures that need a person at the rig: an empty handle pulled out, the stop pressed, the power cut.

Nobody is under the load: the handle is empty whenever somebody touches it, and the rig unloaded, but for one check in
which a light load is just coming on.
"""

from __future__ import annotations

import asyncio
from typing import Final

from ebbset.conformance import judgement as judge
from ebbset.conformance.rig_client import open_rig_client
from ebbset.conformance.rig_heard import NoAnswerError
from ebbset.conformance.trial import PULL_M, REBOOT_PATIENCE_S, Trial
from ebbset.models.contract.constants import UNLOADED_N
from ebbset.models.contract.controller_messages import LoadCommand
from ebbset.models.contract.rig_messages import Refusal, RigEventKind

COMES_ON_S: Final = 8.0
"""So slow that a person told to take the handle does so before the load is up."""
TAKEN_M: Final = 0.3
UNLOADING_S: Final = 3.0
ALL_OF_IT: Final = 0.9


async def dock_and_signs(trial: Trial) -> None:
    """Have the empty handle pulled out and held, send a load that must be refused, and have the handle put back."""
    client, book, hands = trial.client, trial.book, trial.hands
    if hands is None:
        return
    since_s = client.now_s
    before = client.frames_since(since_s - 0.5)
    await hands.pull_out(PULL_M)
    await asyncio.sleep(0.3)
    if trial.by_frames:
        judge.pull(book, before, client.frames_since(since_s), PULL_M)
    out = await client.unload()
    undocked = out.ack is not None and not out.ack.docked
    # A rig that loads when it is armed must not be armed with the handle in somebody's hand.
    if undocked and book.passed("arming_loads_nothing") and book.passed("clock_in_microseconds"):
        await trial.arm()
        await trial.must_refuse(
            "refuses_rise_undocked", client.load_command(trial.floor_n), Refusal.RISE_WHILE_UNDOCKED
        )
        await client.unload()
    await client.release()
    await trial.handle_back(hands)
    back = await client.unload()
    docked = back.ack is not None and back.ack.docked
    book.write("dock_is_true", undocked and docked, f"out: docked {not undocked}; back: docked {docked}")
    kinds = (RigEventKind.UNDOCKED, RigEventKind.DOCKED)
    told = [bool(client.events_since(since_s, kind)) for kind in kinds]
    book.write("dock_reported", all(told), f"undocked {told[0]}, docked {told[1]}")


async def taken_early(trial: Trial) -> None:
    """Let a light load come on slowly and take the empty handle out of the dock meanwhile."""
    client, book, hands = trial.client, trial.book, trial.hands
    if hands is None or not book.passed("dock_is_true") or not book.passed("load_reached"):
        return
    await trial.in_dock()
    await trial.arm()
    at_s = client.now_s
    await client.load(trial.floor_n, ramp_n_per_s=trial.floor_n / COMES_ON_S)
    # Until the load shows in what the rig reports.
    await trial.until_applied(lambda applied_n: applied_n >= 0.2 * trial.floor_n, COMES_ON_S)
    await hands.pull_out(TAKEN_M)
    taken_s = next((heard.at_s for heard in client.events_since(at_s, RigEventKind.UNDOCKED)), client.now_s)
    gone = await trial.until_unloaded(UNLOADING_S)
    readings = client.applied_since(at_s)
    highest_n = max((n for _, n in readings), default=float("inf"))
    await client.release()
    await client.unload()
    await trial.handle_back(hands)
    if max((n for heard_s, n in readings if heard_s <= taken_s), default=0.0) >= ALL_OF_IT * trial.floor_n:
        raise NoAnswerError("the load had come on before the handle was taken")
    said = f"{highest_n:.1f} N at most of {trial.floor_n:.1f} N, then {'unloaded' if gone else 'still loaded'}"
    book.write("taken_early_unloads", gone and highest_n < ALL_OF_IT * trial.floor_n, said)


async def emergency_stop(trial: Trial) -> None:
    """Have the stop pressed under load, try to arm, have it reset, and check that no load comes back."""
    client, book, hands = trial.client, trial.book, trial.hands
    if hands is None:
        return
    await trial.loaded()
    since_s = client.now_s
    await hands.press_stop()
    pressed_s = client.now_s
    gone = await trial.until_unloaded(0.7 * trial.lease_ms / 1_000)
    took_s = client.now_s - pressed_s
    client.fall_silent()
    book.write("stop_unloads", gone, f"unloaded {took_s:.2f} s after the stop" if gone else "the load stayed on")
    await asyncio.sleep(0.2)
    told = client.events_since(since_s, RigEventKind.EMERGENCY_STOP)
    book.write("stop_reported", bool(told), f"{len(told)} event(s) emergency_stop")
    await trial.until_unloaded(2.0 * trial.lease_ms / 1_000)
    answered = await client.send(trial.arm_command(nonce="c" * 16))
    await trial.judge_refusal("stop_latched", answered, Refusal.STOPPED)
    reset_s = client.now_s
    await hands.reset_stop()
    await asyncio.sleep(0.8)
    applied_n = max((n for t, n in client.applied_since(reset_s)), default=float("inf"))
    if not trial.by_frames:
        reading = await client.unload()
        applied_n = max(reading.ack.applied_n) if reading.ack is not None else float("inf")
    book.write("reset_loads_nothing", applied_n <= UNLOADED_N, f"{applied_n:.1f} N at most after the reset")


async def reboot(trial: Trial) -> None:
    """Have the power cut under load and restored."""
    client, book, hands = trial.client, trial.book, trial.hands
    if hands is None:
        return
    await trial.in_dock()
    nonce = await trial.arm()
    await client.load(trial.floor_n, ramp_n_per_s=trial.ramp_n_per_s)
    await asyncio.sleep(trial.floor_n / trial.ramp_n_per_s + 0.3)
    boot_before = client.identity.boot_id
    client.fall_silent()
    since_s = client.now_s
    async with open_rig_client(client.rig, trial.broker, unload_on_exit=False) as listener:
        await hands.power_cycle()
        said = await listener.wait_for(lambda: any(not heard.message.online for heard in listener.identities), 5.0)
        book.write(
            "will_says_offline", said, "the broker said offline" if said else "the broker said nothing within 5 s"
        )
    await client.wait_for(
        lambda: any(h.at_s > since_s and h.message.online for h in client.identities), REBOOT_PATIENCE_S
    )
    await asyncio.sleep(trial.floor_n / trial.ramp_n_per_s)
    back_s = client.now_s
    await asyncio.sleep(1.0)
    state = await client.unload()
    readings = [n for _, n in client.applied_since(back_s)]
    applied_n = max(readings, default=float("inf"))
    book.write("reboot_unloads", applied_n <= UNLOADED_N, f"{applied_n:.1f} N at most after the reboot")
    boot_after = client.identity.boot_id
    book.write("boot_id_changes", boot_after != boot_before, f"{boot_before} before, {boot_after} after")
    if state.ack is not None:
        await asyncio.sleep(0.3)
        old = LoadCommand(
            nonce=nonce,
            seq=client.next_seq(),
            target_n=(trial.floor_n,) * client.identity.cables,
            ramp_n_per_s=trial.ramp_n_per_s,
            lease_ms=trial.lease_ms,
            cites_t_us=client.rig_time_us,
        )
        answered = await client.send(old)
        refused = answered.ack is not None and not answered.ack.accepted
        book.write("reboot_forgets_binding", refused, "refused" if refused else "accepted, or no answer")
