"""Takes reports of sites from the centre's broker into a store: each at least once from the broker, each once in it.

The broker keeps what arrives for this client's name while it is away (a persistent session, QoS 1), and a message is
acknowledged only after the transaction that holds it has been committed. So whoever fails in between (this program, the
database, the broker, the network) leads to a message that comes again, which changes nothing. While the database cannot
be used, nothing is acknowledged, and the broker stops sending after its window of unacknowledged messages.
Never here: what a message means.
"""

from __future__ import annotations

import queue
import threading
import time
from collections import Counter
from collections.abc import Callable
from typing import Any, Final

import paho.mqtt.client as mqtt
import structlog
from paho.mqtt.enums import CallbackAPIVersion
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties

from ebbset.coaching.collecting.site_reports import SUBSCRIPTIONS, BadReportError, read_report
from ebbset.coaching.history.databases import StoreError
from ebbset.coaching.history.rows.report_rows import SiteReport
from ebbset.coaching.history.store import HistoryStore
from ebbset.controller.link.settings import BrokerSettings

MOST_AT_ONCE: Final = 500
"""Messages in one transaction."""
MOST_WAITING: Final = 10_000
"""Messages in memory; a broker sends no more than its window, which is 20 when its settings say nothing."""
KEEPALIVE_S: Final = 30
AGAIN_FIRST_S: Final = 0.5
AGAIN_LAST_S: Final = 30.0
TOLD_EVERY_S: Final = 60.0
_LOOK_S: Final = 0.2
_FOREVER_S: Final = 0xFFFF_FFFF
_log = structlog.get_logger(__name__)


class Collector:
    """Gathers reports until it is stopped.

    Args:
        broker: the centre's.
        store: where reports go.
        name: under which the broker keeps messages for this program; no two programs may use one.
        now_s: the epoch's seconds now.

    Attributes:
        counts: messages by what became of them: ``new``, ``known``, ``refused``, ``health``.

    Raises:
        BadDocumentError: certificates or credentials cannot be read.
    """

    def __init__(
        self, broker: BrokerSettings, store: HistoryStore, name: str, now_s: Callable[[], float] = time.time
    ) -> None:
        self._broker = broker
        self._store = store
        self._now_s = now_s
        self._arrived: queue.Queue[tuple[int, mqtt.MQTTMessage]] = queue.Queue(MOST_WAITING)
        self._connection = 0
        self._stop = threading.Event()
        self.counts: Counter[str] = Counter()
        self._client = self._new_client(name)

    def stop(self) -> None:
        """End after what is being written; the rest comes again next time."""
        self._stop.set()

    def run(self) -> None:
        """Gather until `stop`."""
        self._client.connect_async(self._broker.host, self._broker.resolved_port, KEEPALIVE_S, **self._session())
        self._client.loop_start()
        told_s = time.monotonic()
        try:
            while not self._stop.is_set():
                if batch := self._take():
                    self._write(batch)
                if time.monotonic() - told_s >= TOLD_EVERY_S:
                    told_s = time.monotonic()
                    _log.info("collected", **self.counts)
        finally:
            self._client.disconnect()
            self._client.loop_stop()

    # --- the broker -----------------------------------------------------------------------------------------------

    def _new_client(self, name: str) -> mqtt.Client:
        v5 = self._broker.protocol == "5"
        client = mqtt.Client(
            CallbackAPIVersion.VERSION2,
            client_id=name,
            clean_session=None if v5 else False,
            protocol=mqtt.MQTTv5 if v5 else mqtt.MQTTv311,
            manual_ack=True,
        )
        client.on_connect = self._connected
        client.on_disconnect = self._disconnected
        client.on_subscribe = self._subscribed
        client.on_message = self._message
        client.reconnect_delay_set(1, round(AGAIN_LAST_S))
        credentials = self._broker.credentials()
        if credentials is not None:
            client.username_pw_set(credentials.username, credentials.password)
        if (context := self._broker.tls_context()) is not None:
            client.tls_set_context(context)
        return client

    def _session(self) -> dict[str, Any]:
        """On MQTT 5 a session is kept only for as long as one says."""
        if self._broker.protocol != "5":
            return {}
        properties = Properties(PacketTypes.CONNECT)  # type: ignore[no-untyped-call]
        properties.SessionExpiryInterval = _FOREVER_S
        return {"clean_start": False, "properties": properties}

    def _connected(self, client: mqtt.Client, _data: Any, _flags: Any, reason: Any, _properties: Any) -> None:
        if reason.is_failure:
            _log.error("broker_refuses", why=str(reason), next="tries again")
            return
        self._connection += 1
        client.subscribe([(topic, 1) for topic in SUBSCRIPTIONS])

    def _subscribed(self, _client: mqtt.Client, _data: Any, _mid: int, reasons: Any, _properties: Any) -> None:
        refused = [str(reason) for reason in reasons if reason.is_failure]
        if refused:
            _log.error("broker_refuses", why=refused[0], allowed="a user who may read everything below `sites/`")
        else:
            _log.info("collecting", host=self._broker.host)

    def _disconnected(self, _client: mqtt.Client, _data: Any, _flags: Any, reason: Any, _properties: Any) -> None:
        if not self._stop.is_set():
            _log.warning("broker_lost", why=str(reason), next="tries again; the broker keeps what arrives")

    def _message(self, _client: mqtt.Client, _data: Any, message: mqtt.MQTTMessage) -> None:
        while not self._stop.is_set():
            try:
                self._arrived.put((self._connection, message), timeout=_LOOK_S)
            except queue.Full:
                continue
            return

    # --- the store ------------------------------------------------------------------------------------------------

    def _take(self) -> list[tuple[int, mqtt.MQTTMessage]]:
        """What waits, at most so much at once; empty when nothing came for a moment."""
        batch: list[tuple[int, mqtt.MQTTMessage]] = []
        try:
            batch.append(self._arrived.get(timeout=_LOOK_S))
            while len(batch) < MOST_AT_ONCE:
                batch.append(self._arrived.get_nowait())
        except queue.Empty:
            pass
        return batch

    def _write(self, batch: list[tuple[int, mqtt.MQTTMessage]]) -> None:
        """Write a batch, however long the store cannot be used, then acknowledge it."""
        reports = [report for _, message in batch if (report := self._read(message)) is not None]
        delay_s = AGAIN_FIRST_S
        while True:
            try:
                new = self._store.add_reports(reports)
                break
            except StoreError as error:
                _log.error("store_not_usable", why=str(error), again_after_s=delay_s, next="the broker keeps the rest")
                if self._stop.wait(delay_s):
                    return
                delay_s = min(delay_s * 2.0, AGAIN_LAST_S)
        of_sets = sum(report.report is not None for report in reports)
        self.counts.update(
            {
                "new": new,
                "known": of_sets - new,
                "health": len(reports) - of_sets,
                "refused": len(batch) - len(reports),
            }
        )
        for connection, message in batch:
            # What came over an earlier connection comes again over this one, and is acknowledged then.
            if connection == self._connection:
                self._client.ack(message.mid, message.qos)

    def _read(self, message: mqtt.MQTTMessage) -> SiteReport | None:
        try:
            return read_report(message.topic, bytes(message.payload), self._now_s())
        except BadReportError as error:
            # Acknowledged all the same: it would be no better the next time.
            _log.warning("report_refused", why=str(error))
            return None
