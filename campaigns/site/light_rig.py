"""A light rig: a real rig core's answers, and a recorded lifter instead of physics.

Commands are judged, obeyed and acknowledged by the core that every real rig can use; the load follows its ramp; leases
run out. Only the movement is recorded (`recorded_trace`): it begins once the load stands and ends with the load. Some
fifty of these take a small part of one core. `Trouble` makes one flood, lag or lie. Never here: sets, and what they
must come to.
"""

from __future__ import annotations

import asyncio
import json
import secrets
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass, field
from enum import StrEnum
from typing import Final

from campaigns.site.mqtt_client import LastWill, SmallClient
from campaigns.site.recorded_trace import FRAME, SAMPLE_US, TracePart, recorded_trace
from ebbset.models.contract.rig_messages import RigEventKind
from ebbset.models.contract.wire import BadMessageError, Topic, decode
from ebbset.rig.command_rules import AnyCommand
from ebbset.rig.description import RigLimits
from ebbset.rig.rig_core import Notice, RigCore

FRAME_S: Final = FRAME * SAMPLE_US / 1e6
STANDS_S: Final = 0.5
"""How long the load stands before the recorded lifter takes the handle."""
FLOOD_EVERY_S: Final = 0.005
LAG_S: Final = 2.0


class Trouble(StrEnum):
    """What a rig does wrong."""

    NONE = "none"
    FLOOD = "flood"
    LAG = "lag"
    LIE = "lie"
    SILENCE = "silence"


@dataclass(slots=True)
class LightRig:
    """One rig on one connection.

    Attributes:
        name: of the rig.
        port: of the broker on this machine.
        trouble: what it does wrong at the moment.
        flood_per_s: messages a second beside its frames while it floods.
        max_lease_ms: longest lease it grants.
        heard: called with the rig time that a load command cites, and seconds from sending that frame to the command.
    """

    name: str
    port: int
    trouble: Trouble = Trouble.NONE
    flood_per_s: float = 1_000.0
    max_lease_ms: int = 1_000
    heard: Callable[[float], None] | None = None
    counts: Counter[str] = field(default_factory=Counter)
    target_changes_n: list[float] = field(default_factory=list)
    _core: RigCore = field(init=False)
    _client: SmallClient | None = None
    _tasks: list[asyncio.Task[None]] = field(default_factory=list)
    _seq: int = 0
    _event_seq: int = 0
    _applied_n: float = 0.0
    _docked: bool = True
    _stood_s: float = 0.0
    _at: int = 0
    _began_s: float = 0.0
    _sent_s: dict[int, float] = field(default_factory=dict)
    _last_frame: bytes = b""

    def __post_init__(self) -> None:
        self._core = self._new_core()

    def _new_core(self) -> RigCore:
        return RigCore(RigLimits(max_lease_ms=self.max_lease_ms), boot_id=secrets.token_hex(6))

    # --- life -----------------------------------------------------------------------------------------------------

    async def start(self, phase_s: float = 0.0) -> None:
        """Connect, announce, and send frames until `stop`.

        Args:
            phase_s: when in the period of a frame this rig sends, seconds.
        """
        self._began_s = asyncio.get_running_loop().time() - 1.0
        await self._connect()
        self._tasks = [asyncio.create_task(self._sample(phase_s)), asyncio.create_task(self._flood())]

    async def stop(self) -> None:
        """Stop sending and disconnect in order."""
        for task in self._tasks:
            task.cancel()
        for done in await asyncio.gather(*self._tasks, return_exceptions=True):
            if isinstance(done, Exception):
                raise done
        if self._client is not None:
            self._client.close()

    def cut(self) -> None:
        """The rig's network fails for a moment."""
        if self._client is not None:
            self._client.cut()

    def reboot(self) -> None:
        """Power fails and comes back: unbound, unloaded, nothing remembered."""
        self._core = self._new_core()
        self._docked, self._seq, self._event_seq, self._applied_n = True, 0, 0, 0.0
        self._announce()

    def press_stop(self) -> None:
        """A person presses the emergency stop, and releases it at once."""
        self._report(self._core.press_emergency_stop(self._now_us()))
        self._core.reset_emergency_stop()

    @property
    def loaded(self) -> bool:
        """A load is ordered at the rig."""
        return max(self._core.target_n) > 0.0

    async def _connect(self) -> None:
        will = LastWill(Topic.IDENTITY.path(self.name), self._identity(online=False))
        client = SmallClient(f"{self.name}-{secrets.token_hex(4)}", self._arrived, will)
        await client.connect(self.port)
        self._client = client
        client.subscribe(Topic.COMMAND.path(self.name), qos=1)
        self._announce()

    def _announce(self) -> None:
        self._publish(Topic.IDENTITY, self._identity(online=True), qos=1, retain=True)

    def _identity(self, *, online: bool) -> bytes:
        own = self._core.limits
        who = {"version": 1, "rig": self.name, "boot_id": self._core.boot_id, "online": online, "firmware": "light"}
        can = {"cables": own.cables, "telemetry": "frames", "sample_rate_hz": 1e6 / SAMPLE_US, "has_force": True}
        limits = {"max_load_n": own.max_load_n, "min_load_n": own.min_load_n, "max_ramp_n_per_s": own.max_ramp_n_per_s}
        return json.dumps(who | can | limits | {"max_lease_ms": own.max_lease_ms, "simulated": True}).encode()

    # --- sending --------------------------------------------------------------------------------------------------

    def _now_us(self) -> int:
        return int((asyncio.get_running_loop().time() - self._began_s) * 1e6)

    def _publish(self, topic: Topic, payload: bytes, *, qos: int = 0, retain: bool = False) -> None:
        client = self._client
        if client is None or not client.up:
            return
        self.counts[topic.value] += 1
        client.publish(topic.path(self.name), payload, qos=qos, retain=retain)

    async def _sample(self, phase_s: float) -> None:
        loop = asyncio.get_running_loop()
        number = int((loop.time() - self._began_s) / FRAME_S) + 1
        while True:
            number += 1
            due_s = self._began_s + number * FRAME_S + phase_s
            await asyncio.sleep(max(0.0, due_s - loop.time()))
            if self._client is not None and self._client.closed.is_set():
                await asyncio.sleep(0.3)  # a rig takes a moment to find its network again
                await self._connect()
            if loop.time() - due_s < 1.0:
                self._frame(int((due_s - self._began_s) * 1e6))

    def _frame(self, end_us: int) -> None:
        part = self._move()
        applied_n = (self._applied_n,)
        notices = self._core.tick(
            t_us=end_us, docked=self._docked, applied_n=applied_n, position_m=(0.0,), velocity_m_s=(0.0,)
        )
        self._report(notices)
        self._seq += 1
        bias_n = 600.0 if self.trouble is Trouble.LIE else 0.0
        force = ",".join([f"{self._applied_n + n + bias_n:.1f}" for n in part.force_above_n])
        times = ",".join([str(end_us - (FRAME - 1 - k) * SAMPLE_US) for k in range(FRAME)])
        nonce = self._core.nonce
        payload = (
            f'{{"version":1,"boot_id":"{self._core.boot_id}","seq":{self._seq},'
            f'"nonce":{"null" if nonce is None else json.dumps(nonce)},"docked":{"true" if self._docked else "false"},'
            f'"applied_n":[{self._applied_n:.2f}],"t_us":[{times}],"cables":[{{"position_m":{part.position_json},'
            f'"velocity_m_s":{part.velocity_json},"force_n":[{force}]}}]}}'
        ).encode()
        if self.trouble is Trouble.SILENCE:
            return
        loop = asyncio.get_running_loop()
        if self.trouble is Trouble.LAG:
            loop.call_later(LAG_S, self._publish, Topic.FRAME, payload)
            return
        if self.heard is not None:
            self._sent_s[end_us] = loop.time()
            if len(self._sent_s) > 64:
                del self._sent_s[next(iter(self._sent_s))]
        self._publish(Topic.FRAME, payload)
        self._last_frame = payload

    def _move(self) -> TracePart:
        """Load and lifter go on by one frame."""
        trace, target_n = recorded_trace(), self._core.target_n[0]
        step_n = self._core.ramp_n_per_s * FRAME_S
        self._applied_n += max(-step_n, min(step_n, target_n - self._applied_n))
        if target_n == 0.0:
            self._docked, self._stood_s, self._at = True, 0.0, 0
        elif self._docked:
            self._stood_s = self._stood_s + FRAME_S if self._applied_n == target_n else 0.0
            if self._stood_s > STANDS_S:
                self._docked = False
        if self._docked:
            return trace.docked[self._seq % len(trace.docked)]
        self._at += 1
        return trace.lifting[min(self._at, len(trace.lifting)) - 1]

    def _report(self, notices: tuple[Notice, ...]) -> None:
        for notice in notices:
            self._event_seq += 1
            self.counts[notice.kind.value] += notice.kind is RigEventKind.LEASE_EXPIRED
            content = {"t_us": notice.t_us, "kind": notice.kind.value, "detail": notice.detail}
            head = {"version": 1, "boot_id": self._core.boot_id, "seq": self._event_seq}
            self._publish(Topic.EVENT, json.dumps(head | content).encode(), qos=1)

    async def _flood(self) -> None:
        """While it floods: its last frame again and again, with messages that nobody can read in between."""
        while True:
            await asyncio.sleep(FLOOD_EVERY_S)
            if self.trouble is Trouble.FLOOD:
                for k in range(round(self.flood_per_s * FLOOD_EVERY_S)):
                    self._publish(Topic.FRAME, self._last_frame if k % 2 else b'{"seq": "flood"}')

    # --- hearing --------------------------------------------------------------------------------------------------

    def _arrived(self, _topic: str, payload: bytes, retained: bool) -> None:
        now_us = self._now_us()
        try:
            command: AnyCommand = decode(Topic.COMMAND, payload)
        except BadMessageError:
            self.counts["unreadable commands"] += 1
            return
        if retained:
            return
        self.counts[f"{command.kind} commands"] += 1
        before_n = self._core.target_n[0]
        reply = self._core.handle_command(command, t_us=now_us, docked=self._docked, applied_n=(self._applied_n,))
        if self._core.target_n[0] != before_n:
            self.target_changes_n.append(self._core.target_n[0])
        cited = getattr(command, "cites_t_us", None)
        if self.heard is not None and cited is not None and (sent_s := self._sent_s.pop(cited, None)) is not None:
            self.heard(asyncio.get_running_loop().time() - sent_s)
        if not reply.accepted:
            self.counts["refused commands"] += 1
        answer = {
            "version": 1,
            "boot_id": self._core.boot_id,
            "nonce": reply.nonce,
            "command_seq": reply.command_seq,
            "t_us": reply.t_us,
            "accepted": reply.accepted,
            "refusal": None if reply.refusal is None else reply.refusal.value,
            "applied_n": [round(reply.applied_n[0], 2)],
            "docked": reply.docked,
        }
        self._publish(Topic.ACK, json.dumps(answer).encode(), qos=1)
