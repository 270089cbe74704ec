"""Listens to one rig's topics and hands what arrives to a `StreamBridge`, with the layer's time of its arrival.

It subscribes and never publishes. Messages are handed over in the call in which they were read, so that no queue of
ours delays them. A broker that goes away is tried again; the streams stay open meanwhile.
"""

from __future__ import annotations

import asyncio
import secrets
from collections.abc import Callable
from typing import Final

import aiomqtt
import structlog

from ebbset.console.live.operator_client import no_broker, payload_of
from ebbset.console.streams.stream_bridge import HEARD, StreamBridge
from ebbset.controller.link.mqtt_link import new_client
from ebbset.controller.link.settings import BrokerSettings

AGAIN_AFTER_S: Final = 1.0
_log = structlog.get_logger(__name__)


async def observe(
    broker: BrokerSettings,
    rig: str,
    bridge: StreamBridge,
    clock_s: Callable[[], float],
    *,
    listening: Callable[[], None] = lambda: None,
) -> None:
    """Observe until cancelled.

    Args:
        broker: where to listen.
        rig: whose topics.
        bridge: gets every message.
        clock_s: the layer's clock, seconds.
        listening: called each time that the subscriptions are in place.

    Raises:
        CommandError: the broker cannot be reached at the first try.
    """
    topics = {topic.path(rig): topic for topic in HEARD}

    def sink(message: aiomqtt.Message) -> None:
        arrival_s = clock_s()
        topic = topics.get(message.topic.value)
        if topic is not None:
            bridge.take(topic, payload_of(message), arrival_s)

    first = True
    while True:
        try:
            async with new_client(broker, f"ebbset-stream-{secrets.token_hex(4)}", sink=sink) as client:
                # Frames as fast as they come, and every report once.
                await client.subscribe([(path, 0 if path.endswith("/frame") else 1) for path in topics])
                first = False
                listening()
                async for _ in client.messages:
                    pass  # `sink` gets them; this waits for the end of the connection
        except aiomqtt.MqttError as error:
            if first:
                raise no_broker(broker, error) from None
            _log.warning("stream_lost_broker", error=str(error), next=f"tries again after {AGAIN_AFTER_S:g} s")
        await asyncio.sleep(AGAIN_AFTER_S)
