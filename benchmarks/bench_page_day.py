"""What a page holds after a day of sets against what it holds after the first hour: in the browser, and in the server.

Accelerated: a day's frames, repetitions, decisions and sets go through the page's own code as fast as it takes them, by
a clock that runs with them. The browser gets them as a stream would bring them and asks a real server for the parts of
the view that changed. Held is counted after collecting what is not: JavaScript heap and nodes by the browser itself,
allocated blocks by Python.
"""

from __future__ import annotations

import asyncio
import gc
import json
import pathlib
import sys
import tempfile
from collections.abc import Iterator
from typing import Any

from benchmarks.claims import Claim

HOURS = 24
FRAMES_A_SECOND = 10
SETS_AN_HOUR = 12
REPETITIONS, DROPS = 15, 3
SET_S = 60
RIG = "north"
FEED = """async ([messages, from]) => {
  const pause = () => new Promise((done) => requestAnimationFrame(() => setTimeout(done, 0)));
  for (let k = 0; k < messages; k += 1) {
    const t = (from + k) / 10;
    const set = Math.floor(t / 300), within = t % 300;
    const at_work = within < 60, done = at_work ? Math.floor(within / 4) : 15;
    const told = window.pattern;
    told.t = t;
    const rig = told.rigs.north;
    rig.age = 0.01;
    rig.whole = false;
    rig.trace = [[t, at_work ? 40 + done : 0, 0.3 + 0.2 * Math.sin(t), 0.4 * Math.cos(t)]];
    rig.figures.load = at_work ? `${(40 + done / 10).toFixed(1)} kg` : "unloaded";
    rig.figures.repetitions = String(done);
    rig.figures.state = at_work ? "lifting" : "over";
    rig.marker = `${set}-${done}-${at_work}`;
    Object.assign(rig.sounds, { set: String(set), working: at_work, drops: Math.floor(done / 5), tick: 0 });
    window.streams.at(-1).dispatchEvent(new MessageEvent("message", { data: JSON.stringify(told) }));
    if (k % 500 === 499) await pause();
  }
  await pause();
}"""
INSTEAD_OF_A_STREAM = """
window.streams = [];
window.EventSource = class extends EventTarget {
  static CLOSED = 2;
  constructor() { super(); this.readyState = 1; window.streams.push(this); if (window.streams.length > 1) window.streams.shift(); }
  close() { this.readyState = 2; }
};
"""  # noqa: E501


def messages_of(hour: int) -> Iterator[tuple[float, tuple[str, bytes]]]:
    """What a rig and its controller send in an hour, with the time of each, s."""
    from tests.support import rig_messages as told

    of_frame = 1.0 / FRAMES_A_SECOND
    every_s = 3_600.0 / SETS_AN_HOUR
    for number in range(SETS_AN_HOUR):
        began_s = 3_600.0 * hour + every_s * number
        nonce = f"nonce-{hour:02}-{number:02}"
        for k in range(round(every_s / of_frame)):
            t_s = began_s + k * of_frame
            at_work = k * of_frame < SET_S
            yield t_s, told.frame(RIG, t_s, 400.0 if at_work else 0.0, docked=not at_work)
            if k % FRAMES_A_SECOND:
                continue
            second = round(k * of_frame)
            state = "working" if at_work else "ended"
            yield t_s, told.state(RIG, state, t_s, nonce=nonce, prescription="A set")
            if not at_work and second == SET_S:
                yield t_s, told.result(RIG, "budget_spent", "The budget is spent.", nonce=nonce)
            elif at_work and second % (SET_S // REPETITIONS) == 0:
                index = second // (SET_S // REPETITIONS)
                yield t_s, told.repetition(RIG, index, nonce=nonce)
                if index % (REPETITIONS // DROPS) == 0:
                    yield t_s, told.decision(RIG, "drop", "stall", "It stalled.", nonce=nonce, seq=index + 1)


def server_blocks() -> tuple[int, int]:
    """Blocks that Python holds after the first hour, and after the day, with three streams open."""
    from ebbset.console.page.rigs.streams import Feed, FeedKey, Waiting
    from tests.support.page_calls import Clock, site_of
    from tests.support.rig_messages import identity, take

    async def day(home: pathlib.Path) -> list[int]:
        clock = Clock(0.0)
        site = site_of(home, clock)
        hub = site.hub
        hub.connected = True
        take(hub, identity(RIG))
        keys = (FeedKey(RIG, "lifter", False), FeedKey(RIG, "assessor", True), FeedKey(None, None, False))
        feeds = [Feed(key, hub, "run") for key in keys]
        waiting = [Waiting() for _ in feeds]
        for feed, one in zip(feeds, waiting, strict=True):
            feed.waiting.add(one)
        held = []
        for hour in range(HOURS):
            for k, (t_s, message) in enumerate(messages_of(hour)):
                clock.now_s = t_s
                take(hub, message)
                if k % FRAMES_A_SECOND == 0:
                    for feed in feeds:
                        feed.push()
                    for one in waiting[:2]:
                        one.messages.clear()  # The third browser takes nothing.
            if hour in (0, HOURS - 1):
                gc.collect()
                held.append(sys.getallocatedblocks())
        return held

    with tempfile.TemporaryDirectory() as name:
        first, last = asyncio.run(day(pathlib.Path(name)))
    return first, last


def browser_heap(browser: Any, address: str, pattern: dict[str, Any]) -> list[dict[str, float]]:
    """What the coach's view holds after the first hour, and after the day, by the browser's own count."""
    page = browser.new_page()
    page.add_init_script(INSTEAD_OF_A_STREAM)
    page.goto(f"{address}/rig/{RIG}/coach")
    page.evaluate("(told) => { told.run = document.body.dataset.run; window.pattern = told; }", pattern)
    counting = page.context.new_cdp_session(page)
    counting.send("Performance.enable")
    held = []
    for hour in range(HOURS):
        messages = 3_600 * FRAMES_A_SECOND
        page.evaluate(FEED, [messages, messages * hour])
        if hour in (0, HOURS - 1):
            held.append(settled(page, counting))
    page.close()
    return held


def settled(page: Any, counting: Any) -> dict[str, float]:
    """What a view holds once the part that it fetched last is in its place, or after ten seconds."""
    found: dict[str, float] = {}
    for _ in range(20):
        page.wait_for_timeout(500)
        counting.send("HeapProfiler.collectGarbage")
        got = counting.send("Performance.getMetrics")["metrics"]
        found = {one["name"]: one["value"] for one in got}
        if found["Documents"] == 1:
            break
    return found


def main() -> list[Claim]:
    from ebbset.console.page.rigs.streams import Feed, FeedKey
    from tests.support.brokers import mosquitto
    from tests.support.page_server import served_page
    from tests.support.page_stack import chromium
    from tests.support.rig_messages import frame, identity, state, take

    first, last = server_blocks()
    with (
        tempfile.TemporaryDirectory() as name,
        chromium() as browser,
        mosquitto(pathlib.Path(name)) as broker,
        served_page(pathlib.Path(name), broker.port) as page,
    ):

        async def pattern() -> bytes:
            hub = page.page.site.hub
            take(hub, identity(RIG), state(RIG, "working", 1.0, nonce="nonce-0001"), frame(RIG, 1.0, 400.0))
            return Feed(FeedKey(RIG, "assessor", trace=True), hub, "run").whole()

        held = browser_heap(browser, page.address, json.loads(page.call(pattern()).removeprefix(b"data: ")))
    frames = HOURS * 3_600 * FRAMES_A_SECOND
    note = f"{frames} frames, {HOURS * SETS_AN_HOUR} sets of {REPETITIONS} repetitions"
    heap = [one["JSHeapUsedSize"] for one in held]
    nodes = [one["Nodes"] for one in held]
    return [
        Claim(
            "page: blocks of the server after a day over those after an hour", last / first, "times", 1.01,
            at_most=True, note=f"{first} and {last} blocks; {note}",
        ),
        Claim(
            "page: heap of the browser after a day over that after an hour", heap[1] / heap[0], "times", 1.05,
            at_most=True, note=f"{heap[0] / 1e6:.2f} and {heap[1] / 1e6:.2f} MB; {note}",
        ),
        Claim(
            "page: nodes of the browser after a day over those after an hour", nodes[1] / nodes[0], "times", 1.0,
            at_most=True, note=f"{nodes[0]:.0f} and {nodes[1]:.0f} nodes",
        ),
    ]  # fmt: skip
