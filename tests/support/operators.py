"""A person's side of the contract for tests over a real broker: ask, hear the answers, watch everything."""

from __future__ import annotations

import asyncio
import contextlib
import json
import secrets
from collections.abc import AsyncIterator, Callable
from typing import Any

import aiomqtt

from ebbset.models.contract.wire import MAX_PAYLOAD_BYTES
from tests.support.sessions import PATIENT, PATIENT_STOP, auto_drop_order

PATIENCE_S = 180.0
"""How long a condition is awaited before it counts as never met; a busy machine is slow, not wrong."""


class Operator:
    """Collects every message under one rig's root; ``ask`` sends a request and returns its answer."""

    def __init__(self, client: aiomqtt.Client, rig: str) -> None:
        self._client = client
        self._root = f"ebbset/v1/{rig}/"
        self._asked = 0
        self._who = secrets.token_hex(4)
        self._changed = asyncio.Event()
        self.heard: list[tuple[str, dict[str, Any]]] = []

    async def listen(self) -> None:
        async for message in self._client.messages:
            topic = message.topic.value.removeprefix(self._root)
            if len(message.payload) > MAX_PAYLOAD_BYTES:
                # Nobody takes it for a message, and to read it would hold up the controller in this process.
                continue
            with contextlib.suppress(ValueError, RecursionError):
                self.heard.append((topic, json.loads(message.payload)))
            self._changed.set()

    def of(self, topic: str) -> list[dict[str, Any]]:
        return [message for heard, message in self.heard if heard == topic]

    async def until(self, condition: Callable[[], Any], timeout_s: float = PATIENCE_S) -> Any:
        async with asyncio.timeout(timeout_s):
            while not (found := condition()):
                self._changed.clear()
                await self._changed.wait()
        return found

    async def until_state(self, *states: str, timeout_s: float = PATIENCE_S) -> dict[str, Any]:
        found: dict[str, Any] = await self.until(
            lambda: next((m for m in self.of("ctl/state")[-1:] if m["state"] in states), None), timeout_s
        )
        return found

    async def ask(self, action: str, **members: Any) -> dict[str, Any]:
        self._asked += 1
        correlation = f"ask-{action}-{self._who}-{self._asked:04d}"
        if action in ("arm", "start"):
            state = await self.until(lambda: next((m for m in self.of("ctl/state")[-1:] if m["ticket"]), None))
            armed = [m["nonce"] for m in self.of("ctl/answer") if m["code"] == "armed"] or [state["nonce"]]
            named = {"arming": armed[-1] or "nonce-of-nothing"} if action == "start" else {}
            members = {"ticket": state["ticket"], **named, **members}
        request = {"version": 1, "correlation_id": correlation, "action": action, "operator": "coach", **members}
        await self._client.publish(self._root + "ops/request", json.dumps(request), qos=1)
        answer: dict[str, Any] = await self.until(
            lambda: next((m for m in self.of("ctl/answer") if m["correlation_id"] == correlation), None)
        )
        return answer

    async def publish(self, topic: str, payload: str | bytes, *, retain: bool = False) -> None:
        await self._client.publish(self._root + topic, payload, qos=1, retain=retain)


@contextlib.asynccontextmanager
async def operator(port: int, rig: str) -> AsyncIterator[Operator]:
    """An operator connected to a broker on this machine."""
    async with aiomqtt.Client("127.0.0.1", port) as client:
        client.pending_calls_threshold = 1_000
        await client.subscribe(f"ebbset/v1/{rig}/#", qos=1)
        person = Operator(client, rig)
        listening = asyncio.create_task(person.listen())
        try:
            yield person
        finally:
            # Where the broker has gone the listener takes the error that else nobody would take.
            await asyncio.wait({listening}, timeout=0.05)
            listening.cancel()
            await asyncio.gather(listening, return_exceptions=True)


async def another_frame(person: Operator) -> None:
    """Wait until the rig has sent one more frame."""
    before = len(person.of("rig/frame"))
    await person.until(lambda: len(person.of("rig/frame")) > before)


async def armed(person: Operator, order: dict[str, Any], **members: Any) -> dict[str, Any]:
    """Ask to arm, again while a busy machine keeps frames back; any other refusal is an error."""
    async with asyncio.timeout(PATIENCE_S):
        while True:
            answer = await person.ask("arm", cautions_shown=True, prescription=order, **members)
            if answer["accepted"]:
                return answer
            assert answer["code"] == "no_telemetry", answer
            await another_frame(person)


async def arm_and_start(person: Any, **order: Any) -> None:
    await person.until_state("idle")
    await person.until(lambda: len(person.of("rig/frame")) > 3)
    sections = {"safety": PATIENT, "stop": PATIENT_STOP, **order}
    prescription = auto_drop_order(**sections).model_dump(mode="json")
    await armed(person, prescription)
    started = await person.ask("start")
    assert started["accepted"], started
    await person.until(lambda: person.of("rig/frame")[-1]["applied_n"][0] > 100)
