"""Live data: one message for all who see the same, the newest for each, and an end when login, browser or page end."""

from __future__ import annotations

import asyncio
import json
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from ebbset.console.page.access.people import Role, add_person
from ebbset.console.page.rigs.streams import MOST_STREAMS, MOST_WAITING, FeedKey, Waiting
from ebbset.console.page.site import Site
from tests.support.page_calls import Clock, caller_of, logged_in, site_of
from tests.support.rig_messages import decision, frame, identity, state, take


@pytest.fixture
def clock() -> Clock:
    return Clock()


@pytest.fixture
def site(tmp_path: Path, clock: Clock) -> Site:
    made = site_of(tmp_path, clock)
    made.hub.connected = True
    take(made.hub, identity("north"), state("north", "working", 50.0, nonce="nonce-0001"), frame("north", 7.0, 400.0))
    return made


def told(raw: bytes) -> dict[str, Any]:
    found: dict[str, Any] = json.loads(raw.removeprefix(b"data: "))
    return found


async def test_a_browser_gets_the_whole_picture_and_then_what_is_new(site: Site, clock: Clock) -> None:
    for k in range(20):
        take(site.hub, frame("north", 8.0 + k / 20, 400.0))
    at = iter(range(100))

    def more() -> None:
        clock.now_s += 1.0
        take(site.hub, frame("north", 10.0 + next(at) / 10, 380.0), state("north", "working", clock.now_s - 950))

    messages = await caller_of(site).stream("/stream/north?view=coach", 3, more)
    first, second, third = (one["rigs"]["north"] for one in messages)
    assert first["whole"]
    assert len(first["trace"]) == 21
    assert first["figures"]["load"] == "40.8 kg"
    assert not second["whole"]
    assert second["figures"]["load"] == third["figures"]["load"] == "38.7 kg"
    assert third["trace"] == [[10.1, 38.75, 0.2, 0.42]]
    assert {one["run"] for one in messages} == {site.streams.run}
    assert len(site.hub.listeners) == 1, "nothing is left of it"


async def test_a_heartbeat_tells_the_age_of_a_silent_rig(site: Site, clock: Clock) -> None:
    beating = asyncio.create_task(site.streams.beat())

    def later() -> None:
        clock.now_s += 2.0

    try:
        messages = await caller_of(site).stream("/stream/north?view=lifter", 3, later)
    finally:
        beating.cancel()
    ages = [one["rigs"]["north"]["age"] for one in messages]
    assert ages[0] == 0.0
    assert ages[1:] == sorted(ages[1:])
    assert ages[1] >= 2.0
    assert messages[2]["t"] > messages[0]["t"]


async def test_those_who_see_the_same_get_the_same_bytes_made_once(site: Site) -> None:
    key = FeedKey("north", "lifter", trace=False)
    sent: list[list[bytes]] = [[], [], []]
    gone = asyncio.Event()

    async def browser(number: int) -> None:
        async def send(message: Any) -> None:
            sent[number].append(message["body"])
            if all(len(one) >= 3 for one in sent):
                gone.set()

        await site.streams.serve(key, send, asyncio.create_task(_until(gone)), lambda: True)

    browsers = [asyncio.create_task(browser(k)) for k in range(3)]
    async with asyncio.timeout(30):
        while not gone.is_set():
            take(site.hub, frame("north", 8.0, 400.0))
            await asyncio.sleep(0.01)
        await asyncio.gather(*browsers)
    assert sent[0][1] is sent[1][1] is sent[2][1]


async def _until(gone: asyncio.Event) -> None:
    await gone.wait()


def test_what_waits_for_a_slow_browser_is_bounded_and_the_old_goes_first() -> None:
    waiting = Waiting()
    waiting.behind = False
    for k in range(10 * MOST_WAITING):
        waiting.put(b"%d" % k)
        assert len(waiting.messages) <= MOST_WAITING
    assert waiting.behind, "it gets the whole picture next"
    assert waiting.messages[-1] == b"%d" % (10 * MOST_WAITING - 1)


async def test_the_marker_changes_with_a_decision_and_not_with_figures(site: Site, clock: Clock) -> None:
    steps: Iterator[Callable[[], None]] = iter([
        lambda: take(site.hub, frame("north", 8.0, 390.0)),
        lambda: take(site.hub, decision("north", "drop", "stall_in_concentric", "It stopped.")),
        lambda: take(site.hub, state("north", "ending", 51.0, nonce="nonce-0001")),
    ])  # fmt: skip

    def step() -> None:
        clock.now_s += 1.0
        next(steps)()

    messages = await caller_of(site).stream("/stream/north?view=coach", 4, step)
    markers = [one["rigs"]["north"]["marker"] for one in messages]
    assert markers[1] != markers[2] != markers[3]
    page = (await caller_of(site).get("/rig/north/coach")).text
    assert f'data-marker="{markers[3]}"' in page, "page and stream agree, so nothing is fetched in vain"


async def test_the_room_hears_of_every_rig_and_a_rig_of_itself_alone(site: Site) -> None:
    take(site.hub, identity("south"))
    (room,) = await caller_of(site).stream("/stream?view=room", 1)
    assert set(room["rigs"]) == {"north", "south"}
    assert "trace" not in room["rigs"]["north"]
    (one,) = await caller_of(site).stream("/stream/south?view=lifter", 1)
    assert set(one["rigs"]) == {"south"}
    assert (await caller_of(site).get("/stream/no%20rig")).status == 404


async def test_a_stream_ends_with_the_login_and_with_the_page(tmp_path: Path, clock: Clock) -> None:
    site = site_of(tmp_path, clock, people=True)
    add_person(tmp_path / "page-users.toml", "observer", Role.OBSERVER, "a long enough phrase")
    site.hub.connected = True
    take(site.hub, identity("north"))
    caller = logged_in(site, Role.OBSERVER)

    def end_login() -> None:
        for login in site.logins.all(clock.now_s):
            site.logins.end(login)
        site.hub.take(*frame("north", 9.0, 0.0), retained=False)

    await caller.stream("/stream/north?view=lifter", 5, end_login)
    assert caller.raw.endswith(b"event: over\ndata: login\n\n")
    caller = logged_in(site, Role.OBSERVER)
    await caller.stream("/stream/north?view=lifter", 5, site.streams.closing.set)
    assert caller.raw.count(b"data: {") == 1


async def test_there_are_only_so_many_streams(site: Site, monkeypatch: pytest.MonkeyPatch) -> None:
    assert MOST_STREAMS >= 100
    monkeypatch.setattr("ebbset.console.page.rigs.streams.MOST_STREAMS", 0)
    answer = await caller_of(site).get("/stream/north?view=lifter")
    assert (answer.status, answer.headers["retry-after"]) == (503, "5")
