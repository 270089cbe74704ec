"""Live data for browsers as Server-Sent Events: one message for all who see the same, and for each only the newest.

A browser that does not keep up loses what is old, never what is new: its queue is bounded, and once it was full it gets
the whole picture again. Every half second something is sent, so that a browser can tell a silent rig from a dead stream
by its own clock.
"""

from __future__ import annotations

import asyncio
import contextlib
import json
import secrets
from collections import deque
from collections.abc import Callable
from dataclasses import dataclass
from itertools import islice
from typing import Any, Final

from starlette.types import Receive, Scope, Send

from ebbset.console.page.rigs.rig_hub import RigHub
from ebbset.console.page.rigs.rig_watch import RigWatch
from ebbset.console.page.rigs.shown_rig import ShownRig
from ebbset.models.contract.study_mark import Audience

HEARTBEAT_S: Final = 0.5
STEP_S: Final = 0.03
"""Least time between two messages about one rig."""
ROOM_STEP_S: Final = 0.25
MOST_WAITING: Final = 20
MOST_STREAMS: Final = 200
STUCK_S: Final = 15.0
"""A browser that takes nothing for so long is let go; it connects again when it can."""


@dataclass(frozen=True, slots=True)
class FeedKey:
    """What a feed shows, and to whom: those with the same key get the same bytes.

    Attributes:
        rig: which; None: every rig.
        audience: who looks at the screen; None: anybody.
        trace: with the trace.
    """

    rig: str | None
    audience: Audience | None
    trace: bool


class Waiting:
    """What one browser has yet to be sent."""

    def __init__(self) -> None:
        self.messages: deque[bytes] = deque()
        self.more = asyncio.Event()
        self.behind = True
        """Needs the whole picture: it is new, or it lost something."""

    def put(self, message: bytes) -> None:
        """Add a message; when too many wait, none of them does any more."""
        if len(self.messages) >= MOST_WAITING:
            self.messages.clear()
            self.behind = True
        self.messages.append(message)
        self.more.set()


class Feed:
    """Messages of one key, made once for all its browsers.

    Args:
        key: what, for whom.
        hub: where rigs are known.
        run: names this run of the page; in every message, so that a browser notices a restart.
    """

    def __init__(self, key: FeedKey, hub: RigHub, run: str) -> None:
        self._key, self._hub, self._run = key, hub, run
        self.waiting: set[Waiting] = set()
        self._points = 0
        self._pushed_s = 0.0
        self._due: asyncio.TimerHandle | None = None
        self._markers: dict[str, tuple[object, str]] = {}

    def changed(self, rig: str | None) -> None:
        """Something about a rig arrived: send it soon.

        Args:
            rig: which; None for all.
        """
        if self._due is not None or (rig is not None and self._key.rig not in (None, rig)):
            return
        step_s = ROOM_STEP_S if self._key.rig is None else STEP_S
        loop = asyncio.get_running_loop()
        self._due = loop.call_later(max(self._pushed_s + step_s - self._hub.now_s(), 0.0), self.push)

    def push(self) -> None:
        """Send what is known now to every browser."""
        if self._due is not None:
            self._due.cancel()
            self._due = None
        self._pushed_s = self._hub.now_s()
        message = self._message(whole=False)
        for one in self.waiting:
            one.put(message)

    def whole(self) -> bytes:
        """The whole picture, for a browser that has none."""
        return self._message(whole=True)

    def close(self) -> None:
        """Nobody looks any more."""
        if self._due is not None:
            self._due.cancel()
            self._due = None

    def _message(self, *, whole: bool) -> bytes:
        now_s, key = self._hub.now_s(), self._key
        rigs = [watch for name, watch in self._hub.watches.items() if key.rig in (None, name)]
        told: dict[str, Any] = {"run": self._run, "t": round(now_s, 3), "rigs": {}}
        for watch in rigs:
            shown = ShownRig.of(watch, key.audience, now_s, connected=self._hub.connected)
            about = shown.message()
            about["marker"] = self._marker(shown)
            if key.trace:
                about["trace"] = shown.trace(self._new_points(watch, whole=whole))
                about["whole"] = whole
            told["rigs"][watch.rig] = about
        return b"data: " + json.dumps(told, ensure_ascii=False, separators=(",", ":")).encode() + b"\n\n"

    def _new_points(self, watch: RigWatch, *, whole: bool) -> list[Any]:
        if whole:
            return list(watch.trace)
        new = min(watch.points - self._points, len(watch.trace))
        self._points = watch.points
        return list(islice(watch.trace, len(watch.trace) - new, None)) if new > 0 else []

    def _marker(self, shown: ShownRig) -> str:
        """The marker of a rig; made anew only after a message that could change it."""
        rests_on = (shown.watch.version, shown.link)
        known = self._markers.get(shown.watch.rig)
        if known is None or known[0] != rests_on:
            known = (rests_on, shown.marker())
            self._markers[shown.watch.rig] = known
        return known[1]


class Streams:
    """All streams of one run of the page.

    Args:
        hub: where rigs are known.

    Attributes:
        run: names this run.
        closing: set when the page ends; every stream then ends too.
    """

    def __init__(self, hub: RigHub) -> None:
        self._hub = hub
        self._feeds: dict[FeedKey, Feed] = {}
        self._open = 0
        self._looked = asyncio.Event()
        self.run = secrets.token_hex(4)
        self.closing = asyncio.Event()
        hub.listeners.add(self._changed)

    async def looked_at(self) -> None:
        """Wait until somebody looks at a rig."""
        await self._looked.wait()

    @property
    def full(self) -> bool:
        """Whether no more streams are opened."""
        return self._open >= MOST_STREAMS

    async def beat(self) -> None:
        """Send every half second, whatever arrived, until cancelled."""
        while True:
            await asyncio.sleep(HEARTBEAT_S)
            for feed in tuple(self._feeds.values()):
                feed.push()

    def _changed(self, rig: str | None) -> None:
        for feed in self._feeds.values():
            feed.changed(rig)

    async def serve(self, key: FeedKey, send: Send, gone: asyncio.Task[None], holds: Callable[[], bool]) -> None:
        """Send to one browser until it is gone, its login is over, or the page ends.

        Args:
            key: what, for whom.
            send: the ASGI server's.
            gone: done when the browser has gone.
            holds: whether the login still holds.
        """
        feed = self._feeds.setdefault(key, Feed(key, self._hub, self.run))
        waiting = Waiting()
        feed.waiting.add(waiting)
        self._open += 1
        self._looked.set()
        closing = asyncio.create_task(self.closing.wait())
        try:
            while not gone.done() and not closing.done():
                if not holds():
                    await _body(send, b"event: over\ndata: login\n\n")
                    return
                if waiting.behind:
                    waiting.behind = False
                    waiting.messages.clear()
                    waiting.messages.append(feed.whole())
                if waiting.messages:
                    await _body(send, waiting.messages.popleft())
                    continue
                waiting.more.clear()
                more = asyncio.create_task(waiting.more.wait())
                try:
                    await asyncio.wait({more, gone, closing}, return_when=asyncio.FIRST_COMPLETED)
                finally:
                    more.cancel()
        finally:
            closing.cancel()
            self._open -= 1
            feed.waiting.discard(waiting)
            if not feed.waiting and self._feeds.get(key) is feed:
                feed.close()
                del self._feeds[key]


class StreamAnswer:
    """The ASGI answer that is one browser's stream.

    Args:
        streams: all streams.
        key: what, for whom.
        holds: whether the login still holds.
    """

    def __init__(self, streams: Streams, key: FeedKey, holds: Callable[[], bool]) -> None:
        self._streams, self._key, self._holds = streams, key, holds

    async def __call__(self, _scope: Scope, receive: Receive, send: Send) -> None:
        """Send the stream."""
        headers = [(b"content-type", b"text/event-stream; charset=utf-8"), (b"x-accel-buffering", b"no")]
        await send({"type": "http.response.start", "status": 200, "headers": headers})
        gone = asyncio.create_task(_until_gone(receive))
        try:
            await _body(send, b"retry: 1000\n\n")
            with contextlib.suppress(TimeoutError, OSError):
                await self._streams.serve(self._key, send, gone, self._holds)
                await send({"type": "http.response.body", "body": b"", "more_body": False})
        finally:
            gone.cancel()


async def _until_gone(receive: Receive) -> None:
    while (await receive())["type"] != "http.disconnect":
        pass


async def _body(send: Send, body: bytes) -> None:
    async with asyncio.timeout(STUCK_S):
        await send({"type": "http.response.body", "body": body, "more_body": True})
