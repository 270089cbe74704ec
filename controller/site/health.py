"""A site's health as JSON can hold it, and its reports to the site's broker, from where a bridge may pass them on.

Never here: figures, and the page on which health can be asked for.
"""

from __future__ import annotations

import asyncio
import json
import secrets
import time
from collections.abc import Callable
from typing import Any, Final

import aiomqtt
import structlog

from ebbset.controller.link.mqtt_link import new_client
from ebbset.controller.link.settings import BrokerSettings
from ebbset.controller.metrics import definitions as d
from ebbset.controller.site.site_figures import SiteFigures
from ebbset.models.contract.problems import BadDocumentError

TOPIC: Final = "ebbset-site/{site}/health"
"""Beside the topics of rigs, since it is about none of them."""
EVERY_S: Final = 10.0
AGAIN_S: Final = 5.0
_log = structlog.get_logger(__name__)


def health_of(figures: SiteFigures) -> dict[str, Any]:
    """Health as JSON can hold it: a verdict, each rig, each worker.

    Args:
        figures: of the site, now.
    """
    rigs = {}
    for rig in figures.rigs:
        reading = figures.readings.get(rig)
        values = {} if reading is None else {name: value for name, labels, value in reading["values"] if not labels}
        rigs[rig] = {
            "served": reading is not None,
            "link_up": bool(values.get(d.LINK_UP.name)),
            "rig_online": bool(values.get(d.RIG_ONLINE.name)),
            "set_armed": bool(values.get(d.SET_ARMED.name)),
        }
    workers = {name: {"up": worker.up, "restarts": worker.restarts.total()} for name, worker in figures.workers.items()}
    return {"healthy": figures.healthy, "rigs": rigs, "workers": workers}


async def report_health(broker: BrokerSettings, site: str, figures: Callable[[], SiteFigures]) -> None:
    """Publish a site's health, retained, every few seconds until cancelled; a broker that is away is tried again.

    Args:
        broker: of the site.
        site: its name.
        figures: the figures now.
    """
    topic, told = TOPIC.format(site=site), False
    while True:
        try:
            async with new_client(broker, f"ebbset-health-{site}-{secrets.token_hex(4)}") as client:
                told = False
                while True:
                    health = {"at_s": round(time.time(), 3), **health_of(figures())}
                    await client.publish(topic, json.dumps(health).encode(), qos=1, retain=True)
                    await asyncio.sleep(EVERY_S)
        except (aiomqtt.MqttError, OSError, BadDocumentError) as error:
            if not told:
                told = True
                _log.warning("health_not_reported", why=str(error), next="tries again; sets go on")
        await asyncio.sleep(AGAIN_S)
