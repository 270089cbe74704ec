"""The MQTT link: one broker, one rig, a fresh client for every connection. Never here: decisions, files.

How it keeps the contract:

* Every connection is a new client with a clean session that subscribes again. Nothing of an old connection acts in a
  new one; the core receives `LinkDown` and `LinkUp` and comes back un-armed.
* Commands are sent at QoS 0 and never retained. A command that is late is worse than one that is lost: at QoS 0 the
  broker keeps none for a rig that is away and repeats none after a reconnection, the next renewal replaces a lost
  one, and the rig's lease covers the loss of all. Answers, decisions, repetitions and results go at QoS 1, since
  nothing repeats them; state goes at QoS 0, retained, since the next one replaces it.
* A command that can't be handed to the network at once breaks the connection instead of waiting.
* The last will says ``offline`` on the state topic, retained.
* On MQTT 5, and only on top of that: commands expire at the broker with their lease, carry nonce and version as user
  properties, and reason codes are logged by name; larger packets than any of ours are not sent to us.
"""

from __future__ import annotations

import asyncio
import contextlib
import functools
import math
import socket
from collections import Counter
from collections.abc import Callable
from importlib.metadata import PackageNotFoundError, version
from typing import Any, Final, cast

import aiomqtt
import numpy as np
import structlog
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties

from ebbset.controller.link.inbox import Inbox
from ebbset.controller.link.outbox import Outbox
from ebbset.controller.link.settings import BrokerSettings
from ebbset.controller.messages.events import LinkDown, LinkUp
from ebbset.models.contract.constants import KEEPALIVE_S
from ebbset.models.contract.problems import BadDocumentError
from ebbset.models.contract.wire import Topic

CALL_TIMEOUT_S: Final = 2.0
COMMAND_TIMEOUT_S: Final = 0.25
BACKOFF_FIRST_S: Final = 0.2
BACKOFF_LAST_S: Final = 5.0
_MAX_QUEUED: Final = 10_000
_MAX_PACKET_BYTES: Final = 2 * 1024 * 1024
_SUBSCRIPTIONS: Final = (
    (Topic.IDENTITY, 1),
    (Topic.FRAME, 0),
    (Topic.REPETITION, 1),
    (Topic.EVENT, 1),
    (Topic.ACK, 1),
    (Topic.REQUEST, 1),
)
_log = structlog.get_logger(__name__)


class _Diversion(asyncio.Queue[aiomqtt.Message]):
    """Replaces the client's own queue: keeps nothing and passes each message on in the same call."""

    def __init__(self, sink: Callable[[aiomqtt.Message], None], maxsize: int = 0) -> None:
        super().__init__(maxsize)
        self._sink = sink

    def put_nowait(self, item: aiomqtt.Message) -> None:
        self._sink(item)


def new_client(
    broker: BrokerSettings,
    identifier: str,
    *,
    will: aiomqtt.Will | None = None,
    sink: Callable[[aiomqtt.Message], None] | None = None,
    timeout_s: float = CALL_TIMEOUT_S,
    anonymous: bool = False,
) -> aiomqtt.Client:
    """A client for one connection, clean session, not yet connected.

    Args:
        broker: where to connect and how.
        identifier: client identifier, new for every connection.
        will: published by the broker when the connection is lost.
        sink: gets each message in the call in which it was read; the client then keeps no queue.
        timeout_s: how long the broker may take to answer one call.
        anonymous: give no name, whatever the settings say.

    Raises:
        BadDocumentError: certificates or credentials cannot be read.
    """
    credentials = None if anonymous else broker.credentials()
    v5 = broker.protocol == "5"
    properties = None
    if v5:
        properties = Properties(PacketTypes.CONNECT)  # type: ignore[no-untyped-call]
        properties.MaximumPacketSize = _MAX_PACKET_BYTES
    queue_type: Any = None if sink is None else functools.partial(_Diversion, sink)
    return aiomqtt.Client(
        broker.host,
        broker.resolved_port,
        identifier=identifier,
        username=credentials.username if credentials is not None else None,
        password=credentials.password if credentials is not None else None,
        protocol=aiomqtt.ProtocolVersion.V5 if v5 else aiomqtt.ProtocolVersion.V311,
        clean_session=None if v5 else True,
        clean_start=cast("Any", True) if v5 else 3,
        properties=properties,
        will=will,
        keepalive=KEEPALIVE_S,
        timeout=timeout_s,
        tls_context=broker.tls_context(),
        queue_type=queue_type,
        max_queued_incoming_messages=_MAX_QUEUED,
        socket_options=[(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)],
    )


class Link:
    """Keeps one rig's connection.

    Args:
        broker: where.
        rig: the rig's name.
        inbox: where messages and the link's own events go.
        now_us: the controller's monotonic clock, microseconds.
        rng: draws client identifiers and the jitter of the backoff.
        offline: payload of the state topic that says this controller is gone.
        fallback_unload: gives the payload of a command to send when a defect of ours ends the link, or None.

    Attributes:
        stood: set once there has been a connection.
    """

    def __init__(
        self,
        broker: BrokerSettings,
        rig: str,
        inbox: Inbox,
        *,
        now_us: Callable[[], int],
        rng: np.random.Generator,
        offline: bytes,
        fallback_unload: Callable[[], bytes | None] = lambda: None,
    ) -> None:
        self._broker = broker
        self._rig = rig
        self._inbox = inbox
        self._now_us = now_us
        self._rng = rng
        self._offline = offline
        self._fallback_unload = fallback_unload
        self._client: aiomqtt.Client | None = None
        self._broken: asyncio.Future[None] | None = None
        self.dropped: Counter[str] = Counter()
        self._outbox = Outbox(rig, self.dropped)
        self._reports_wake = asyncio.Event()
        self._idle = asyncio.Event()
        self._idle.set()
        self._command_topic = Topic.COMMAND.path(rig)
        self._properties: tuple[tuple[str, int], Properties | None] = (("", 0), None)
        self.connections = 0
        self.stood = asyncio.Event()

    @property
    def up(self) -> bool:
        """There is a connection."""
        return self._client is not None

    # --- sending ------------------------------------------------------------------------------------------------

    async def command(self, payload: bytes, *, nonce: str, lease_ms: int) -> bool:
        """Send one command now or not at all.

        Args:
            payload: the command as JSON.
            nonce: nonce of its set, for the user properties of MQTT 5.
            lease_ms: its lease; on MQTT 5 it expires at the broker after that.

        Returns:
            Whether it went out.
        """
        client = self._client
        if client is None:
            self.dropped["command_without_link"] += 1
            return False
        try:
            await client.publish(
                self._command_topic,
                payload,
                qos=0,
                properties=self._command_properties(nonce, lease_ms),
                timeout=COMMAND_TIMEOUT_S,
            )
        except aiomqtt.MqttError as error:
            self.dropped["command_not_sent"] += 1
            self._break(f"a command could not be sent within {COMMAND_TIMEOUT_S:g} s: {error}")
            return False
        return True

    def report(self, topic: Topic, payload: bytes) -> None:
        """Queue a report; unlike commands, reports wait for a link.

        Args:
            topic: a report's topic.
            payload: the report as JSON.
        """
        self._outbox.put(topic, payload)
        self._idle.clear()
        self._reports_wake.set()

    async def drain(self, timeout_s: float) -> bool:
        """Wait until every report is out; False when that took longer than ``timeout_s``."""
        try:
            await asyncio.wait_for(self._idle.wait(), timeout_s)
        except TimeoutError:
            return False
        return True

    # --- connecting ---------------------------------------------------------------------------------------------

    async def run(self) -> None:
        """Connect and reconnect until cancelled; publishes the offline state when cancelled while connected."""
        failures, told = 0, ""
        while True:
            before = self.connections
            try:
                await self._connection()
                why = "the broker closed the connection"
            except (aiomqtt.MqttError, OSError, BadDocumentError) as error:
                # BadDocumentError: a credentials or certificate file that has vanished since the start may come back.
                why = str(error) or type(error).__name__
            if self.connections > before:
                failures = 0
                told = ""
                _log.warning("link_down", rig=self._rig, why=why)
            elif why != told:
                told = why
                _log.error(
                    "broker_unreachable",
                    rig=self._rig,
                    host=self._broker.host,
                    port=self._broker.resolved_port,
                    why=why,
                    next="retrying, no set can be armed",
                )
            delay_s = min(BACKOFF_FIRST_S * 2**failures, BACKOFF_LAST_S) * float(self._rng.uniform(0.5, 1.0))
            failures = min(failures + 1, 10)
            await asyncio.sleep(delay_s)

    async def _connection(self) -> None:
        identifier = f"ebbset-{self._rig}-{int(self._rng.integers(2**40)):010x}"
        will = aiomqtt.Will(Topic.STATE.path(self._rig), self._offline, qos=1, retain=True)
        client = new_client(self._broker, identifier, will=will, sink=self._arrived)
        async with client:
            self._broken = asyncio.get_running_loop().create_future()
            self._client = client
            self.connections += 1
            self.stood.set()
            # Before subscribing, since a retained announcement may come with the subscription.
            self._inbox.link(LinkUp(now_us=self._now_us()))
            sender = asyncio.create_task(self._send_reports(client), name="link reports")
            watcher = asyncio.create_task(until_closed(client), name="link watch")
            try:
                await self._subscribe(client)
                facts = {f"dropped_{name}": count for name, count in self.dropped.items()}
                _log.info("link_up", rig=self._rig, host=self._broker.host, protocol=self._broker.protocol, **facts)
                done, _ = await asyncio.wait({sender, watcher, self._broken}, return_when=asyncio.FIRST_COMPLETED)
                for finished in done:
                    finished.result()
            except aiomqtt.MqttError:
                # A lost connection also ends the watcher; wait for it, so that its error is retrieved.
                await asyncio.wait({watcher}, timeout=0.1)
                raise
            except BaseException as end:
                with contextlib.suppress(aiomqtt.MqttError):
                    if isinstance(end, Exception) and (unload := self._fallback_unload()) is not None:
                        await client.publish(self._command_topic, unload, qos=0, timeout=COMMAND_TIMEOUT_S)
                    await client.publish(Topic.STATE.path(self._rig), self._offline, qos=1, retain=True)
                raise
            finally:
                self._client = None
                if not self._broken.cancel():
                    # Reported above, or not the first failure; retrieved either way, else asyncio logs it.
                    self._broken.exception()
                self._inbox.link(LinkDown(now_us=self._now_us()))
                for task in (sender, watcher):
                    task.cancel()
                await asyncio.gather(sender, watcher, return_exceptions=True)

    async def _subscribe(self, client: aiomqtt.Client) -> None:
        wanted = [(topic.path(self._rig), qos) for topic, qos in _SUBSCRIPTIONS]
        codes = cast("list[Any]", await client.subscribe(wanted))
        for (topic, _), code in zip(wanted, codes, strict=True):
            value = code if isinstance(code, int) else int(code.value)
            if value >= 0x80:
                raise aiomqtt.MqttError(f"the broker refuses the subscription to {topic}: {code}")

    async def _send_reports(self, client: aiomqtt.Client) -> None:
        while True:
            report = self._outbox.next()
            if report is None:
                self._idle.set()
                self._reports_wake.clear()
                await self._reports_wake.wait()
                continue
            await client.publish(report.topic, report.payload, qos=report.qos, retain=report.retain)
            self._outbox.done(report)

    def _arrived(self, message: aiomqtt.Message) -> None:
        payload = message.payload
        raw = payload if isinstance(payload, bytes) else str(payload or "").encode()
        self._inbox.message(message.topic.value, raw, retained=message.retain)

    def _break(self, why: str) -> None:
        if self._broken is not None and not self._broken.done():
            self._broken.set_exception(aiomqtt.MqttError(why))

    def _command_properties(self, nonce: str, lease_ms: int) -> Properties | None:
        if self._broker.protocol != "5":
            return None
        key, cached = self._properties
        if key != (nonce, lease_ms) or cached is None:
            cached = expiring_publish(max(1, math.ceil(lease_ms / 1000)))
            cached.UserProperty = [("nonce", nonce), ("ebbset", own_version())]
            self._properties = ((nonce, lease_ms), cached)
        return cached


def expiring_publish(expiry_s: int) -> Properties:
    """Properties of a message that the broker throws away when it is older than this; MQTT 5 only."""
    properties = Properties(PacketTypes.PUBLISH)  # type: ignore[no-untyped-call]
    properties.MessageExpiryInterval = expiry_s
    return properties


async def until_closed(client: aiomqtt.Client) -> None:
    """Wait until a client that has a sink loses its connection.

    Raises:
        aiomqtt.MqttError: the connection is lost.
    """
    # The sink took every message, so the client's own queue yields none.
    async for _ in client.messages:
        raise RuntimeError("a message bypassed the sink")


@functools.cache
def own_version() -> str:
    """Version of the installed package, or ``unknown`` from a bare source tree."""
    try:
        return version("ebbset")
    except PackageNotFoundError:
        return "unknown"
