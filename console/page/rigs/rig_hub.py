"""The page's one MQTT connection: it finds rigs, keeps what they say, and carries what people ask.

The page is one more client: it takes part in nothing, and no set depends on it. Rigs are found from what the broker
keeps under ``ebbset/v1/+/``. When the connection is lost, nothing that was heard counts as current.
"""

from __future__ import annotations

import asyncio
import re
import secrets
import time
from collections.abc import Callable
from typing import Final

import aiomqtt
import structlog

from ebbset.console.live.live_view import HEARD
from ebbset.console.live.operator_client import payload_of
from ebbset.console.page.rigs.orders import KnownOrders
from ebbset.console.page.rigs.rig_watch import RigWatch
from ebbset.controller.link.mqtt_link import new_client, until_closed
from ebbset.controller.link.settings import BrokerSettings
from ebbset.models.contract.field_types import RIG_PATTERN
from ebbset.models.contract.operator_messages import OperatorRequest
from ebbset.models.contract.problems import BadDocumentError
from ebbset.models.contract.wire import TOPIC_ROOT, Topic

MOST_RIGS: Final = 64
"""Whoever may publish could invent rigs without end."""
BACKOFF_FIRST_S: Final = 0.2
BACKOFF_LAST_S: Final = 2.0
_LONGEST_NAME: Final = 64
_TOPICS: Final = {topic.value: topic for topic in (*HEARD, Topic.ANSWER)}
_WANTED: Final = [(f"{TOPIC_ROOT}/+/{name}", 0 if topic is Topic.FRAME else 1) for name, topic in _TOPICS.items()]
_RIG: Final = re.compile(RIG_PATTERN)
_log = structlog.get_logger(__name__)


class RigHub:
    """All rigs at one broker.

    Args:
        broker: where.
        orders: prescriptions that the page knows.
        now_s: clock of the page, s.

    Attributes:
        watches: rigs by name.
        connected: whether the connection stands.
        listeners: called with a rig's name when something about it arrived, and with None when the connection came or
            went.
    """

    def __init__(
        self, broker: BrokerSettings, orders: KnownOrders, *, now_s: Callable[[], float] = time.monotonic
    ) -> None:
        self.broker = broker
        self.orders = orders
        self.now_s = now_s
        self.watches: dict[str, RigWatch] = {}
        self.connected = False
        self.listeners: set[Callable[[str | None], None]] = set()
        self._client: aiomqtt.Client | None = None
        self._full = False

    async def run(self) -> None:
        """Listen until cancelled; connect again whenever the connection is lost."""
        backoff_s = BACKOFF_FIRST_S
        while True:
            try:
                client = new_client(self.broker, f"ebbset-page-{secrets.token_hex(4)}", sink=self._arrived)
                async with client:
                    await client.subscribe(_WANTED)
                    self._client, backoff_s = client, BACKOFF_FIRST_S
                    self._connection(stands=True)
                    await until_closed(client)
            except (aiomqtt.MqttError, OSError, BadDocumentError) as error:
                # A file of credentials or certificates that has vanished may come back.
                if self.connected:
                    _log.warning("broker_lost", error=str(error))
            finally:
                self._client = None
                if self.connected:
                    self._connection(stands=False)
            await asyncio.sleep(backoff_s)
            backoff_s = min(2 * backoff_s, BACKOFF_LAST_S)

    async def until_connected(self) -> None:
        """Wait until the connection stands and everything that the page wants is subscribed to."""
        stands = asyncio.Event()

        def hear(_rig: str | None) -> None:
            if self.connected:
                stands.set()

        self.listeners.add(hear)
        try:
            hear(None)
            await stands.wait()
        finally:
            self.listeners.discard(hear)

    async def publish(self, rig: str, request: OperatorRequest) -> None:
        """Send a request over the standing connection.

        Args:
            rig: whom.
            request: what.

        Raises:
            aiomqtt.MqttError: there is no connection, or it broke.
        """
        if self._client is None:
            raise aiomqtt.MqttError("no connection to the broker")
        await self._client.publish(Topic.REQUEST.path(rig), request.model_dump_json(), qos=1)

    def _connection(self, *, stands: bool) -> None:
        self.connected = stands
        for watch in self.watches.values():
            watch.connection_lost()
        self._tell(None)

    def _arrived(self, message: aiomqtt.Message) -> None:
        self.take(message.topic.value, payload_of(message), retained=message.retain)

    def take(self, path: str, payload: bytes, *, retained: bool) -> None:
        """Take one message into account; anything that is none of the contract's is ignored.

        Args:
            path: the whole topic.
            payload: its bytes.
            retained: the broker kept it, so nothing is known of its age.
        """
        parts = path.split("/", 3)
        if len(parts) != 4:
            return
        rig, topic = parts[2], _TOPICS.get(parts[3])
        if topic is None or len(rig) > _LONGEST_NAME or not _RIG.match(rig):
            return
        watch = self.watches.get(rig)
        known = watch is not None
        if watch is None:
            if len(self.watches) >= MOST_RIGS:
                if not self._full:
                    self._full = True
                    _log.error("too_many_rigs", rig=rig, allowed=MOST_RIGS)
                return
            watch = RigWatch(rig)
        if not watch.take(topic, payload, self.now_s(), retained=retained, orders=self.orders.by_digest):
            return
        if not known:
            self.watches[rig] = watch
            self._tell(None)
        self._tell(rig)

    def _tell(self, rig: str | None) -> None:
        for listener in tuple(self.listeners):
            listener(rig)
