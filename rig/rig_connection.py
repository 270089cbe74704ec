"""A rig's connection: a fresh MQTT client each time, a will, a retained identity, and a pause that grows.

The rig never waits for the network: what it sends goes through two bounded queues that drop the oldest and count. The
client is made here and not taken from the controller's link, so that rig and conformance kit share no code.
"""

from __future__ import annotations

import asyncio
import contextlib
import json
import secrets
import socket
import ssl
from collections import deque
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any, Final, Literal, Protocol, cast

import aiomqtt
import structlog
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties

from ebbset.models.contract.constants import KEEPALIVE_S
from ebbset.models.contract.problems import BadDocumentError
from ebbset.models.contract.wire import MAX_PAYLOAD_BYTES, Topic

BACKOFF_S: Final = (0.25, 0.5, 1.0, 2.0, 5.0)
FRAMES_QUEUED: Final = 64
ANSWERS_QUEUED: Final = 256
_EXPIRY_S: Final = 2
_CALL_TIMEOUT_S: Final = 2.0
_MOST_UNREAD: Final = 1_000


class RigCredentials(Protocol):
    """User name and password for the broker."""

    @property
    def username(self) -> str:
        """As the broker knows the rig."""

    @property
    def password(self) -> str:
        """Never logged."""


class RigBroker(Protocol):
    """Where a rig connects and how; `BrokerSettings` of the controller's link is one."""

    @property
    def host(self) -> str:
        """Name or address of the machine."""

    @property
    def resolved_port(self) -> int:
        """The port to connect to."""

    @property
    def protocol(self) -> Literal["3.1.1", "5"]:
        """Version of MQTT."""

    def credentials(self) -> RigCredentials | None:
        """Asked for at every connection; None where the broker wants none."""

    def tls_context(self) -> ssl.SSLContext | None:
        """Asked for at every connection; None without TLS."""


@dataclass(slots=True)
class Outgoing:
    """A bounded queue that drops its oldest entry and counts what it dropped."""

    limit: int
    messages: deque[tuple[Topic, bytes]] = field(default_factory=deque)
    ready: asyncio.Event = field(default_factory=asyncio.Event)
    dropped: int = 0

    def put(self, topic: Topic, content: dict[str, Any]) -> None:
        """Queue a message.

        Args:
            topic: where it goes.
            content: ready for JSON.
        """
        if len(self.messages) >= self.limit:
            self.messages.popleft()
            self.dropped += 1
        self.messages.append((topic, json.dumps(content).encode()))
        self.ready.set()

    async def take(self) -> tuple[Topic, bytes]:
        """Wait for the oldest message and take it."""
        while not self.messages:
            self.ready.clear()
            await self.ready.wait()
        return self.messages.popleft()


@dataclass(frozen=True, slots=True)
class Callbacks:
    """What a connection asks of its rig.

    Attributes:
        identity: the identity message, online or not, ready for JSON.
        command: gets every payload on the command topic.
    """

    identity: Callable[[bool], dict[str, Any]]
    command: Callable[[bytes], None]


class RigConnection:
    """Keeps one rig connected.

    Args:
        rig: name of the rig.
        broker: where it connects and how.
        callbacks: the rig.

    Attributes:
        frames: telemetry on its way out.
        answers: everything else on its way out.
    """

    def __init__(self, rig: str, broker: RigBroker, callbacks: Callbacks) -> None:
        self.frames = Outgoing(FRAMES_QUEUED)
        self.answers = Outgoing(ANSWERS_QUEUED)
        self._rig = rig
        self._broker = broker
        self._callbacks = callbacks
        self._client: aiomqtt.Client | None = None
        self._command_topic = Topic.COMMAND.path(rig)
        self._log = structlog.get_logger(__name__).bind(rig=rig)

    async def run(self, stop: asyncio.Event) -> None:
        """Stay connected until ``stop`` is set, with a pause that grows while the broker is away."""
        failures = 0
        while not stop.is_set():
            try:
                identifier = f"ebbset-rig-{self._rig}-{secrets.token_hex(4)}"
                async with new_client(self._broker, identifier, will=self._will()) as client:
                    failures = 0
                    self._client = client
                    self._log.info("connected", host=self._broker.host, port=self._broker.resolved_port)
                    await self._serve(client, stop)
            except (aiomqtt.MqttError, OSError, BadDocumentError) as error:
                # BadDocumentError: a file with credentials or certificates that has vanished may come back.
                if failures == 0:
                    self._log.warning("not_connected", why=str(error)[:200] or type(error).__name__)
                pause_s = BACKOFF_S[min(failures, len(BACKOFF_S) - 1)]
                failures += 1
                with contextlib.suppress(TimeoutError):
                    await asyncio.wait_for(stop.wait(), pause_s)
            finally:
                self._client = None

    def break_off(self) -> None:
        """Lose the connection without a DISCONNECT, and everything that waits to be sent."""
        self.frames.messages.clear()
        self.answers.messages.clear()
        if self._client is not None:
            # aiomqtt has no call for a connection that breaks, so the socket under it is shut.
            link = self._client._client.socket()  # noqa: SLF001, RUF100
            if isinstance(link, socket.socket):
                with contextlib.suppress(OSError):
                    link.shutdown(socket.SHUT_RDWR)

    def _will(self) -> aiomqtt.Will | None:
        return aiomqtt.Will(Topic.IDENTITY.path(self._rig), self._identity(online=False), qos=1, retain=True)

    async def _subscribe(self, client: aiomqtt.Client) -> None:
        await client.subscribe(self._command_topic, qos=0)

    async def _serve(self, client: aiomqtt.Client, stop: asyncio.Event) -> None:
        await self._subscribe(client)
        await self._announce(client, online=True)
        tasks = {
            asyncio.create_task(self._listen(client)),
            asyncio.create_task(self._send(client, self.frames, qos=0)),
            asyncio.create_task(self._send(client, self.answers, qos=1)),
            asyncio.create_task(stop.wait()),
        }
        try:
            done, _ = await asyncio.wait(tasks, return_when=asyncio.FIRST_COMPLETED)
            for task in done:
                task.result()
            if stop.is_set():
                # What happened last, a fault above all, goes out before the rig says that it is gone.
                while self.answers.messages:
                    await self._publish(client, *self.answers.messages.popleft(), qos=1)
                await self._announce(client, online=False)
        finally:
            for task in tasks:
                task.cancel()
            await asyncio.gather(*tasks, return_exceptions=True)

    async def _announce(self, client: aiomqtt.Client, *, online: bool, retain: bool = True) -> None:
        await client.publish(Topic.IDENTITY.path(self._rig), self._identity(online=online), qos=1, retain=retain)

    async def _listen(self, client: aiomqtt.Client) -> None:
        """Hand on what arrives until the connection is lost, which raises."""
        async for message in client.messages:
            payload = message.payload if isinstance(message.payload, bytes) else str(message.payload or "").encode()
            if message.retain:
                # A retained command would be sent to the rig at every connection; it was never meant for now.
                self._log.warning("retained_message_ignored", topic=message.topic.value)
            else:
                self._arrived(message.topic.value, payload)

    def _arrived(self, topic: str, payload: bytes) -> None:
        if topic == self._command_topic:
            self._callbacks.command(payload)

    async def _send(self, client: aiomqtt.Client, queue: Outgoing, *, qos: int) -> None:
        while True:
            topic, payload = await queue.take()
            await self._publish(client, topic, payload, qos=qos)

    async def _publish(self, client: aiomqtt.Client, topic: Topic, payload: bytes, *, qos: int) -> None:
        properties = None
        if self._broker.protocol == "5":
            properties = Properties(PacketTypes.PUBLISH)  # type: ignore[no-untyped-call]
            properties.MessageExpiryInterval = _EXPIRY_S
        await client.publish(topic.path(self._rig), payload, qos=qos, properties=properties)

    def _identity(self, *, online: bool) -> bytes:
        return json.dumps(self._callbacks.identity(online)).encode()


def new_client(broker: RigBroker, identifier: str, *, will: aiomqtt.Will | None) -> aiomqtt.Client:
    """A client for one connection, clean session, not yet connected.

    Args:
        broker: where to connect and how.
        identifier: client identifier, new for every connection.
        will: published by the broker when the connection is lost.
    """
    credentials, v5 = broker.credentials(), broker.protocol == "5"
    properties = None
    if v5:
        properties = Properties(PacketTypes.CONNECT)  # type: ignore[no-untyped-call]
        properties.MaximumPacketSize = 2 * MAX_PAYLOAD_BYTES
    return aiomqtt.Client(
        broker.host,
        broker.resolved_port,
        identifier=identifier,
        username=None if credentials is None else credentials.username,
        password=None if credentials is None else credentials.password,
        protocol=aiomqtt.ProtocolVersion.V5 if v5 else aiomqtt.ProtocolVersion.V311,
        clean_session=None if v5 else True,
        clean_start=cast("Any", True) if v5 else 3,
        properties=properties,
        will=will,
        keepalive=KEEPALIVE_S,
        timeout=_CALL_TIMEOUT_S,
        tls_context=broker.tls_context(),
        max_queued_incoming_messages=_MOST_UNREAD,
        # Otherwise small messages wait tens of milliseconds for each other.
        socket_options=[(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)],
    )
