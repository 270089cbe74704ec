"""Frames beyond a limit are left out before they are decoded; everything else passes."""

from __future__ import annotations

from ebbset.controller.link.inbox import Inbox
from ebbset.controller.messages.events import Requested
from ebbset.models.contract.wire import Topic

RIG = "north"
STOP = b'{"version": 1, "correlation_id": "stop-0001", "action": "stop", "operator": "a person"}'


class Clock:
    def __init__(self) -> None:
        self.us = 0

    def __call__(self) -> int:
        return self.us


def flooded(telemetry_per_s: float | None) -> tuple[Inbox, Clock]:
    clock = Clock()
    inbox = Inbox(RIG, clock, telemetry_per_s=telemetry_per_s)
    for _ in range(1_000):  # in one second
        clock.us += 1_000
        inbox.message(Topic.FRAME.path(RIG), b"{}", retained=False)
    return inbox, clock


def test_a_flood_is_cut_to_the_limit_and_counted() -> None:
    inbox, _ = flooded(100.0)
    # Half a second's worth at once, then 100 a second for a second.
    assert abs(inbox.dropped["telemetry_limit"] - (1_000 - 150)) <= 1
    assert inbox.dropped["telemetry_limit"] + inbox.dropped["telemetry_full"] == 1_000 - 16


def test_without_a_limit_only_the_queue_drops() -> None:
    inbox, _ = flooded(None)
    assert dict(inbox.dropped) == {"telemetry_full": 1_000 - 16}


async def test_a_stop_passes_a_flood() -> None:
    inbox, _ = flooded(100.0)
    inbox.message(Topic.REQUEST.path(RIG), STOP, retained=False)
    assert inbox.waits
    assert isinstance(await inbox.get(), Requested)
