"""A network that misbehaves between one MQTT client and its broker: cut, blocked, slow, duplicating, reordering.

A TCP relay for the fault campaign. It knows just enough of MQTT 3.1.1 (OASIS, 2.2 fixed header, 3.3 PUBLISH) to tell
one packet from the next and to recognise commands to a rig. Never here: what a fault should lead to.
"""

from __future__ import annotations

import asyncio
import contextlib
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Literal

_PUBLISH = 3
Meddling = Literal["none", "delay", "duplicate", "reorder"]


@dataclass(slots=True)
class Relay:
    """One relay; clients connect to ``port`` and reach the broker at ``broker_port``.

    ``up_open`` lets packets from clients pass, ``down_open`` those from the broker. While a direction is closed, its
    packets are held back, as in a stalled network; they are delivered late when it opens again.
    ``bytes_passed`` counts what came in from both.
    """

    broker_port: int
    port: int = 0
    commands: Meddling = "none"
    delay_s: float = 2.0
    bytes_passed: int = 0
    up_open: asyncio.Event = field(default_factory=asyncio.Event)
    down_open: asyncio.Event = field(default_factory=asyncio.Event)
    _server: asyncio.Server | None = None
    _writers: set[asyncio.StreamWriter] = field(default_factory=set)
    _tasks: set[asyncio.Task[None]] = field(default_factory=set)
    _held: bytes | None = None

    async def start(self) -> None:
        """Listen on a free port of this machine."""
        self.up_open.set()
        self.down_open.set()
        self._server = await asyncio.start_server(self._connected, "127.0.0.1", self.port)
        self.port = self._server.sockets[0].getsockname()[1]

    async def stop(self) -> None:
        """Stop listening and break every connection."""
        if self._server is not None:
            self._server.close()
        self.cut()
        for task in list(self._tasks):
            task.cancel()
        await asyncio.gather(*self._tasks, return_exceptions=True)

    def cut(self) -> None:
        """Break every connection without a DISCONNECT."""
        for writer in list(self._writers):
            writer.transport.abort()

    async def _connected(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        try:
            up_reader, up_writer = await asyncio.open_connection("127.0.0.1", self.broker_port)
        except OSError:
            writer.transport.abort()
            return
        self._writers |= {writer, up_writer}
        pumps = (
            self._pump(reader, up_writer, self.up_open, _is_none),
            self._pump(up_reader, writer, self.down_open, _is_command),
        )
        for pump in pumps:
            task = asyncio.create_task(pump)
            self._tasks.add(task)
            task.add_done_callback(self._tasks.discard)

    async def _pump(
        self,
        reader: asyncio.StreamReader,
        writer: asyncio.StreamWriter,
        is_open: asyncio.Event,
        is_command: Callable[[bytes], bool],
    ) -> None:
        with contextlib.suppress(OSError, asyncio.IncompleteReadError):
            while True:
                packet = await _read_packet(reader)
                self.bytes_passed += len(packet)
                await is_open.wait()
                for passed in self._meddle(packet, writer) if is_command(packet) else (packet,):
                    writer.write(passed)
                await writer.drain()
        writer.transport.abort()

    def _meddle(self, packet: bytes, writer: asyncio.StreamWriter) -> tuple[bytes, ...]:
        if self.commands == "duplicate":
            return (packet, packet)
        if self.commands == "delay":
            asyncio.get_running_loop().call_later(self.delay_s, self._write_late, writer, packet)
            return ()
        if self.commands == "reorder":
            if self._held is None:
                self._held = packet
                return ()
            earlier, self._held = self._held, None
            return (packet, earlier)
        return (packet,)

    @staticmethod
    def _write_late(writer: asyncio.StreamWriter, packet: bytes) -> None:
        if not writer.is_closing():
            writer.write(packet)


async def _read_packet(reader: asyncio.StreamReader) -> bytes:
    head = await reader.readexactly(1)
    length, shift = 0, 0
    while True:
        byte = await reader.readexactly(1)
        head += byte
        length |= (byte[0] & 0x7F) << shift
        shift += 7
        if not byte[0] & 0x80:
            break
    return head + await reader.readexactly(length)


def _is_none(_packet: bytes) -> bool:
    """False: in this direction nothing is a command to the rig."""
    return False


def _is_command(packet: bytes) -> bool:
    """True for a PUBLISH to a rig's command topic."""
    return packet[0] >> 4 == _PUBLISH and b"/ctl/command" in packet[:120]
