"""`RigAccess` to any rig that speaks the contract over MQTT, real or virtual, for the routine in `identify`.

Blocking, since the routine is: a network thread takes messages in and a second one renews the lease, so that a rig
stays bound while a person is being asked to move. When either stops, the rig's own lease unloads it.
"""

from __future__ import annotations

import secrets
import threading
import time
from collections.abc import Callable
from types import TracebackType
from typing import Any, Final, Self

import numpy as np
import paho.mqtt.client as paho
import structlog
from paho.mqtt.enums import CallbackAPIVersion
from pydantic import BaseModel

from ebbset.conformance.identification import FloatArray, HoldTrace, Move, NotIdentifiedError, RigCapabilities
from ebbset.controller.link.settings import BrokerSettings
from ebbset.models.contract.constants import RENEWALS_PER_LEASE
from ebbset.models.contract.wire import (
    ArmCommand,
    BadMessageError,
    CommandAck,
    LoadCommand,
    ReleaseCommand,
    RigEvent,
    RigEventKind,
    RigIdentity,
    SampleFrame,
    Topic,
    UnloadCommand,
    decode,
)

_HARMLESS: Final = frozenset({RigEventKind.DOCKED, RigEventKind.UNDOCKED})

log = structlog.get_logger(__name__)


class MqttAccess:
    """A context manager: connects, finds the rig, and leaves it unloaded and released.

    Args:
        broker: where the rig is connected.
        rig: its name.
        ask: asks the person to move the handle and returns when the movement begins.
        patience_s: how long to wait for what must come: announcement, frames, answers.
    """

    def __init__(
        self, broker: BrokerSettings, rig: str, *, ask: Callable[[Move], None], patience_s: float = 5.0
    ) -> None:
        self._broker = broker
        self._rig = rig
        self._ask = ask
        self._patience_s = patience_s
        self._news = threading.Condition()
        self._sending = threading.Lock()
        self._identity: RigIdentity | None = None
        self._frames: list[SampleFrame] = []
        self._acks: dict[int, CommandAck] = {}
        self._trouble: str | None = None
        self._nonce = secrets.token_hex(8)
        self._seq = 0
        self._order: tuple[float, float] | None = None
        self._ended = threading.Event()
        self._renewing = threading.Thread(target=self._renew, daemon=True)
        modern = broker.protocol == "5"
        self._client = paho.Client(
            CallbackAPIVersion.VERSION2,
            client_id=f"ebbset-identify-{secrets.token_hex(4)}",
            protocol=paho.MQTTv5 if modern else paho.MQTTv311,
        )
        credentials, context = broker.credentials(), broker.tls_context()
        if credentials is not None:
            self._client.username_pw_set(credentials.username, credentials.password)
        if context is not None:
            self._client.tls_set_context(context)
        self._client.on_connect = self._connected
        self._client.on_message = self._arrived

    # --- connection ----------------------------------------------------------------------------------------------

    def __enter__(self) -> Self:
        try:
            self._client.connect(self._broker.host, self._broker.resolved_port, keepalive=5)
        except OSError as error:
            where = f"{self._broker.host}:{self._broker.resolved_port}"
            raise NotIdentifiedError(f"broker is {where}; allowed: one that can be reached ({error})") from None
        self._client.loop_start()
        try:
            self._wait_for(lambda: self._identity is not None and self._identity.online, "no announcement of the rig")
            self._wait_for(lambda: len(self._frames) > 1, "no sample frames; allowed: a rig that sends frames")
        except NotIdentifiedError:
            self._client.loop_stop()
            raise
        self._renewing.start()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._order = None
        self._ended.set()
        self._renewing.join()
        ramp = self._ramp_home()
        self._send(lambda seq: UnloadCommand(nonce=self._nonce, seq=seq, ramp_n_per_s=ramp))
        self._client.disconnect()
        self._client.loop_stop()

    def _connected(self, client: paho.Client, *_: Any) -> None:
        client.subscribe(
            [(topic.path(self._rig), 1) for topic in (Topic.IDENTITY, Topic.FRAME, Topic.ACK, Topic.EVENT)]
        )

    def _arrived(self, client: paho.Client, data: Any, message: paho.MQTTMessage) -> None:
        topic = Topic(message.topic.removeprefix(Topic.IDENTITY.path(self._rig).removesuffix(Topic.IDENTITY.value)))
        try:
            content = decode(topic, message.payload)
        except BadMessageError as error:
            log.warning("bad_message", code=error.code.value, detail=error.detail)
            return
        with self._news:
            if isinstance(content, SampleFrame):
                self._frames.append(content)
            elif isinstance(content, RigIdentity):
                self._identity = content
            elif isinstance(content, CommandAck) and content.nonce == self._nonce:
                self._acks[content.command_seq] = content
                if content.refusal is not None:
                    self._trouble = f"the rig refused command {content.command_seq}: {content.refusal.value}"
            elif isinstance(content, RigEvent) and content.kind not in _HARMLESS:
                self._trouble = f"rig event {content.kind.value}; allowed: none during the routine"
            self._news.notify_all()

    def _wait_for(self, ready: Callable[[], bool], lacking: str, patience_s: float | None = None) -> None:
        with self._news:
            there = self._news.wait_for(
                lambda: ready() or self._trouble is not None, self._patience_s if patience_s is None else patience_s
            )
            trouble, self._trouble = self._trouble, None
        if trouble is not None:
            raise NotIdentifiedError(trouble)
        if not there:
            raise NotIdentifiedError(lacking)

    # --- commands ------------------------------------------------------------------------------------------------

    def _send(self, make: Callable[[int], BaseModel]) -> int:
        """Number a command and send it; no two threads may send out of order."""
        with self._sending:
            self._seq += 1
            command = make(self._seq)
            self._client.publish(Topic.COMMAND.path(self._rig), command.model_dump_json(), qos=0)
            return self._seq

    def _known(self) -> RigIdentity:
        if self._identity is None:
            raise NotIdentifiedError("the rig has not announced itself; allowed: use as a context manager")
        return self._identity

    def _ramp_home(self) -> float:
        return 0.3 * self._known().max_ramp_n_per_s

    def _load(self, order: tuple[float, float]) -> int:
        identity = self._known()
        return self._send(
            lambda seq: LoadCommand(
                nonce=self._nonce,
                seq=seq,
                target_n=(order[0],) * identity.cables,
                ramp_n_per_s=order[1],
                lease_ms=identity.max_lease_ms,
                cites_t_us=self._frames[-1].t_us[-1],
            )
        )

    def _renew(self) -> None:
        """Keep the load of the moment for as long as telemetry goes on."""
        period_s = self._known().max_lease_ms * 1e-3 / RENEWALS_PER_LEASE
        while not self._ended.wait(period_s):
            order = self._order
            if order is not None:
                self._load(order)

    # --- what the routine asks for -------------------------------------------------------------------------------

    @property
    def facts(self) -> RigCapabilities:
        """From the announcement."""
        identity = self._known()
        return RigCapabilities(
            cables=identity.cables,
            max_load_n=identity.max_load_n,
            min_load_n=identity.min_load_n,
            max_ramp_n_per_s=identity.max_ramp_n_per_s,
            simulated=identity.simulated,
        )

    def arm(self, *, ceiling_n: float, floor_n: float) -> None:
        """Bind the rig."""
        identity = self._known()
        number = self._send(
            lambda seq: ArmCommand(
                nonce=self._nonce,
                seq=seq,
                ceiling_n=(ceiling_n,) * identity.cables,
                floor_n=(floor_n,) * identity.cables,
                max_ramp_n_per_s=identity.max_ramp_n_per_s,
                lease_ms=identity.max_lease_ms,
            )
        )
        self._wait_for(lambda: number in self._acks, "the rig did not answer the arming")

    def hold(self, load_n: float, *, ramp_n_per_s: float, for_s: float, move: Move | None = None) -> HoldTrace:
        """Order the load, ask for the movement, and record."""
        before = len(self._frames) - 1
        self._order = order = (load_n, ramp_n_per_s)
        seq = self._load(order)
        self._wait_for(lambda: seq in self._acks, "the rig did not answer a load")
        if move is not None:
            self._ask(move)
            before = len(self._frames) - 1
        end_us = self._frames[before].t_us[-1] + round(for_s * 1e6)
        self._wait_for(
            lambda: self._frames[-1].t_us[-1] >= end_us, "sample frames stopped coming", for_s + self._patience_s
        )
        return _trace(self._frames[before:])

    def release(self) -> None:
        """Unload and let the rig go; then ask for the handle back in its dock."""
        self._order = None
        self._send(lambda seq: ReleaseCommand(nonce=self._nonce, seq=seq))
        deadline_s = time.monotonic() + self._patience_s
        while self._frames[-1].docked is False and time.monotonic() < deadline_s:
            self._ask(Move(0.0, 0.3))
            time.sleep(0.5)


def _trace(frames: list[SampleFrame]) -> HoldTrace:
    """Frames as arrays; the first one only tells the load applied before the others."""
    first, recorded = frames[0], frames[1:]
    cables = range(len(first.cables))

    def column(name: str, cable: int) -> FloatArray:
        values: list[float] = []
        for frame in recorded:
            values += getattr(frame.cables[cable], name) or (np.nan,) * len(frame.t_us)
        return np.array(values, dtype=float)

    return HoldTrace(
        t_s=np.array([t for frame in recorded for t in frame.t_us]) * 1e-6,
        position_m=np.array([column("position_m", k) for k in cables]),
        velocity_m_s=np.array([column("velocity_m_s", k) for k in cables]),
        force_n=np.array([column("force_n", k) for k in cables]),
        told_t_s=np.array([frame.t_us[-1] for frame in frames]) * 1e-6,
        told_n=np.array([frame.applied_n for frame in frames]).T,
    )
