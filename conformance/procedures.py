"""The procedures of the rig conformance kit: what is done to the rig, in which order, and what is seen.

Each procedure carries out some checks of the catalogue and writes a verdict, with the figures behind it, into the
notebook. A procedure that cannot continue writes none; its checks are reported as not done, never as passed. Nobody is
under the load: the hands that a procedure asks for move an empty handle, press the stop or switch the rig off.
"""

from __future__ import annotations

import asyncio
import secrets
from collections.abc import Awaitable, Callable
from typing import Final

from ebbset.conformance import by_hand
from ebbset.conformance import judgement as judge
from ebbset.conformance.rig_heard import NoAnswerError
from ebbset.conformance.trial import HOLD_S, LATE_LEASES, LEASE_SLACK_S, REBOOT_PATIENCE_S, SETTLING_S, WATCH_S, Trial
from ebbset.models.contract.constants import UNLOADED_N
from ebbset.models.contract.controller_messages import LoadCommand, ReleaseCommand
from ebbset.models.contract.rig_messages import Refusal, RigEventKind
from ebbset.models.contract.wire import Topic

SLOWER: Final = 10.0
UNLOAD_SLACK_S: Final = 1.0
NONSENSE: Final = (
    b"",
    b"{}",
    b"null",
    b"7",
    b'"load"',
    b"\xff\xfe",
    b"[1,2",
    b"[null]",
    b'{"kind":"load"}',
    b'{"kind":null,"nonce":null,"seq":null}',
    b'{"kind":"lift","nonce":"x"}',
)
"""Bytes that are no command: no JSON, JSON that is no object, objects with members missing, null or unknown."""
LAPSE_SLACK_S: Final = 0.5
SILENT_SLACK_S: Final = 0.4
KEPT_LEASES: Final = 3

Procedure = Callable[[Trial], Awaitable[None]]


async def run(trial: Trial) -> None:
    """Run every procedure in order; one that aborts leaves its checks not done and the rig unloaded."""
    trial.began_s = trial.client.now_s
    steps: tuple[Procedure, ...] = (
        announcement,
        telemetry_at_rest,
        arming,
        loading,
        holding,
        refusals,
        safe_command,
        slower_unload,
        release,
        lease,
        armed_only,
    )
    with_hands: tuple[Procedure, ...] = (
        by_hand.dock_and_signs,
        by_hand.taken_early,
        by_hand.emergency_stop,
        by_hand.reboot,
    )
    for step in steps if trial.hands is None else steps + with_hands:
        try:
            await step(trial)
        except NoAnswerError as error:
            trial.book.aborted[step.__name__] = str(error)
            if step in (announcement, telemetry_at_rest, arming):
                break
        finally:
            await trial.leave_unloaded()
    judge.messages(trial.book, trial.client)
    judge.acknowledgements(trial.book, trial.client.answers)


# --- announcement and telemetry -----------------------------------------------------------------------------


async def announcement(trial: Trial) -> None:
    """Listen to what is retained, and that it is a valid identity."""
    client = trial.client
    await client.wait_for(lambda: bool(client.identities or client.frames), 5.0)
    await asyncio.sleep(0.3)
    found = client.retained_identity is not None
    # Without a retained one the rig announces itself only when it connects again.
    if not found and trial.hands is not None:
        await trial.hands.power_cycle()
    await client.wait_for(
        lambda: any(heard.message.online for heard in client.identities),
        5.0 if trial.hands is None else REBOOT_PATIENCE_S,
    )
    if not found:
        await asyncio.sleep(SETTLING_S)
    bad = [heard.message.detail for heard in client.bad if heard.message.topic is Topic.IDENTITY]
    trial.book.write("identity_retained", found, "announcement heard on subscribing" if found else "nothing retained")
    if bad:
        trial.book.write("identity_valid", False, bad[0])
    if client.identities:
        identity = client.identity
        said = f"{identity.cables} cable(s), {identity.telemetry}, up to {identity.max_load_n:g} N"
        trial.book.write("identity_valid", identity.rig == client.rig, said)
    if client.identity.online is False:
        raise NoAnswerError("the rig says that it is offline")


async def telemetry_at_rest(trial: Trial) -> None:
    """Watch for a while: rate, clock, order and regularity of the samples, and a rig that does nothing."""
    client, book = trial.client, trial.book
    since_s = client.now_s
    if not trial.by_frames:
        # Only acknowledgements carry the clock of such a rig.
        first = await client.unload()
        await asyncio.sleep(WATCH_S)
        last = await client.unload()
        if first.ack is not None and last.ack is not None:
            judge.clock(book, last.ack.t_us - first.ack.t_us, last.sent_s - first.sent_s)
            still = max(last.ack.applied_n) <= UNLOADED_N and last.ack.docked
            book.write("rest_is_rest", still, f"applied {last.ack.applied_n} N, docked {last.ack.docked}")
        return
    await asyncio.sleep(WATCH_S)
    frames = client.frames_since(since_s)
    if len(frames) < 3:
        raise NoAnswerError("no valid frames arrived")
    judge.rate(book, frames, client.identity.sample_rate_hz)
    judge.order(book, frames)
    judge.force(book, frames, announced=client.identity.has_force)
    judge.rest(book, frames)


# --- arming and loading -------------------------------------------------------------------------------------


async def arming(trial: Trial) -> None:
    """Arm and do nothing; send nonsense."""
    client, book = trial.client, trial.book
    first = await client.unload()
    book.write("acknowledges", first.ack is not None, "an unload was answered" if first.ack else "no answer in 1.5 s")
    if first.ack is None:
        raise NoAnswerError("the rig acknowledges nothing")
    since_s = client.now_s
    nonce = await trial.arm()
    await asyncio.sleep(0.6)
    applied_n = max((n for _, n in client.applied_since(since_s)), default=float("inf"))
    book.write("arming_loads_nothing", applied_n <= UNLOADED_N, f"{applied_n:.1f} N at most after arming")
    if trial.by_frames:
        shown = client.frames_since(client.now_s - 0.3)
        carried = bool(shown) and all(heard.message.nonce == nonce for heard in shown)
        book.write("binding_shown", carried, f"{len(shown)} frames looked at after arming")
    for payload in NONSENSE:
        await client.publish(payload)
    after = await client.unload()
    kept = after.ack is not None and after.ack.accepted
    said = f"a command after {len(NONSENSE)} bad ones was {'obeyed' if kept else 'not obeyed'}"
    book.write("survives_nonsense", kept, said)


async def loading(trial: Trial) -> None:
    """Load at the dock by a slow ramp, compare load, ramp and force; unload by the same ramp."""
    client, book = trial.client, trial.book
    at_s = await trial.load_ordered(trial.load_n)
    await asyncio.sleep(max(at_s + trial.load_n / trial.ramp_n_per_s - client.now_s, 0.0) + 0.4)
    applied_n = trial.last_applied(at_s)
    reached = abs(applied_n - trial.load_n) <= max(5.0, 0.05 * trial.load_n)
    book.write("load_reached", reached, f"{applied_n:.1f} N applied; {trial.load_n:.1f} N commanded")
    if trial.by_frames:
        if reached:
            judge.ramp_up(book, client.frames_since(at_s), trial.load_n, trial.ramp_n_per_s)
        force_n = judge.mean_force_n(client.frames_since(client.now_s - 0.3))
        if force_n is not None:
            book.write("force_positive", force_n > 0, f"{force_n:.1f} N under {trial.load_n:.1f} N")
            fits = trial.load_n / 1.5 <= force_n <= 1.33 * trial.load_n + 25.0
            book.write("force_in_newtons", fits, f"{force_n:.1f} N under {trial.load_n:.1f} N")
    at_s = client.now_s
    await client.unload()
    await trial.until_unloaded(trial.load_n / trial.ramp_n_per_s + 1.0)
    if trial.by_frames and book.passed("applied_is_measured"):
        judge.ramp_down(book, client.frames_since(at_s), trial.load_n, trial.ramp_n_per_s)


async def holding(trial: Trial) -> None:
    """Hold the load at the dock for a while, as a lifter would feel it, and see whether it stays what it is."""
    client, book = trial.client, trial.book
    if not book.passed("load_reached"):
        raise NoAnswerError("a correct load command was not obeyed, so there is nothing to hold")
    await trial.loaded()
    since_s = client.now_s
    await asyncio.sleep(HOLD_S)
    judge.held(book, client.applied_since(since_s), trial.load_n)
    if trial.by_frames:
        judge.held_frames(book, client.frames_since(since_s), trial.load_n)


# --- refusals, the safe command, release and lease ------------------------------------------------------------


async def refusals(trial: Trial) -> None:
    """One wrong thing in each command, everything else correct, at the floor load in the dock."""
    client = trial.client
    if not trial.book.passed("load_reached"):
        raise NoAnswerError("a correct load command was not obeyed, so a refusal would prove nothing")
    await trial.loaded()
    wrong: tuple[tuple[str, Refusal, Callable[[], LoadCommand]], ...] = (
        ("refuses_foreign_nonce", Refusal.FOREIGN_NONCE, lambda: client.load_command(trial.floor_n, nonce="f" * 16)),
        ("refuses_repeated_sequence", Refusal.REPEATED_SEQUENCE, lambda: client.load_command(trial.floor_n, seq=1)),
        (
            "refuses_stale_citation",
            Refusal.STALE_CITATION,
            lambda: client.load_command(trial.floor_n, cites_t_us=max(client.rig_time_us - 3_000 * trial.lease_ms, 0)),
        ),
        (
            "refuses_future_citation",
            Refusal.FUTURE_CITATION,
            lambda: client.load_command(trial.floor_n, cites_t_us=client.rig_time_us + 30_000_000),
        ),
        ("refuses_above_ceiling", Refusal.ABOVE_CEILING, lambda: client.load_command(1.02 * trial.ceiling_n)),
        ("refuses_below_floor", Refusal.BELOW_FLOOR, lambda: client.load_command(0.9 * trial.floor_n)),
        (
            "refuses_steep_ramp",
            Refusal.RAMP_TOO_STEEP,
            lambda: client.load_command(trial.floor_n, ramp_n_per_s=1.5 * trial.ramp_n_per_s),
        ),
        (
            "refuses_long_lease",
            Refusal.LEASE_TOO_LONG,
            lambda: client.load_command(trial.floor_n, lease_ms=min(2 * trial.lease_ms, 5_000)),
        ),
        (
            "refuses_wrong_cables",
            Refusal.WRONG_CABLES,
            lambda: client.load_command((trial.floor_n,) * (3 - client.identity.cables)),
        ),
    )
    citing = trial.book.passed("clock_in_microseconds")
    for check, reason, make in wrong:
        if citing or not check.endswith("citation"):
            as_before = await trial.must_refuse(check, make(), reason)
            if not as_before:
                await client.load(trial.floor_n, ramp_n_per_s=trial.ramp_n_per_s)
    await trial.must_refuse("refuses_foreign_nonce", trial.arm_command(nonce="f" * 16), Refusal.FOREIGN_NONCE)
    await client.release()
    await asyncio.sleep(0.15)
    bound = trial.by_frames and client.frames[-1].message.nonce is not None
    if client.identity.max_load_n < 4_900 and not bound:
        above = trial.arm_command(nonce="e" * 16, ceiling_n=1.02 * client.identity.max_load_n)
        await trial.must_refuse("refuses_above_ceiling", above, Refusal.ABOVE_CEILING)


async def safe_command(trial: Trial) -> None:
    """Unload by a foreign nonce, then by an old sequence number, each from under load."""
    for check, changes in (
        ("unload_by_any_nonce", {"nonce": "d" * 16}),
        ("unload_by_any_sequence", {"seq": 1}),
    ):
        await trial.loaded()
        answered = await trial.client.unload(**changes)
        obeyed = answered.ack is not None and answered.ack.accepted
        gone = await trial.until_unloaded(trial.floor_n / trial.ramp_n_per_s + 0.5 * trial.lease_ms / 1_000)
        trial.book.write(check, obeyed and gone, "obeyed" if obeyed and gone else "the load stayed on, or no consent")
        await trial.client.release()


async def slower_unload(trial: Trial) -> None:
    """Unload by the ramp of the set, then ask for a much slower one while the load goes down."""
    client = trial.client
    await trial.loaded()
    await client.unload(ramp_n_per_s=trial.ramp_n_per_s)
    since_s = client.now_s
    await client.unload(ramp_n_per_s=trial.ramp_n_per_s / SLOWER)
    gone = await trial.until_unloaded(trial.floor_n / trial.ramp_n_per_s + UNLOAD_SLACK_S)
    took_s = client.now_s - since_s
    said = f"unloaded after {took_s:.2f} s" if gone else f"still loaded after {took_s:.2f} s"
    trial.book.write("unload_never_slows", gone, said)
    await client.release()


async def release(trial: Trial) -> None:
    """Release a loaded rig; then try to bring its nonce back."""
    client = trial.client
    await trial.loaded()
    nonce = await client.release()
    gone = await trial.until_unloaded(trial.floor_n / trial.ramp_n_per_s + 1.0)
    await asyncio.sleep(0.2)
    last = list(client.frames)[-1:] if trial.by_frames else []
    bound = any(heard.message.nonce is not None for heard in last)
    said = f"{'unloaded' if gone else 'still loaded'}, {'still bound' if bound else 'bound to nothing'}"
    trial.book.write("release_ends_binding", gone and not bound, said)
    if nonce is not None and gone and not bound:
        await trial.must_refuse("refuses_spent_nonce", trial.arm_command(nonce=nonce), Refusal.SPENT_NONCE)


async def lease(trial: Trial) -> None:
    """Stop renewing the lease under load and watch the clock."""
    client, book = trial.client, trial.book
    await trial.loaded()
    await client.load(trial.floor_n, ramp_n_per_s=trial.ramp_n_per_s)
    since_s = client.now_s
    client.fall_silent()
    lease_s = trial.lease_ms / 1_000
    started = await trial.until_applied(lambda applied_n: applied_n < 0.97 * trial.floor_n, LATE_LEASES * lease_s)
    after_s = trial.lease_took_s(since_s)
    book.write("lease_expires", started, f"load going down after {after_s:.2f} s" if started else "the load stayed on")
    if started:
        in_time = after_s <= lease_s + LEASE_SLACK_S
        book.write("lease_expires_in_time", in_time, f"{after_s:.2f} s after the last renewal; lease {lease_s:.2f} s")
        await asyncio.sleep(0.2)
        told = client.events_since(since_s, RigEventKind.LEASE_EXPIRED)
        book.write("lease_expiry_reported", bool(told), f"{len(told)} event(s) lease_expired")
        gone = await trial.until_unloaded(trial.floor_n / trial.ramp_n_per_s + LAPSE_SLACK_S)
        said = "unloaded" if gone else "still loaded"
        book.write("lease_expiry_ramp", gone, f"{said} {client.now_s - since_s - after_s:.2f} s after that")


async def armed_only(trial: Trial) -> None:
    """Arm and keep the binding by unloads alone; arm and fall silent as if killed, then arm as another controller."""
    client, book = trial.client, trial.book
    lease_s = trial.lease_ms / 1_000
    await trial.in_dock()
    await trial.arm()
    # The client renews the binding by unloads meanwhile.
    await asyncio.sleep(KEPT_LEASES * lease_s)
    if book.passed("load_reached"):
        answered = await client.send(client.load_command(trial.floor_n, ramp_n_per_s=trial.ramp_n_per_s))
        kept = answered.ack is not None and answered.ack.accepted
        said = "accepted" if kept else "not accepted"
        book.write("armed_kept_by_unloads", kept, f"a load after {KEPT_LEASES} leases of unloads was {said}")
    await client.release()
    await client.unload()
    await trial.until_unloaded(trial.floor_n / trial.ramp_n_per_s + UNLOAD_SLACK_S)
    if not book.passed("lease_expires_in_time"):
        return
    await trial.arm()
    late = client.load_command(trial.floor_n, ramp_n_per_s=trial.ramp_n_per_s)
    client.fall_silent()
    await asyncio.sleep(lease_s + SILENT_SLACK_S)
    late = late.model_copy(update={"cites_t_us": client.rig_time_us})
    await trial.must_refuse("armed_and_silent_lapses", late, Refusal.SPENT_NONCE)
    if not book.passed("armed_and_silent_lapses"):
        return
    answered = await client.send(trial.arm_command(nonce=secrets.token_hex(8)))
    free = answered.ack is not None and answered.ack.accepted
    said = "accepted" if free else "not accepted"
    book.write("armed_and_killed_is_free", free, f"another arming, one lease after the first fell silent, was {said}")
    await client.send(ReleaseCommand(nonce=answered.command.nonce, seq=client.next_seq()))
