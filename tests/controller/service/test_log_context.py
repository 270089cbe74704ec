"""Rig and set in every log line, in tasks and threads of a rig and in no others."""

from __future__ import annotations

import asyncio
import contextvars
import threading
from typing import Any

from ebbset.controller.service.log_context import add_rig_and_set, logging_for, note_set


def line(**members: Any) -> dict[str, Any]:
    return dict(add_rig_and_set(None, "info", members))


def test_a_line_outside_of_a_rig_stays_as_it_is() -> None:
    note_set("nonce-0001")
    assert line(event="worker_begun") == {"event": "worker_begun"}


async def test_rigs_in_one_loop_have_their_own_lines() -> None:
    told: dict[str, dict[str, Any]] = {}

    async def serve(rig: str) -> None:
        with logging_for(rig):
            await asyncio.sleep(0)
            core = asyncio.create_task(arm(rig))
            await core
            told[rig] = line(event="any")

    async def arm(rig: str) -> None:
        note_set(f"nonce of {rig}")

    await asyncio.gather(serve("north"), serve("south"))
    assert told["north"] == {"event": "any", "rig": "north", "set": "nonce of north"}
    assert told["south"] == {"event": "any", "rig": "south", "set": "nonce of south"}
    assert line(event="after") == {"event": "after"}


def test_a_thread_that_takes_the_context_along_sees_the_set_of_later() -> None:
    told: list[dict[str, Any]] = []
    go = threading.Event()

    def write() -> None:
        assert go.wait(30)
        told.append(line(event="recording_failed", rig="named by the line"))

    with logging_for("north"):
        thread = threading.Thread(target=contextvars.copy_context().run, args=(write,))
        thread.start()
        note_set("nonce-0001")
        go.set()
        thread.join(30)
    assert told == [{"event": "recording_failed", "rig": "named by the line", "set": "nonce-0001"}]
