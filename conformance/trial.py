"""One trial of a rig: what the procedures of the conformance kit have in common.

Here: loads and limits of the test sets, bringing a rig into a known state, and judging a refusal. Never here: the
order of procedures (`procedures`, `by_hand`) and arithmetic (`judgement`).
"""

from __future__ import annotations

import asyncio
import math
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any, Final, Protocol

from ebbset.conformance.judgement import Notebook
from ebbset.conformance.rig_client import RigClient
from ebbset.conformance.rig_heard import Answered, NoAnswerError
from ebbset.controller.link.settings import BrokerSettings
from ebbset.models.contract.constants import UNLOADED_N
from ebbset.models.contract.controller_messages import ArmCommand, LoadCommand, ReleaseCommand
from ebbset.models.contract.rig_messages import Refusal

WATCH_S: Final = 3.0
HOLD_S: Final = 14.0
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
        """Pull every handle out to about ``to_m`` metres of cable, at walking pace, and hold it there."""

    async def bring_back(self) -> None:
        """Bring every handle back into its dock."""

    async def press_stop(self) -> None:
        """Press the rig's emergency stop."""

    async def reset_stop(self) -> None:
        """Reset it."""

    async def power_cycle(self) -> None:
        """Switch the rig off and on again without an orderly shutdown."""


@dataclass(slots=True)
class Trial:
    """One run of all procedures against one rig."""

    client: RigClient
    broker: BrokerSettings
    hands: Hands | None
    load_n: float
    book: Notebook = field(default_factory=Notebook)
    began_s: float = 0.0

    @property
    def ceiling_n(self) -> float:
        """Ceiling of the test sets, newtons per cable."""
        return min(1.25 * self.load_n, self.client.identity.max_load_n)

    @property
    def floor_n(self) -> float:
        """Floor of the test sets, newtons per cable: the least load that shows in telemetry."""
        return max(self.client.identity.min_load_n, 0.4 * self.load_n)

    @property
    def ramp_n_per_s(self) -> float:
        """Ramp of the test sets, N/s per cable: slow enough to show in frames."""
        return min(self.load_n / RAMP_TIME_S, self.client.identity.max_ramp_n_per_s)

    @property
    def lease_ms(self) -> int:
        """Lease of the test sets, milliseconds."""
        return min(LEASE_MS, self.client.identity.max_lease_ms)

    @property
    def by_frames(self) -> bool:
        """The rig sends frames."""
        return self.client.identity.telemetry == "frames"

    async def leave_unloaded(self) -> None:
        """Release whatever is bound and take the load off."""
        if self.client.answered:
            await self.client.release()
            await self.client.unload()
            await self.until_unloaded(3.0)

    async def until_unloaded(self, timeout_s: float) -> bool:
        """Wait until the rig reports that it is unloaded; False if it does not in time."""
        return await self.until_applied(lambda applied_n: applied_n <= UNLOADED_N, timeout_s)

    async def until_applied(self, holds: Callable[[float], bool], timeout_s: float) -> bool:
        """Wait until the rig reports a load that meets a condition; a rig without frames has to be asked.

        Args:
            holds: the condition on the largest applied load over the cables, newtons.
            timeout_s: how long to wait.

        Returns:
            Whether the condition was met within the time.
        """
        client, since_s = self.client, self.client.now_s
        if self.by_frames:
            return await client.wait_for(lambda: holds(self.last_applied(since_s)), timeout_s)
        while client.now_s < since_s + timeout_s:
            ack = await client.probe()
            if ack is not None and holds(max(ack.applied_n)):
                return True
            await asyncio.sleep(0.02)
        return False

    def last_applied(self, since_s: float) -> float:
        """Newest load reported since then, newtons; NaN, which meets no condition, if there was no report."""
        readings = self.client.applied_since(since_s)
        return readings[-1][1] if readings else math.nan

    async def in_dock(self) -> None:
        """Ask for the handle to be docked: loads rise only there, and an unloaded handle may have slipped out."""
        state = await self.client.unload()
        if state.ack is not None and not state.ack.docked:
            if self.hands is None:
                raise NoAnswerError("the handle is not docked, and nobody is there to bring it back")
            await self.handle_back(self.hands)

    async def handle_back(self, hands: Hands) -> None:
        """Have the handle brought back, and let it come to rest.

        A handle that is let go can bounce out of its dock once more; a load that comes on meanwhile is taken off again.

        Args:
            hands: who brings it back.
        """
        await hands.bring_back()
        await asyncio.sleep(SETTLING_S)

    async def arm(self) -> str:
        """Bind the rig; when it refuses, wait for an earlier binding to lapse and try once more."""
        limits: dict[str, Any] = {
            "ceiling_n": self.ceiling_n,
            "floor_n": self.floor_n,
            "ramp_n_per_s": self.ramp_n_per_s,
            "lease_ms": self.lease_ms,
        }
        try:
            return await self.client.arm(**limits)
        except NoAnswerError:
            await asyncio.sleep(1.2 * self.lease_ms / 1_000)
            return await self.client.arm(**limits)

    async def load_ordered(self, load_n: float) -> float:
        """Arm, order a load, keep it on and give it time to come on.

        Args:
            load_n: newtons per cable.

        Returns:
            When the load was ordered, seconds of the client's clock.
        """
        await self.in_dock()
        await self.arm()
        at_s = self.client.now_s
        await self.client.load(load_n, ramp_n_per_s=self.ramp_n_per_s)
        await self.client.wait_for(lambda: self.last_applied(at_s) >= 0.99 * load_n, load_n / self.ramp_n_per_s + 1.0)
        await asyncio.sleep(0.1)
        return at_s

    async def loaded(self) -> None:
        """Arm, apply the floor load and keep it on.

        Raises:
            NoAnswerError: the load is not on, so that nothing could be learnt from its going.
        """
        at_s = await self.load_ordered(self.floor_n)
        if not self.last_applied(at_s) >= 0.9 * self.floor_n:
            raise NoAnswerError(f"{self.last_applied(at_s):.1f} N applied; {self.floor_n:.1f} N commanded")

    async def must_refuse(self, check: str, command: ArmCommand | LoadCommand, reason: Refusal) -> bool:
        """Send a command that the rig must refuse, and judge the answer.

        Args:
            check: name of the check to write a verdict for.
            command: what is sent.
            reason: the refusal that the contract asks for.

        Returns:
            False when the rig obeyed, so that its state changed.
        """
        return await self.judge_refusal(check, await self.client.send(command), reason)

    async def judge_refusal(self, check: str, answered: Answered, reason: Refusal) -> bool:
        """Judge the answer to a command that the rig must refuse.

        Args:
            check: name of the check to write a verdict for.
            answered: the command and its acknowledgement.
            reason: the refusal that the contract asks for.

        Returns:
            False when the rig obeyed, so that its state changed.
        """
        what = f"{answered.command.kind} command"
        if answered.ack is None:
            self.book.write(check, False, f"{what}: no answer; expected a refusal, {reason.value}")
        elif answered.ack.accepted:
            self.book.write(check, False, f"{what}: accepted; expected {reason.value}")
            await self.client.unload()
            if isinstance(answered.command, ArmCommand):
                await self.client.send(ReleaseCommand(nonce=answered.command.nonce, seq=self.client.next_seq()))
            return False
        else:
            said = answered.ack.refusal or "no reason"
            self.book.write(check, answered.ack.refusal is reason, f"{what}: refused, {said}; expected {reason.value}")
        return True

    def arm_command(self, *, nonce: str, ceiling_n: float | None = None) -> ArmCommand:
        """A correct arm command for the test sets, except for what is given.

        Args:
            nonce: the nonce to bind.
            ceiling_n: another ceiling than that of the test sets, newtons per cable.
        """
        cables = self.client.identity.cables
        return ArmCommand(
            nonce=nonce,
            seq=self.client.next_seq(),
            ceiling_n=(self.ceiling_n if ceiling_n is None else ceiling_n,) * cables,
            floor_n=(self.floor_n,) * cables,
            max_ramp_n_per_s=self.ramp_n_per_s,
            lease_ms=self.lease_ms,
        )

    def lease_took_s(self, since_s: float) -> float:
        """Seconds from the last accepted load to the first lower reading, by the rig's clock: no network in between."""
        granted = max((h.message.t_us for h in self.client.acks if h.message.accepted), default=0)
        readings = [(h.message.t_us[-1], max(h.message.applied_n)) for h in self.client.frames_since(since_s)]
        readings += [(h.message.t_us, max(h.message.applied_n)) for h in self.client.acks if h.at_s >= since_s]
        fallen = [t_us for t_us, applied_n in readings if applied_n < 0.97 * self.floor_n and t_us > granted]
        return (min(fallen) - granted) / 1e6 if fallen else float("inf")
