"""A site's reports on its own health, over a real Mosquitto that goes away and comes back."""

from __future__ import annotations

import asyncio
import json
from collections import Counter
from pathlib import Path
from typing import Any

import aiomqtt
import pytest
from structlog.testing import capture_logs

from ebbset.controller.link.settings import BrokerSettings
from ebbset.controller.site import health
from ebbset.controller.site.site_figures import SiteFigures, WorkerFigures
from tests.support.brokers import mosquitto
from tests.support.operators import PATIENCE_S

pytestmark = pytest.mark.broker


async def test_health_is_told_retained_and_again_after_a_loss(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(health, "EVERY_S", 0.1)
    monkeypatch.setattr(health, "AGAIN_S", 0.1)
    reading = {"values": [["ebbset_link_up", [], 1]], "histograms": {}}
    figures = SiteFigures(
        rigs=("a", "b"), workers={"0": WorkerFigures(True, 0.0, Counter(died=2))}, readings={"a": reading}
    )
    with mosquitto(tmp_path) as broker, capture_logs() as lines:
        settings = BrokerSettings(port=broker.port)
        reporting = asyncio.create_task(health.report_health(settings, "hall", lambda: figures))
        try:
            first = await heard(broker.port)
            assert first["healthy"] is False
            assert first["workers"] == {"0": {"up": True, "restarts": 2}}
            assert first["rigs"]["a"] == {"served": True, "link_up": True, "rig_online": False, "set_armed": False}
            assert first["rigs"]["b"]["served"] is False
            broker.stop(without_warning=True)
            async with asyncio.timeout(PATIENCE_S):
                while not any(line["event"] == "health_not_reported" for line in lines):  # noqa: ASYNC110
                    await asyncio.sleep(0.05)
            figures.readings["b"] = reading
            broker.start()
            async with asyncio.timeout(PATIENCE_S):
                while not (later := await heard(broker.port))["healthy"]:
                    pass
            assert later["at_s"] > first["at_s"]
        finally:
            reporting.cancel()
            await asyncio.gather(reporting, return_exceptions=True)


async def heard(port: int) -> dict[str, Any]:
    """What a new client hears at once."""
    async with asyncio.timeout(PATIENCE_S), aiomqtt.Client("127.0.0.1", port) as client:
        await client.subscribe(health.TOPIC.format(site="hall"), qos=1)
        async for message in client.messages:
            assert isinstance(message.payload, bytes)
            return dict(json.loads(message.payload))
    raise AssertionError("nothing was heard")
