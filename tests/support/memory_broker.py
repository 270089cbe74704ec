"""A message broker in memory, for many rigs and their clients in one event loop without sockets.

Has what the wire contract rests on: order on each connection, a delay, retained messages, and wills that are published
when a connection breaks off but not when it is closed. Topics are matched by their whole name only. What a real broker
does besides is tested over Mosquitto.
"""

from __future__ import annotations

import asyncio
import socket
from collections import deque
from collections.abc import AsyncIterator, Callable
from typing import Any, Self

import aiomqtt

from ebbset.controller.link.settings import BrokerSettings

DELAY_S = 0.001
"""From a client to the broker, and from there to another client."""
Sink = Callable[[aiomqtt.Message], None]


class MemoryBroker:
    """Passes messages on between its clients; `new_client` stands where `mqtt_link.new_client` does."""

    def __init__(self) -> None:
        self.retained: dict[str, aiomqtt.Message] = {}
        self.clients: list[MemoryClient] = []

    def new_client(
        self,
        _settings: BrokerSettings,
        _identifier: str,
        *,
        will: aiomqtt.Will | None = None,
        sink: Sink | None = None,
        timeout_s: float = 0.0,  # noqa: ARG002 - this broker always answers
    ) -> MemoryClient:
        """A client of this broker, not yet connected."""
        return MemoryClient(self, will, sink)

    def take(self, topic: str, payload: Any, *, qos: int, retain: bool) -> None:
        """A message arrives at the broker."""
        message = aiomqtt.Message(topic, payload, qos, retain=False, mid=0, properties=None)
        if retain and payload:
            self.retained[topic] = aiomqtt.Message(topic, payload, qos, retain=True, mid=0, properties=None)
        elif retain:
            self.retained.pop(topic, None)
        for client in self.clients:
            if topic in client.topics:
                client.send(message)


class _Line(socket.socket):
    """What a client shows as its socket: shutting it breaks the connection off."""

    def __init__(self, break_off: Callable[[], None]) -> None:
        super().__init__()
        self._break_off = break_off

    def shutdown(self, _how: int) -> None:
        self._break_off()


class MemoryClient:
    """One connection, with those members of `aiomqtt.Client` that ebbset uses."""

    def __init__(self, broker: MemoryBroker, will: aiomqtt.Will | None, sink: Sink | None) -> None:
        self.topics: set[str] = set()
        self._broker = broker
        self._will = will
        self._sink = sink
        self._line = _Line(self.break_off)
        self._on_its_way: deque[aiomqtt.Message] = deque()
        self._arrived: asyncio.Queue[aiomqtt.Message | None] = asyncio.Queue()
        self._broken = False

    # --- as aiomqtt has it ---------------------------------------------------------------------------------------

    async def __aenter__(self) -> Self:
        await asyncio.sleep(2 * DELAY_S)
        self._broker.clients.append(self)
        return self

    async def __aexit__(self, *_error: object) -> None:
        self._leave()
        self._line.close()

    @property
    def _client(self) -> Self:
        return self

    def socket(self) -> socket.socket:
        return self._line

    async def subscribe(self, topic: str, qos: int = 0) -> None:  # noqa: ARG002 - no message is ever lost here
        self.topics.add(topic)
        if topic in self._broker.retained:
            self.send(self._broker.retained[topic])
        await asyncio.sleep(2 * DELAY_S)

    async def publish(self, topic: str, payload: Any, *, qos: int = 0, retain: bool = False, **_more: Any) -> None:
        if self._broken:
            raise aiomqtt.MqttError("the connection is broken")
        loop = asyncio.get_running_loop()
        loop.call_later(DELAY_S, lambda: self._broker.take(topic, payload, qos=qos, retain=retain))
        # At qos 1 the broker confirms.
        await asyncio.sleep(2 * DELAY_S if qos else 0.0)

    @property
    async def messages(self) -> AsyncIterator[aiomqtt.Message]:
        while (message := await self._arrived.get()) is not None:
            yield message
        raise aiomqtt.MqttError("the connection is broken")

    # --- the broker's side ---------------------------------------------------------------------------------------

    def send(self, message: aiomqtt.Message) -> None:
        """Put a message on its way to the client; messages arrive in the order in which they were sent."""
        self._on_its_way.append(message)
        asyncio.get_running_loop().call_later(DELAY_S, self._arrive)

    def _arrive(self) -> None:
        message = self._on_its_way.popleft()
        if self not in self._broker.clients:
            return
        if self._sink is not None:
            self._sink(message)
        else:
            self._arrived.put_nowait(message)

    def break_off(self) -> None:
        """Lose the connection; the broker publishes the will."""
        if not self._leave():
            return
        self._broken = True
        self._arrived.put_nowait(None)
        if self._will is not None:
            will = self._will
            self._broker.take(will.topic, will.payload, qos=will.qos, retain=will.retain)

    def _leave(self) -> bool:
        """Whether it was still connected."""
        if self not in self._broker.clients:
            return False
        self._broker.clients.remove(self)
        return True
