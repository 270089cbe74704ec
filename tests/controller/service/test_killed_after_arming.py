"""A controller that is killed after arming never locks the rig out: one lease later another one arms."""

from __future__ import annotations

import asyncio
import signal
import sys
from pathlib import Path

import pytest

from tests.support.brokers import Mosquitto
from tests.support.operators import armed, operator
from tests.support.served import hand_rig, serving, settings_for
from tests.support.sessions import PATIENT, auto_drop_order

pytestmark = pytest.mark.broker
SERVE = (
    "import asyncio, sys\n"
    "from ebbset.controller.service.serve import serve\n"
    "from ebbset.controller.link.settings import ServeSettings\n"
    "asyncio.run(serve(ServeSettings.model_validate_json(sys.argv[1])))\n"
)


async def test_one_lease_after_a_controller_was_killed_between_arming_and_starting_another_arms(
    broker: Mosquitto, tmp_path: Path
) -> None:
    rig = "killed"
    settings = settings_for(broker, tmp_path, rig)
    order = auto_drop_order(safety=PATIENT).model_dump(mode="json")
    process = await asyncio.create_subprocess_exec(
        sys.executable, "-c", SERVE, settings.model_dump_json(), stdout=asyncio.subprocess.DEVNULL
    )
    async with hand_rig(broker.port, rig) as seen, operator(broker.port, rig) as person:
        await person.until_state("idle")
        await person.until(lambda: len(person.of("rig/frame")) > 3)
        first = await armed(person, order)
        process.kill()
        assert await process.wait() == -signal.SIGKILL
        await person.until_state("offline")
        await person.until(lambda: any(event["kind"] == "lease_expired" for event in person.of("rig/event")))
        async with serving(settings):
            await person.until_state("idle")
            old = await person.ask("start", arming=first["nonce"])
            assert (old["accepted"], old["code"]) == (False, "not_while_idle")
            second = await armed(person, order)
    assert second["nonce"] != first["nonce"]
    assert seen["lease_expiries"] == 1
    assert seen["refused"] == []
