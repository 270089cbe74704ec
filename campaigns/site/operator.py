"""One person at every rig of a site: arms, starts and stops sets over one connection, and counts all that is reported.

Everything that any controller publishes passes through here, so this is the far end at which messages are counted.
Never here: rigs.
"""

from __future__ import annotations

import asyncio
import contextlib
import json
import secrets
from collections import Counter, defaultdict
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any, Final

from campaigns.site.mqtt_client import SmallClient
from ebbset.models.contract.wire import TOPIC_ROOT

PATIENCE_S: Final = 30.0
AGAIN_S: Final = 0.3


@dataclass(slots=True)
class RigReports:
    """What was reported of one rig."""

    state: dict[str, Any] = field(default_factory=dict)
    answers: dict[str, dict[str, Any]] = field(default_factory=dict)
    results: dict[str, dict[str, Any]] = field(default_factory=dict)
    decisions: list[dict[str, Any]] = field(default_factory=list)
    counts: Counter[str] = field(default_factory=Counter)
    changed: asyncio.Event = field(default_factory=asyncio.Event)


class SiteOperator:
    """A person with one client for all rigs of a broker on this machine.

    Args:
        port: of the broker.
    """

    def __init__(self, port: int) -> None:
        self._port = port
        self._client: SmallClient | None = None
        self.rigs: dict[str, RigReports] = defaultdict(RigReports)

    async def connect(self) -> None:
        """Connect and listen to all controllers; again after a loss."""
        self._client = SmallClient(f"operator-{secrets.token_hex(4)}", self._arrived)
        await self._client.connect(self._port)
        self._client.subscribe(f"{TOPIC_ROOT}/+/ctl/+", qos=1)

    def close(self) -> None:
        """End the connection."""
        if self._client is not None:
            self._client.close()

    def _arrived(self, topic: str, payload: bytes, _retained: bool) -> None:
        rig, _, kind = topic.removeprefix(f"{TOPIC_ROOT}/").partition("/ctl/")
        reports = self.rigs[rig]
        reports.counts[kind] += 1
        if kind == "command":
            return
        message = json.loads(payload)
        if kind == "state":
            reports.state = message
        elif kind == "answer":
            reports.answers[message["correlation_id"]] = message
        elif kind == "decision":
            reports.decisions.append(message)
        elif kind == "result":
            reports.results[message["nonce"]] = message
        reports.changed.set()

    async def until(self, rig: str, condition: Callable[[RigReports], object], timeout_s: float = PATIENCE_S) -> bool:
        """Wait until a condition over one rig's reports holds.

        Args:
            rig: its name.
            condition: looked at after every report.
            timeout_s: how long to wait, seconds.

        Returns:
            Whether it held within the time.
        """
        reports = self.rigs[rig]
        with contextlib.suppress(TimeoutError):
            async with asyncio.timeout(timeout_s):
                while not condition(reports):
                    reports.changed.clear()
                    await reports.changed.wait()
        return bool(condition(reports))

    async def ask(self, rig: str, action: str, **members: Any) -> dict[str, Any] | None:
        """Send one request; the answer, or None when there was none in time.

        Args:
            rig: its name.
            action: what is asked for.
            members: further members of the request.
        """
        reports, name = self.rigs[rig], secrets.token_hex(8)
        request = {"version": 1, "correlation_id": name, "action": action, "operator": "campaign", **members}
        if action in ("arm", "start"):
            if not await self.until(rig, lambda r: r.state.get("ticket")):
                return None
            request["ticket"] = reports.state["ticket"]
        if self._client is None or not self._client.up:
            await self.connect()
        assert self._client is not None
        self._client.publish(f"{TOPIC_ROOT}/{rig}/ops/request", json.dumps(request).encode(), qos=1)
        await self.until(rig, lambda r: name in r.answers, 5.0)
        return reports.answers.pop(name, None)

    async def begin_set(self, rig: str, prescription: dict[str, Any], timeout_s: float = PATIENCE_S) -> str:
        """Arm and start; a request that is refused because something is not there yet is repeated.

        Args:
            rig: its name.
            prescription: of the set.
            timeout_s: how long to try, seconds.

        Returns:
            The set's nonce.

        Raises:
            TimeoutError: no set began in time; names the last answer.
        """
        last: dict[str, Any] | None = None
        end_s = asyncio.get_running_loop().time() + timeout_s
        while asyncio.get_running_loop().time() < end_s:
            last = await self.ask(rig, "arm", cautions_shown=True, prescription=prescription)
            if last is not None and last["accepted"]:
                nonce = str(last["nonce"])
                # The rig binds itself before it can be loaded, and does not say so to the person.
                while asyncio.get_running_loop().time() < end_s and nonce not in self.rigs[rig].results:
                    last = await self.ask(rig, "start", arming=nonce)
                    if last is not None and last["accepted"]:
                        return nonce
                    await asyncio.sleep(AGAIN_S)
            await asyncio.sleep(AGAIN_S)
        raise TimeoutError(f"{rig}: no set began within {timeout_s:g} s; the last answer was {last}")
