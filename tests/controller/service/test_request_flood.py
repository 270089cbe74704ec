"""A real flood of requests over a real broker: the end of a set is told first, and the recording stays small."""

from __future__ import annotations

import asyncio
import contextlib
import itertools
import json
import time
from collections.abc import AsyncIterator
from pathlib import Path
from typing import Final

import aiomqtt
import pytest

from ebbset.controller.link.inbox import REQUESTS_AT_ONCE, REQUESTS_PER_S
from ebbset.controller.messages.events import BadInput, Requested
from ebbset.controller.recording.reader import read_recording
from ebbset.controller.recording.replay import Verdict, replay
from tests.support.brokers import Mosquitto
from tests.support.kinematic_rig import POLICIES
from tests.support.operators import arm_and_start, operator
from tests.support.served import hand_rig, serving, settings_for
from tests.support.sessions import PATIENT, auto_drop_order

pytestmark = pytest.mark.broker


FLOOD: Final = 3_000
"""Requests in the flood: about five times what the controller takes in within a minute."""


@contextlib.asynccontextmanager
async def flood(port: int, rig: str) -> AsyncIterator[None]:
    """Requests to arm, as fast as this process can send them, each in order, with a prescription of its own."""
    order = auto_drop_order(safety=PATIENT).model_dump(mode="json")

    async def pour(client: aiomqtt.Client) -> None:
        for first in range(0, FLOOD, 50):
            for number in range(first, first + 50):
                request = {
                    "correlation_id": f"flood-{number:08d}",
                    "action": "arm",
                    "operator": "flood",
                    "ticket": "0123abcd-1",
                    "cautions_shown": True,
                    "prescription": order,
                }
                await client.publish(f"ebbset/v1/{rig}/ops/request", json.dumps(request), qos=0)
            await asyncio.sleep(0)

    async with aiomqtt.Client("127.0.0.1", port) as client:
        pouring = asyncio.create_task(pour(client))
        try:
            yield
        finally:
            pouring.cancel()
            await asyncio.gather(pouring, return_exceptions=True)


async def test_under_a_flood_of_requests_the_end_is_told_first_and_the_recording_says_what_it_left_out(
    broker: Mosquitto, tmp_path: Path
) -> None:
    rig = "flooded"
    async with (
        serving(settings_for(broker, tmp_path, rig)) as served,
        hand_rig(broker.port, rig),
        operator(broker.port, rig) as person,
    ):
        await arm_and_start(person)
        began_s = time.monotonic()
        async with flood(broker.port, rig):
            await person.until(lambda: len(person.of("ops/request")) > 500)
            # Whatever ended the set meanwhile, a person's stop included: its end must be told through the flood.
            await person.publish(
                "ops/request",
                json.dumps(
                    {
                        "correlation_id": "a-person-stops",
                        "action": "stop",
                        "operator": "coach",
                    }
                ),
            )
            await person.until(lambda: person.of("ctl/result"))
            await person.until_state("ending", "ended")
            answers_before_result = [
                topic for topic, _ in itertools.takewhile(lambda pair: pair[0] != "ctl/result", person.heard)
            ].count("ctl/answer")
        lasted_s = time.monotonic() - began_s
        await person.until_state("ended")
        assert [d["action"] for d in person.of("ctl/decision")].count("end") == 1
    most = REQUESTS_AT_ONCE + REQUESTS_PER_S * (lasted_s + 2.0)
    assert answers_before_result <= most + 3
    recording = read_recording(served.recordings[0])
    assert replay(recording, POLICIES).verdict is Verdict.SAME
    asked = [item.event for item in recording.handled if isinstance(item.event, Requested)]
    turned_away = [item.event for item in recording.handled if isinstance(item.event, BadInput)]
    assert len(asked) + len(turned_away) <= most + 20
    left_out = [int(event.detail.split()[0]) for event in turned_away if event.code == "left_out"]
    # How many depends on when the set ended: its recording is closed then.
    assert sum(left_out) > 0, "the recording says how many it left out"
