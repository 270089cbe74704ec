"""The rig client: one MQTT connection to one rig, what is heard from it (`rig_heard`), and commands with their answers.

`check-rig` and `identify` both use it. It commands by the contract, holds a load by renewing it, and unloads the rig
when it is left, whatever happened inside. Never here: judging what was heard (`judgement`).
"""

from __future__ import annotations

import asyncio
import contextlib
import secrets
from collections.abc import AsyncIterator
from dataclasses import dataclass, field
from typing import Any, Final

import aiomqtt

from ebbset.conformance.rig_heard import FROM_RIG, Answered, Command, NoAnswerError, RigHeard
from ebbset.controller.link.mqtt_link import new_client
from ebbset.controller.link.settings import BrokerSettings
from ebbset.models.contract.constants import RENEWALS_PER_LEASE
from ebbset.models.contract.controller_messages import ArmCommand, LoadCommand, ReleaseCommand, UnloadCommand
from ebbset.models.contract.rig_messages import CommandAck
from ebbset.models.contract.wire import Topic

ACK_PATIENCE_S: Final = 1.5
_BROKER_PATIENCE_S: Final = 10.0
"""A slow broker delays a conformance run; it must not break it off, since it is the rig that is judged."""


@dataclass(slots=True)
class _Hold:
    """What the client keeps renewing: a load, or only the binding."""

    nonce: str
    target_n: tuple[float, ...] | None
    ramp_n_per_s: float
    lease_ms: int


@dataclass(slots=True)
class RigClient(RigHeard):
    """See the module. Times are seconds of the running loop's clock.

    Attributes:
        patience_s: how long to wait for an acknowledgement.
        answers: every command sent so far, with its acknowledgement.
    """

    patience_s: float = ACK_PATIENCE_S
    answers: list[Answered] = field(default_factory=list)
    _hold: _Hold | None = None
    _nonce: str | None = None
    _seq: int = 0

    def next_seq(self) -> int:
        """A sequence number that this client has not used yet."""
        self._seq += 1
        return self._seq

    async def publish(self, payload: bytes) -> None:
        """Put bytes on the command topic, whatever they are."""
        await self.client.publish(Topic.COMMAND.path(self.rig), payload, qos=1)

    async def send(self, command: Command) -> Answered:
        """Send a command and wait for its acknowledgement; ``ack`` stays None when none came."""
        answered = Answered(command, self.now_s)
        ready = asyncio.Event()
        waiting = (answered, ready)
        self._waiting.append(waiting)
        self.answers.append(answered)
        await self.publish(command.model_dump_json().encode())
        with contextlib.suppress(TimeoutError):
            await asyncio.wait_for(ready.wait(), self.patience_s)
        if waiting in self._waiting:
            self._waiting.remove(waiting)
        return answered

    async def arm(self, *, ceiling_n: float, floor_n: float, ramp_n_per_s: float, lease_ms: int, **other: Any) -> str:
        """Bind the rig to a fresh nonce and keep it bound.

        Args:
            ceiling_n: highest load of the set, newtons per cable.
            floor_n: lowest load of the set, newtons per cable.
            ramp_n_per_s: steepest ramp of the set, per cable.
            lease_ms: lease of the set.
            other: further members of the command.

        Returns:
            The nonce.

        Raises:
            NoAnswerError: the rig refused or did not answer.
        """
        nonce = secrets.token_hex(8)
        cables = self.identity.cables
        command = ArmCommand(
            nonce=nonce,
            seq=self.next_seq(),
            ceiling_n=(ceiling_n,) * cables,
            floor_n=(floor_n,) * cables,
            max_ramp_n_per_s=ramp_n_per_s,
            lease_ms=lease_ms,
            **other,
        )
        # Renewed from the start: a slow answer must not let the lease run out.
        self._hold, self._nonce = _Hold(nonce, None, ramp_n_per_s, lease_ms), nonce
        answered = await self.send(command)
        if answered.ack is None or not answered.ack.accepted:
            self._hold = self._nonce = None
            refusal = "no answer" if answered.ack is None else f"refused: {answered.ack.refusal}"
            raise NoAnswerError(f"an arm command was not accepted ({refusal})")
        return nonce

    def load_command(self, target_n: float | tuple[float, ...], **changes: Any) -> LoadCommand:
        """A correct load command for the bound nonce, or one with the mistake that a check needs.

        Args:
            target_n: newtons; one figure for every cable, or one for each.
            changes: members that replace the correct ones.

        Raises:
            NoAnswerError: nothing is bound, or the rig sent no time to cite.
        """
        hold = self._hold
        if hold is None:
            raise NoAnswerError("no set is bound")
        target = target_n if isinstance(target_n, tuple) else (target_n,) * self.identity.cables
        return LoadCommand(
            **{
                "nonce": hold.nonce,
                "seq": self.next_seq(),
                "target_n": target,
                "ramp_n_per_s": hold.ramp_n_per_s,
                "lease_ms": hold.lease_ms,
                "cites_t_us": self.rig_time_us,
                **changes,
            }
        )

    async def load(self, target_n: float, *, ramp_n_per_s: float) -> Answered:
        """Order a load on every cable and keep renewing it.

        Args:
            target_n: newtons per cable.
            ramp_n_per_s: ramp of the change, per cable.

        Raises:
            NoAnswerError: nothing is bound, or the rig refused or did not answer.
        """
        if self._hold is None:
            raise NoAnswerError("no set is bound")
        self._hold.ramp_n_per_s = ramp_n_per_s
        command = self.load_command(target_n)
        self._hold.target_n = command.target_n
        answered = await self.send(command)
        if answered.ack is None or not answered.ack.accepted:
            self._hold.target_n = None
            refusal = "no answer" if answered.ack is None else f"refused: {answered.ack.refusal}"
            raise NoAnswerError(f"a correct load command was not accepted ({refusal})")
        return answered

    async def unload(self, **changes: Any) -> Answered:
        """Take the load off; the binding is kept, and renewed by unloads with the same ramp.

        Args:
            changes: members that replace the correct ones.
        """
        hold = self._hold
        nonce, ramp = (hold.nonce, hold.ramp_n_per_s) if hold is not None else (secrets.token_hex(8), 300.0)
        command = UnloadCommand(**{"nonce": nonce, "seq": self.next_seq(), "ramp_n_per_s": ramp, **changes})
        if hold is not None:
            hold.target_n, hold.ramp_n_per_s = None, command.ramp_n_per_s
        return await self.send(command)

    async def probe(self) -> CommandAck | None:
        """Learn the state of a rig without frames from its answer to a load command that it must refuse."""
        nobody, identity = secrets.token_hex(8), self.identity
        answered = await self.send(
            LoadCommand(
                nonce=nobody,
                seq=self.next_seq(),
                target_n=(identity.min_load_n,) * identity.cables,
                ramp_n_per_s=identity.max_ramp_n_per_s,
                lease_ms=100,
                cites_t_us=0,
            )
        )
        return answered.ack

    async def release(self) -> str | None:
        """Release the bound nonce and return it; None when none was bound."""
        nonce, self._nonce, self._hold = self._nonce, None, None
        if nonce is not None:
            await self.send(ReleaseCommand(nonce=nonce, seq=self.next_seq()))
        return nonce

    def fall_silent(self) -> None:
        """Stop renewing; the rig's lease runs out."""
        self._hold = None

    async def renew(self) -> None:
        """Renew the load or the binding, `RENEWALS_PER_LEASE` times a lease, until cancelled."""
        while True:
            hold = self._hold
            await asyncio.sleep((hold.lease_ms if hold is not None else 200) / 1_000 / RENEWALS_PER_LEASE)
            if hold is None or hold is not self._hold:
                continue
            with contextlib.suppress(NoAnswerError):
                command: Command
                if hold.target_n is None:
                    command = UnloadCommand(nonce=hold.nonce, seq=self.next_seq(), ramp_n_per_s=hold.ramp_n_per_s)
                else:
                    command = self.load_command(hold.target_n)
                await self.publish(command.model_dump_json().encode())


@contextlib.asynccontextmanager
async def open_rig_client(
    rig: str, broker: BrokerSettings, *, unload_on_exit: bool = True, patience_s: float = ACK_PATIENCE_S
) -> AsyncIterator[RigClient]:
    """Connect, subscribe, listen and renew.

    Args:
        rig: its name in the topics.
        broker: where it is heard.
        unload_on_exit: unload the rig at the end, whatever happened; off for a client that only listens.
        patience_s: how long the client waits for an acknowledgement.

    Raises:
        aiomqtt.MqttError: the broker cannot be reached, or the connection is lost.
        BadDocumentError: certificates or credentials cannot be read.
    """
    identifier = f"ebbset-bench-{rig}-{secrets.token_hex(4)}"
    async with new_client(broker, identifier, timeout_s=_BROKER_PATIENCE_S) as connection:
        client = RigClient(connection, rig, patience_s=patience_s)
        for topic in FROM_RIG:
            await connection.subscribe(topic.path(rig), qos=1)
        tasks = [asyncio.create_task(client.listen()), asyncio.create_task(client.renew())]
        try:
            yield client
        finally:
            for task in tasks:
                task.cancel()
            await asyncio.gather(*tasks, return_exceptions=True)
            if unload_on_exit:
                unload = UnloadCommand(nonce=secrets.token_hex(8), seq=client.next_seq(), ramp_n_per_s=300.0)
                with contextlib.suppress(aiomqtt.MqttError):
                    await client.publish(unload.model_dump_json().encode())
