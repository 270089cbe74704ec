"""A virtual rig's connection: a fresh MQTT client each time, a will, a retained identity, and a pause that grows.

The rig never waits for the network: what it sends goes through two bounded queues that drop the oldest and count. What
arrives is handed on in the call in which it was read.
"""

from __future__ import annotations

import asyncio
import contextlib
import json
import secrets
import socket
from collections import deque
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any, Final

import aiomqtt
import structlog

from ebbset.controller.link.mqtt_link import expiring_publish, new_client, until_closed
from ebbset.controller.link.settings import BrokerSettings
from ebbset.models.contract.wire import Topic
from ebbset.simulators.rig.defects import Defect

BACKOFF_S: Final = (0.25, 0.5, 1.0, 2.0, 5.0)
FRAMES_QUEUED: Final = 64
ANSWERS_QUEUED: Final = 256
_EXPIRY_S: Final = 2


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
        command: gets every command that arrives.
        hands: gets every message on the bench topic; None: it is not subscribed.
    """

    identity: Callable[[bool], dict[str, Any]]
    command: Callable[[bytes], None]
    hands: Callable[[bytes], None] | None


class RigConnection:
    """Keeps one rig connected.

    Args:
        rig: name of the rig.
        broker: where it connects and how.
        callbacks: the rig.
        defect: the one thing that the rig's software does wrong; some concern the connection.

    Attributes:
        frames: telemetry on its way out.
        answers: everything else on its way out.
    """

    def __init__(self, rig: str, broker: BrokerSettings, callbacks: Callbacks, *, defect: Defect | None) -> None:
        self.frames = Outgoing(FRAMES_QUEUED)
        self.answers = Outgoing(ANSWERS_QUEUED)
        self._rig = rig
        self._broker = broker
        self._callbacks = callbacks
        self._defect = defect
        self._client: aiomqtt.Client | None = None
        self._command_topic = Topic.COMMAND.path(rig)
        self._log = structlog.get_logger(__name__).bind(rig=rig)

    async def run(self, stop: asyncio.Event) -> None:
        """Stay connected until ``stop`` is set, with a pause that grows while the broker is away."""
        failures = 0
        while not stop.is_set():
            try:
                async with self._new_client() as client:
                    failures = 0
                    self._client = client
                    self._log.info("connected", host=self._broker.host, port=self._broker.resolved_port)
                    await self._serve(client, stop)
            except (aiomqtt.MqttError, OSError) as error:
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

    def _new_client(self) -> aiomqtt.Client:
        will = aiomqtt.Will(Topic.IDENTITY.path(self._rig), self._identity(online=False), qos=1, retain=True)
        return new_client(
            self._broker,
            f"ebbset-rig-{self._rig}-{secrets.token_hex(4)}",
            will=None if self._defect is Defect.NO_WILL else will,
            sink=self._arrived,
        )

    async def _serve(self, client: aiomqtt.Client, stop: asyncio.Event) -> None:
        await client.subscribe(self._command_topic, qos=0)
        if self._callbacks.hands is not None:
            await client.subscribe(hands_topic(self._rig), qos=1)
        await self._announce(client, online=True)
        tasks = {
            asyncio.create_task(until_closed(client)),
            asyncio.create_task(self._send(client, self.frames, qos=0)),
            asyncio.create_task(self._send(client, self.answers, qos=1)),
            asyncio.create_task(stop.wait()),
        }
        try:
            done, _ = await asyncio.wait(tasks, return_when=asyncio.FIRST_COMPLETED)
            for task in done:
                task.result()
            if stop.is_set():
                await self._announce(client, online=False)
        finally:
            for task in tasks:
                task.cancel()
            await asyncio.gather(*tasks, return_exceptions=True)

    async def _announce(self, client: aiomqtt.Client, *, online: bool) -> None:
        retain = self._defect is not Defect.IDENTITY_NOT_RETAINED
        await client.publish(Topic.IDENTITY.path(self._rig), self._identity(online=online), qos=1, retain=retain)

    def _arrived(self, message: aiomqtt.Message) -> None:
        """Called in the moment in which a message was read."""
        payload = message.payload if isinstance(message.payload, bytes) else str(message.payload or "").encode()
        if message.retain:
            # A retained command would be sent to the rig at every connection; it was never meant for now.
            self._log.warning("retained_message_ignored", topic=message.topic.value)
        elif message.topic.value == self._command_topic:
            self._callbacks.command(payload)
        elif self._callbacks.hands is not None:
            self._callbacks.hands(payload)

    async def _send(self, client: aiomqtt.Client, queue: Outgoing, *, qos: int) -> None:
        properties = expiring_publish(_EXPIRY_S) if self._broker.protocol == "5" else None
        while True:
            topic, payload = await queue.take()
            await client.publish(topic.path(self._rig), payload, qos=qos, properties=properties)

    def _identity(self, *, online: bool) -> bytes:
        return json.dumps(self._callbacks.identity(online)).encode()


def hands_topic(rig: str) -> str:
    """The bench topic of a virtual rig: what tests publish to act as the person at it."""
    return f"ebbset-bench/v1/{rig}/hands"
