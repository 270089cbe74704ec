"""The procedures of the rig conformance kit: what is done to the rig, in which order, and what is seen.

Each procedure carries out some checks of the catalogue and writes a verdict with the figures it rests on into the
notebook. A procedure that cannot go on writes none; such a check is reported as not done, never as passed. Nobody is
under the load: the hands that a procedure asks for move an empty handle, press the stop or switch the rig off.
"""

from __future__ import annotations

import asyncio
from collections.abc import Awaitable, Callable
from dataclasses import dataclass, field
from typing import Any, Final, Protocol

from ebbset.console import rig_judgement as judge
from ebbset.console.rig_bench import Answered, NoAnswerError, RigBench, open_bench
from ebbset.console.rig_judgement import UNLOADED_N, Notebook
from ebbset.controller.settings import BrokerSettings
from ebbset.models.wire import ArmCommand, LoadCommand, Refusal, ReleaseCommand, RigEventKind, Topic

WATCH_S: Final = 3.0
PULL_M: Final = 0.5
RAMP_TIME_S: Final = 1.0
LEASE_MS: Final = 1_000
LEASE_SLACK_S: Final = 0.15
LATE_LEASES: Final = 6
REBOOT_PATIENCE_S: Final = 30.0
SETTLING_S: Final = 0.5


class Hands(Protocol):
    """What a person at the rig does when asked; each returns when it is done."""

    async def pull_out(self, to_m: float) -> None:
        """Pull every handle out to about ``to_m`` metres of cable, at a walking pace, and hold it there."""

    async def bring_back(self) -> None:
        """Bring every handle back into its dock."""

    async def press_stop(self) -> None:
        """Press the rig's emergency stop."""

    async def reset_stop(self) -> None:
        """Reset it."""

    async def power_cycle(self) -> None:
        """Switch the rig off and on again, without shutting it down in order."""


@dataclass(slots=True)
class Trial:
    """One run of all procedures against one rig."""

    bench: RigBench
    broker: BrokerSettings
    hands: Hands | None
    load_n: float
    book: Notebook = field(default_factory=Notebook)
    began_s: float = 0.0

    @property
    def ceiling_n(self) -> float:
        """Ceiling of the bench's sets."""
        return min(1.25 * self.load_n, self.bench.identity.max_load_n)

    @property
    def floor_n(self) -> float:
        """Floor of the bench's sets: the least load that shows in telemetry."""
        return max(self.bench.identity.min_load_n, 0.4 * self.load_n)

    @property
    def ramp_n_per_s(self) -> float:
        """Slow enough that a ramp shows in frames."""
        return min(self.load_n / RAMP_TIME_S, self.bench.identity.max_ramp_n_per_s)

    @property
    def lease_ms(self) -> int:
        """Lease of the bench's sets."""
        return min(LEASE_MS, self.bench.identity.max_lease_ms)

    @property
    def by_frames(self) -> bool:
        """The rig sends frames."""
        return self.bench.identity.telemetry == "frames"

    async def run(self) -> None:
        """Every procedure in order; one that breaks off leaves its checks not done and the rig unloaded."""
        self.began_s = self.bench.now_s
        steps: tuple[Callable[[], Awaitable[None]], ...] = (
            self.announcement,
            self.telemetry_at_rest,
            self.arming,
            self.loading,
            self.refusals,
            self.safe_command,
            self.release,
            self.lease,
        )
        by_hand: tuple[Callable[[], Awaitable[None]], ...] = (self.dock_and_signs, self.emergency_stop, self.reboot)
        for step in steps if self.hands is None else steps + by_hand:
            try:
                await step()
            except NoAnswerError as error:
                self.book.aborted[step.__name__] = str(error)
                if step in (self.announcement, self.telemetry_at_rest, self.arming):
                    break
            finally:
                await self._leave_unloaded()
        judge.messages(self.book, self.bench)
        judge.acknowledgements(self.book, self.bench.answers)

    async def _leave_unloaded(self) -> None:
        if self.bench.answered:
            await self.bench.release()
            await self.bench.unload()
            await self._until_unloaded(3.0)

    async def _until_unloaded(self, timeout_s: float) -> bool:
        return await self._until_applied(lambda applied_n: applied_n <= UNLOADED_N, timeout_s)

    async def _until_applied(self, holds: Callable[[float], bool], timeout_s: float) -> bool:
        """Wait until the rig tells a load of which this holds; one without frames has to be asked."""
        bench, since_s = self.bench, self.bench.now_s
        if self.by_frames:
            return await bench.wait_for(lambda: holds(self._last_applied(since_s)), timeout_s)
        while bench.now_s < since_s + timeout_s:
            ack = await bench.probe()
            if ack is not None and holds(max(ack.applied_n)):
                return True
            await asyncio.sleep(0.02)
        return False

    def _last_applied(self, since_s: float) -> float:
        readings = self.bench.applied_since(since_s)
        return readings[-1][1] if readings else float("inf")

    async def _in_dock(self) -> None:
        """Loads come on at the dock only; an unloaded handle may have slipped out of it."""
        state = await self.bench.unload()
        if state.ack is not None and not state.ack.docked:
            if self.hands is None:
                raise NoAnswerError("the handle is not docked, and nobody is there to bring it back")
            await self.hands.bring_back()

    async def _arm(self) -> str:
        """Bind the rig; one that still holds an earlier binding is first given the time to let it lapse."""
        limits: dict[str, Any] = {
            "ceiling_n": self.ceiling_n,
            "floor_n": self.floor_n,
            "ramp_n_per_s": self.ramp_n_per_s,
            "lease_ms": self.lease_ms,
        }
        try:
            return await self.bench.arm(**limits)
        except NoAnswerError:
            await asyncio.sleep(1.2 * self.lease_ms / 1_000)
            return await self.bench.arm(**limits)

    async def _loaded(self, load_n: float | None = None) -> float:
        """Arm and hold a load; when it was ordered."""
        await self._in_dock()
        await self._arm()
        wanted = self.load_n if load_n is None else load_n
        at_s = self.bench.now_s
        await self.bench.load(wanted, ramp_n_per_s=self.ramp_n_per_s)
        await self.bench.wait_for(lambda: self._last_applied(at_s) >= 0.99 * wanted, wanted / self.ramp_n_per_s + 1.0)
        await asyncio.sleep(0.1)
        return at_s

    # --- announcement and telemetry -----------------------------------------------------------------------------

    async def announcement(self) -> None:
        """Listen to what is retained, and that it is a valid identity."""
        bench = self.bench
        await bench.wait_for(lambda: bool(bench.identities or bench.frames), 5.0)
        await asyncio.sleep(0.3)
        found = bench.retained_identity is not None
        # Without a retained one the rig announces itself only when it connects again.
        if not found and self.hands is not None:
            await self.hands.power_cycle()
        await bench.wait_for(
            lambda: any(heard.message.online for heard in bench.identities),
            5.0 if self.hands is None else REBOOT_PATIENCE_S,
        )
        if not found:
            await asyncio.sleep(SETTLING_S)
        bad = [heard.message.detail for heard in bench.bad if heard.message.topic is Topic.IDENTITY]
        self.book.write(
            "identity_retained", found, "announcement heard on subscribing" if found else "nothing retained"
        )
        if bad:
            self.book.write("identity_valid", False, bad[0])
        if bench.identities:
            identity = bench.identity
            said = f"{identity.cables} cable(s), {identity.telemetry}, up to {identity.max_load_n:g} N"
            self.book.write("identity_valid", identity.rig == bench.rig, said)
        if bench.identity.online is False:
            raise NoAnswerError("the rig says that it is offline")

    async def telemetry_at_rest(self) -> None:
        """Watch for a while: rate, clock, order, regularity, and that nothing happens."""
        bench, book = self.bench, self.book
        since_s = bench.now_s
        if not self.by_frames:
            # Only acknowledgements carry the clock of such a rig.
            first = await bench.unload()
            await asyncio.sleep(WATCH_S)
            last = await bench.unload()
            if first.ack is not None and last.ack is not None:
                judge.clock(book, last.ack.t_us - first.ack.t_us, last.sent_s - first.sent_s)
                still = max(last.ack.applied_n) <= UNLOADED_N and last.ack.docked
                book.write("rest_is_rest", still, f"applied {last.ack.applied_n} N, docked {last.ack.docked}")
            return
        await asyncio.sleep(WATCH_S)
        frames = bench.frames_since(since_s)
        if len(frames) < 3:
            raise NoAnswerError("no valid frames arrived")
        judge.rate(book, frames, bench.identity.sample_rate_hz)
        judge.order(book, frames)
        judge.rest(book, frames)

    # --- arming and loading -------------------------------------------------------------------------------------

    async def arming(self) -> None:
        """Arm and do nothing; send nonsense."""
        bench, book = self.bench, self.book
        first = await bench.unload()
        book.write(
            "acknowledges", first.ack is not None, "an unload was answered" if first.ack else "no answer in 1.5 s"
        )
        if first.ack is None:
            raise NoAnswerError("the rig acknowledges nothing")
        since_s = bench.now_s
        nonce = await self._arm()
        await asyncio.sleep(0.6)
        applied_n = max((n for _, n in bench.applied_since(since_s)), default=float("inf"))
        book.write("arming_loads_nothing", applied_n <= UNLOADED_N, f"{applied_n:.1f} N at most after arming")
        if self.by_frames:
            shown = bench.frames_since(bench.now_s - 0.3)
            carried = bool(shown) and all(heard.message.nonce == nonce for heard in shown)
            book.write("binding_shown", carried, f"{len(shown)} frames looked at after arming")
        for payload in (b"", b"{}", b"\xff\xfe", b'{"kind":"load"}', b"[1,2", b'{"kind":"lift","nonce":"x"}'):
            await bench.publish(payload)
        after = await bench.unload()
        kept = after.ack is not None and after.ack.accepted
        book.write(
            "survives_nonsense", kept, "a command after six bad ones was " + ("obeyed" if kept else "not obeyed")
        )

    async def loading(self) -> None:
        """Load at the dock by a slow ramp, compare load, ramp and force; unload by the same ramp."""
        bench, book = self.bench, self.book
        at_s = await self._loaded()
        await asyncio.sleep(max(at_s + self.load_n / self.ramp_n_per_s - bench.now_s, 0.0) + 0.4)
        applied_n = self._last_applied(at_s)
        reached = abs(applied_n - self.load_n) <= max(5.0, 0.05 * self.load_n)
        book.write("load_reached", reached, f"{applied_n:.1f} N applied; {self.load_n:.1f} N commanded")
        if self.by_frames:
            if reached:
                judge.ramp_up(book, bench.frames_since(at_s), self.load_n, self.ramp_n_per_s)
            force_n = judge.mean_force_n(bench.frames_since(bench.now_s - 0.3))
            if force_n is not None:
                book.write("force_positive", force_n > 0, f"{force_n:.1f} N under {self.load_n:.1f} N")
                fits = self.load_n / 1.5 <= force_n <= 1.33 * self.load_n + 25.0
                book.write("force_in_newtons", fits, f"{force_n:.1f} N under {self.load_n:.1f} N")
        at_s = bench.now_s
        await bench.unload()
        await self._until_unloaded(self.load_n / self.ramp_n_per_s + 1.0)
        if self.by_frames and book.passed("applied_is_measured"):
            judge.ramp_down(book, bench.frames_since(at_s), self.load_n, self.ramp_n_per_s)

    # --- refusals -----------------------------------------------------------------------------------------------

    async def _must_refuse(self, check: str, command: ArmCommand | LoadCommand, reason: Refusal) -> bool:
        """Send it and judge the answer; whether the rig is still as it was."""
        return await self._judge_refusal(check, await self.bench.send(command), reason)

    async def _judge_refusal(self, check: str, answered: Answered, reason: Refusal) -> bool:
        what = f"{answered.command.kind} command"
        if answered.ack is None:
            self.book.write(check, False, f"{what}: no answer; expected a refusal, {reason.value}")
        elif answered.ack.accepted:
            self.book.write(check, False, f"{what}: accepted; expected {reason.value}")
            await self.bench.unload()
            if isinstance(answered.command, ArmCommand):
                await self.bench.send(ReleaseCommand(nonce=answered.command.nonce, seq=self.bench.next_seq()))
            return False
        else:
            said = answered.ack.refusal.value if answered.ack.refusal is not None else "no reason"
            self.book.write(check, answered.ack.refusal is reason, f"{what}: refused, {said}; expected {reason.value}")
        return True

    async def refusals(self) -> None:
        """One wrong thing in each command, everything else by the book, at the floor load in the dock."""
        bench = self.bench
        if not self.book.passed("load_reached"):
            raise NoAnswerError("a load by the book was not applied, so a refusal would prove nothing")
        await self._loaded(self.floor_n)
        wrong: tuple[tuple[str, Refusal, Callable[[], LoadCommand]], ...] = (
            ("refuses_foreign_nonce", Refusal.FOREIGN_NONCE, lambda: bench.load_command(self.floor_n, nonce="f" * 16)),
            ("refuses_repeated_sequence", Refusal.REPEATED_SEQUENCE, lambda: bench.load_command(self.floor_n, seq=1)),
            (
                "refuses_stale_citation",
                Refusal.STALE_CITATION,
                lambda: bench.load_command(self.floor_n, cites_t_us=max(bench.rig_time_us - 3_000 * self.lease_ms, 0)),
            ),
            (
                "refuses_future_citation",
                Refusal.FUTURE_CITATION,
                lambda: bench.load_command(self.floor_n, cites_t_us=bench.rig_time_us + 30_000_000),
            ),
            ("refuses_above_ceiling", Refusal.ABOVE_CEILING, lambda: bench.load_command(1.02 * self.ceiling_n)),
            ("refuses_below_floor", Refusal.BELOW_FLOOR, lambda: bench.load_command(0.9 * self.floor_n)),
            (
                "refuses_steep_ramp",
                Refusal.RAMP_TOO_STEEP,
                lambda: bench.load_command(self.floor_n, ramp_n_per_s=1.5 * self.ramp_n_per_s),
            ),
            (
                "refuses_long_lease",
                Refusal.LEASE_TOO_LONG,
                lambda: bench.load_command(self.floor_n, lease_ms=min(2 * self.lease_ms, 5_000)),
            ),
            (
                "refuses_wrong_cables",
                Refusal.WRONG_CABLES,
                lambda: bench.load_command((self.floor_n,) * (3 - bench.identity.cables)),
            ),
        )
        citing = self.book.passed("clock_in_microseconds")
        for check, reason, make in wrong:
            if citing or not check.endswith("citation"):
                as_before = await self._must_refuse(check, make(), reason)
                if not as_before:
                    await bench.load(self.floor_n, ramp_n_per_s=self.ramp_n_per_s)
        await self._must_refuse("refuses_foreign_nonce", self._arm_command(nonce="f" * 16), Refusal.FOREIGN_NONCE)
        await bench.release()
        await asyncio.sleep(0.15)
        bound = self.by_frames and bench.frames[-1].message.nonce is not None
        if bench.identity.max_load_n < 4_900 and not bound:
            above = self._arm_command(nonce="e" * 16, ceiling_n=1.02 * bench.identity.max_load_n)
            await self._must_refuse("refuses_above_ceiling", above, Refusal.ABOVE_CEILING)

    def _arm_command(self, *, nonce: str, ceiling_n: float | None = None) -> ArmCommand:
        cables = self.bench.identity.cables
        return ArmCommand(
            nonce=nonce,
            seq=self.bench.next_seq(),
            ceiling_n=(self.ceiling_n if ceiling_n is None else ceiling_n,) * cables,
            floor_n=(self.floor_n,) * cables,
            max_ramp_n_per_s=self.ramp_n_per_s,
            lease_ms=self.lease_ms,
        )

    async def safe_command(self) -> None:
        """Unload by a foreign nonce, then by an old sequence number, each from under load."""
        for check, changes in (
            ("unload_by_any_nonce", {"nonce": "d" * 16}),
            ("unload_by_any_sequence", {"seq": 1}),
        ):
            await self._loaded(self.floor_n)
            answered = await self.bench.unload(**changes)
            obeyed = answered.ack is not None and answered.ack.accepted
            gone = await self._until_unloaded(self.floor_n / self.ramp_n_per_s + 0.5 * self.lease_ms / 1_000)
            self.book.write(
                check, obeyed and gone, "obeyed" if obeyed and gone else "the load stayed on, or no consent"
            )
            await self.bench.release()

    async def release(self) -> None:
        """Release a loaded rig; then try to bring its nonce back."""
        bench = self.bench
        await self._loaded(self.floor_n)
        nonce = await bench.release()
        gone = await self._until_unloaded(self.floor_n / self.ramp_n_per_s + 1.0)
        await asyncio.sleep(0.2)
        last = list(bench.frames)[-1:] if self.by_frames else []
        bound = any(heard.message.nonce is not None for heard in last)
        said = f"{'unloaded' if gone else 'still loaded'}, {'still bound' if bound else 'bound to nothing'}"
        self.book.write("release_ends_binding", gone and not bound, said)
        if nonce is not None and gone and not bound:
            await self._must_refuse("refuses_spent_nonce", self._arm_command(nonce=nonce), Refusal.SPENT_NONCE)

    async def lease(self) -> None:
        """Fall silent under load and watch the clock."""
        bench, book = self.bench, self.book
        await self._loaded(self.floor_n)
        await bench.load(self.floor_n, ramp_n_per_s=self.ramp_n_per_s)
        since_s = bench.now_s
        bench.fall_silent()
        lease_s = self.lease_ms / 1_000
        started = await self._until_applied(lambda applied_n: applied_n < 0.97 * self.floor_n, LATE_LEASES * lease_s)
        after_s = self._lease_took_s(since_s)
        book.write(
            "lease_expires", started, f"load going down after {after_s:.2f} s" if started else "the load stayed on"
        )
        if started:
            in_time = after_s <= lease_s + LEASE_SLACK_S
            book.write(
                "lease_expires_in_time", in_time, f"{after_s:.2f} s after the last renewal; lease {lease_s:.2f} s"
            )
            await asyncio.sleep(0.2)
            told = bench.events_since(since_s, RigEventKind.LEASE_EXPIRED)
            book.write("lease_expiry_reported", bool(told), f"{len(told)} event(s) lease_expired")

    def _lease_took_s(self, since_s: float) -> float:
        """From the last load accepted to the first reading of less, by the rig's clock: no network in between."""
        granted = max((h.message.t_us for h in self.bench.acks if h.message.accepted), default=0)
        readings = [(h.message.t_us[-1], max(h.message.applied_n)) for h in self.bench.frames_since(since_s)]
        readings += [(h.message.t_us, max(h.message.applied_n)) for h in self.bench.acks if h.at_s >= since_s]
        fallen = [t_us for t_us, applied_n in readings if applied_n < 0.97 * self.floor_n and t_us > granted]
        return (min(fallen) - granted) / 1e6 if fallen else float("inf")

    # --- with a person at the empty handle ----------------------------------------------------------------------

    async def dock_and_signs(self) -> None:
        """Pull the empty handle out, hold it, try to load it, bring it back."""
        bench, book, hands = self.bench, self.book, self.hands
        if hands is None:
            return
        since_s = bench.now_s
        before = bench.frames_since(since_s - 0.5)
        await hands.pull_out(PULL_M)
        await asyncio.sleep(0.3)
        if self.by_frames:
            judge.pull(book, before, bench.frames_since(since_s), PULL_M)
        out = await bench.unload()
        undocked = out.ack is not None and not out.ack.docked
        # A rig that loads when it is armed must not be armed with the handle in somebody's hand.
        if undocked and book.passed("arming_loads_nothing") and book.passed("clock_in_microseconds"):
            await self._arm()
            await self._must_refuse(
                "refuses_rise_undocked", bench.load_command(self.floor_n), Refusal.RISE_WHILE_UNDOCKED
            )
            await bench.unload()
        await bench.release()
        await hands.bring_back()
        await asyncio.sleep(0.3)
        back = await bench.unload()
        docked = back.ack is not None and back.ack.docked
        book.write("dock_is_true", undocked and docked, f"out: docked {not undocked}; back: docked {docked}")
        kinds = (RigEventKind.UNDOCKED, RigEventKind.DOCKED)
        told = [bool(bench.events_since(since_s, kind)) for kind in kinds]
        book.write("dock_reported", all(told), f"undocked {told[0]}, docked {told[1]}")

    async def emergency_stop(self) -> None:
        """Press the stop under load; try to arm; reset; see that nothing comes back."""
        bench, book, hands = self.bench, self.book, self.hands
        if hands is None:
            return
        await self._loaded(self.floor_n)
        since_s = bench.now_s
        await hands.press_stop()
        pressed_s = bench.now_s
        gone = await self._until_unloaded(0.7 * self.lease_ms / 1_000)
        took_s = bench.now_s - pressed_s
        bench.fall_silent()
        book.write("stop_unloads", gone, f"unloaded {took_s:.2f} s after the stop" if gone else "the load stayed on")
        await asyncio.sleep(0.2)
        told = bench.events_since(since_s, RigEventKind.EMERGENCY_STOP)
        book.write("stop_reported", bool(told), f"{len(told)} event(s) emergency_stop")
        await self._until_unloaded(2.0 * self.lease_ms / 1_000)
        answered = await bench.send(self._arm_command(nonce="c" * 16))
        await self._judge_refusal("stop_latched", answered, Refusal.STOPPED)
        reset_s = bench.now_s
        await hands.reset_stop()
        await asyncio.sleep(0.8)
        applied_n = max((n for t, n in bench.applied_since(reset_s)), default=float("inf"))
        if not self.by_frames:
            reading = await bench.unload()
            applied_n = max(reading.ack.applied_n) if reading.ack is not None else float("inf")
        book.write("reset_loads_nothing", applied_n <= UNLOADED_N, f"{applied_n:.1f} N at most after the reset")

    async def reboot(self) -> None:
        """Cut the power under load and give it back."""
        bench, book, hands = self.bench, self.book, self.hands
        if hands is None:
            return
        await self._in_dock()
        nonce = await self._arm()
        await bench.load(self.floor_n, ramp_n_per_s=self.ramp_n_per_s)
        await asyncio.sleep(self.floor_n / self.ramp_n_per_s + 0.3)
        boot_before = bench.identity.boot_id
        bench.fall_silent()
        since_s = bench.now_s
        async with open_bench(bench.rig, self.broker, goodbye=False) as witness:
            await hands.power_cycle()
            said = await witness.wait_for(lambda: any(not heard.message.online for heard in witness.identities), 5.0)
            book.write("will_says_offline", said, "offline was said" if said else "nothing was said within 5 s")
        await bench.wait_for(
            lambda: any(h.at_s > since_s and h.message.online for h in bench.identities), REBOOT_PATIENCE_S
        )
        await asyncio.sleep(self.floor_n / self.ramp_n_per_s)
        back_s = bench.now_s
        await asyncio.sleep(1.0)
        state = await bench.unload()
        readings = [n for _, n in bench.applied_since(back_s)]
        applied_n = max(readings, default=float("inf"))
        book.write("reboot_unloads", applied_n <= UNLOADED_N, f"{applied_n:.1f} N at most after the reboot")
        boot_after = bench.identity.boot_id
        book.write("boot_id_changes", boot_after != boot_before, f"{boot_before} before, {boot_after} after")
        if state.ack is not None:
            await asyncio.sleep(0.3)
            old = LoadCommand(
                nonce=nonce,
                seq=bench.next_seq(),
                target_n=(self.floor_n,) * bench.identity.cables,
                ramp_n_per_s=self.ramp_n_per_s,
                lease_ms=self.lease_ms,
                cites_t_us=bench.rig_time_us,
            )
            answered = await bench.send(old)
            refused = answered.ack is not None and not answered.ack.accepted
            book.write("reboot_forgets_binding", refused, "refused" if refused else "accepted, or no answer")
