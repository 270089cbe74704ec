"""Saying once, at the start, who else could command this rig: a broker that is read on the way, or lets anybody in.

Never here: refusing to serve. The settings may ask for it, and a bench on one machine has good reasons.
"""

from __future__ import annotations

import secrets
from typing import Final

import aiomqtt
import structlog
from aiomqtt.exceptions import MqttConnectError

from ebbset.controller.link.mqtt_link import Link, new_client
from ebbset.controller.link.settings import BrokerSettings
from ebbset.models.contract.problems import BadDocumentError

_DANGER: Final = "whoever reaches this broker can arm, load and stop this rig"
_log = structlog.get_logger(__name__)


async def lets_anybody_in(broker: BrokerSettings) -> bool | None:
    """Whether the broker takes a client without a name; None when it gave no answer to tell by.

    Args:
        broker: one that can be reached.
    """
    try:
        async with new_client(broker, f"ebbset-probe-{secrets.token_hex(4)}", anonymous=True):
            return True
    except MqttConnectError:
        return False
    except (aiomqtt.MqttError, OSError, BadDocumentError):
        return None


async def tell_exposure(broker: BrokerSettings, rig: str, link: Link) -> None:
    """Log once what the settings and the broker leave open; returns when that is known.

    Args:
        broker: the broker of the settings.
        rig: the rig that is served.
        link: its connection; the broker is asked once that has stood.
    """
    # On one machine a broker without names is a bench; elsewhere it is a door.
    tell = _log.warning if broker.is_loopback else _log.error
    if not broker.is_loopback and not broker.uses_tls:
        tell(
            "broker_not_encrypted",
            rig=rig,
            host=broker.host,
            danger="whoever is on the way can read and change every command",
            mend="broker.tls = true, and a certificate for the broker",
        )
    await link.stood.wait()
    if await lets_anybody_in(broker):
        tell(
            "broker_open_to_anybody",
            rig=rig,
            host=broker.host,
            danger=_DANGER,
            mend="names, passwords and an access list at the broker (safety.md, section 7)",
        )
