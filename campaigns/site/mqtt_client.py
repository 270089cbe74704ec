"""A small MQTT 3.1.1 client for load from many rigs: so little work a message that the load does not take the cores.

From the standard (OASIS, MQTT 3.1.1, chapters 2 and 3): connect with a will, subscribe, publish at QoS 0 and 1, take in
publications. Nothing is repeated or kept; when a connection ends, so does its client. Never here: what is said.
"""

from __future__ import annotations

import asyncio
import contextlib
import socket
from collections.abc import Callable
from dataclasses import dataclass
from typing import Final, cast

CONNECT: Final = 1
CONNACK: Final = 2
PUBLISH: Final = 3
PUBACK: Final = 4
SUBSCRIBE: Final = 8
SUBACK: Final = 9
PINGREQ: Final = 12
DISCONNECT: Final = 14
KEEPALIVE_S: Final = 5
_CLEAN_SESSION: Final = 0x02
_WILL_QOS1_RETAINED: Final = 0x04 | 0x08 | 0x20


@dataclass(frozen=True, slots=True)
class LastWill:
    """What the broker publishes, retained, when the connection is lost."""

    topic: str
    payload: bytes


def packet(kind: int, body: bytes, flags: int = 0) -> bytes:
    """A control packet.

    Args:
        kind: its type.
        body: everything after the fixed header.
        flags: the low bits of the first byte.
    """
    length, left = bytearray(), len(body)
    while True:
        left, low = divmod(left, 128)
        length.append(low | (0x80 if left else 0))
        if not left:
            return bytes([kind << 4 | flags]) + bytes(length) + body


def text(value: str) -> bytes:
    """A text with its length before it."""
    data = value.encode()
    return len(data).to_bytes(2) + data


class SmallClient(asyncio.Protocol):
    """One connection.

    Args:
        identifier: of the client.
        arrived: called with topic, payload and whether it was retained, for every publication.
        will: for the broker to publish when the connection is lost.
    """

    def __init__(
        self, identifier: str, arrived: Callable[[str, bytes, bool], None], will: LastWill | None = None
    ) -> None:
        self._identifier = identifier
        self._arrived = arrived
        self._will = will
        self._transport: asyncio.Transport | None = None
        self._data = bytearray()
        self._number = 0
        self._ping: asyncio.TimerHandle | None = None
        self._accepted: asyncio.Future[None] = asyncio.get_running_loop().create_future()
        self.closed = asyncio.Event()
        self.published = 0

    async def connect(self, port: int) -> None:
        """Connect to the broker on this machine.

        Raises:
            OSError: nobody listens there, or the broker refuses.
        """
        await asyncio.get_running_loop().create_connection(lambda: self, "127.0.0.1", port)
        await self._accepted

    @property
    def up(self) -> bool:
        """The broker has accepted the connection, and it stands."""
        return self._accepted.done() and not self.closed.is_set()

    def subscribe(self, *topics: str, qos: int = 1) -> None:
        """Subscribe; the broker's answer is not waited for.

        Args:
            topics: topic filters.
            qos: greatest quality of service wanted.
        """
        self._number = self._number % 65_535 + 1
        body = self._number.to_bytes(2) + b"".join(text(topic) + bytes([qos]) for topic in topics)
        self._write(packet(SUBSCRIBE, body, 0x02))

    def publish(self, topic: str, payload: bytes, *, qos: int = 0, retain: bool = False) -> None:
        """Publish; nothing is repeated.

        Args:
            topic: where.
            payload: what.
            qos: 0 or 1.
            retain: the broker keeps it for later subscribers.
        """
        number = b""
        if qos:
            self._number = self._number % 65_535 + 1
            number = self._number.to_bytes(2)
        self.published += 1
        self._write(packet(PUBLISH, text(topic) + number + payload, qos << 1 | int(retain)))

    def close(self) -> None:
        """End the connection in order, so that the will is not published."""
        self._write(packet(DISCONNECT, b""))
        if self._transport is not None:
            self._transport.close()

    def cut(self) -> None:
        """End the connection as a failing network would."""
        if self._transport is not None:
            self._transport.abort()

    # --- asyncio --------------------------------------------------------------------------------------------------

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        """Say who connects."""
        self._transport = cast("asyncio.Transport", transport)
        connected = transport.get_extra_info("socket")
        connected.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        flags = _CLEAN_SESSION | (_WILL_QOS1_RETAINED if self._will is not None else 0)
        body = text("MQTT") + bytes([4, flags]) + KEEPALIVE_S.to_bytes(2) + text(self._identifier)
        if self._will is not None:
            body += text(self._will.topic) + len(self._will.payload).to_bytes(2) + self._will.payload
        self._write(packet(CONNECT, body))
        self._keep_alive()

    def connection_lost(self, exc: Exception | None) -> None:
        """Remember that it is over."""
        if self._ping is not None:
            self._ping.cancel()
        if not self._accepted.done():
            self._accepted.set_exception(exc or ConnectionResetError("the broker closed the connection"))
        self.closed.set()

    def data_received(self, data: bytes) -> None:
        """Take in whole packets."""
        self._data += data
        while (found := self._next_packet()) is not None:
            self._take(*found)

    def _next_packet(self) -> tuple[int, bytes] | None:
        data, length, shift = self._data, 0, 0
        for at in range(1, min(len(data), 5)):
            length |= (data[at] & 0x7F) << shift
            shift += 7
            if not data[at] & 0x80:
                end = at + 1 + length
                if len(data) < end:
                    return None
                found = data[0], bytes(data[at + 1 : end])
                del data[:end]
                return found
        return None

    def _take(self, first: int, body: bytes) -> None:
        kind = first >> 4
        if kind == PUBLISH:
            topic_end = 2 + int.from_bytes(body[:2])
            at = topic_end
            if first & 0x06:
                self._write(packet(PUBACK, body[at : at + 2]))
                at += 2
            self._arrived(body[2:topic_end].decode(), body[at:], bool(first & 0x01))
        elif kind == CONNACK and not self._accepted.done():
            if body[1]:
                self._accepted.set_exception(ConnectionRefusedError(f"the broker refuses with code {body[1]}"))
            else:
                self._accepted.set_result(None)

    def _keep_alive(self) -> None:
        if self.up:
            self._write(packet(PINGREQ, b""))
        self._ping = asyncio.get_running_loop().call_later(KEEPALIVE_S / 2, self._keep_alive)

    def _write(self, data: bytes) -> None:
        if self._transport is not None and not self._transport.is_closing():
            with contextlib.suppress(OSError):
                self._transport.write(data)
