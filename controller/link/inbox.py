"""Messages that have arrived and are not handled yet: a bounded mailbox per stream, stops first, telemetry last.

This is the only queue of ours between socket and core. Everything but telemetry is decoded on arrival, so that a stop
is recognised at once. Stops have a mailbox of their own; all stops have the same effect, so a full one loses nothing.
A stop makes void what still waits of requests to arm or to start, since all of that came before it. Telemetry keeps the
newest frames and drops the oldest, and frames that waited too long. Of requests and of invalid messages so many a
second are taken in, so that a flood of them neither keeps the core from its work nor fills the recording. Everything
dropped is counted and logged. Never here: sockets, decisions.
"""

from __future__ import annotations

import asyncio
from collections import Counter, deque
from collections.abc import Callable
from enum import StrEnum
from typing import Final

import structlog

from ebbset.controller.link.intake_limit import IntakeLimit
from ebbset.controller.messages import codec
from ebbset.controller.messages.events import BadInput, Event, LinkDown, LinkUp, Requested, RigReported, Tick
from ebbset.controller.messages.reasons import AnswerCode
from ebbset.models.contract.operator_messages import RequestAction
from ebbset.models.contract.rig_messages import RigEventKind
from ebbset.models.contract.wire import TOPIC_ROOT, BadMessageError, Topic

REQUESTS_PER_S: Final = 10.0
REQUESTS_AT_ONCE: Final = 20.0
REQUEST_BYTES: Final = 8_192
"""A request of up to this size counts for one, a larger one for as many as it is larger."""
BAD_PER_S: Final = 10.0
BAD_AT_ONCE: Final = 20.0
MAX_WAIT_US: Final = 100_000
SLOW_US: Final = 2_000
MAX_CATCH_UP: Final = 512
LEFT_OUT_EVERY_US: Final = 1_000_000
LEFT_OUT: Final = "left_out"
REPORT_EVERY_US: Final = 5_000_000
_log = structlog.get_logger(__name__)


class Stream(StrEnum):
    """Mailboxes, in the order in which they are emptied."""

    LINK = "link"
    STOP = "stop"
    REQUEST = "request"
    IDENTITY = "identity"
    EVENT = "event"
    ACK = "ack"
    BAD = "bad"
    TELEMETRY = "telemetry"


BOUNDS: Final[dict[Stream, int]] = {
    Stream.LINK: 64,
    Stream.STOP: 8,
    Stream.REQUEST: 32,
    Stream.IDENTITY: 16,
    Stream.EVENT: 64,
    Stream.ACK: 64,
    Stream.BAD: 32,
    Stream.TELEMETRY: 16,
}
_KEEP_NEWEST: Final = frozenset({Stream.LINK, Stream.IDENTITY, Stream.ACK, Stream.TELEMETRY})
_TELEMETRY: Final = frozenset({Topic.FRAME, Topic.REPETITION})
_STREAM_OF: Final = {Topic.IDENTITY: Stream.IDENTITY, Topic.EVENT: Stream.EVENT, Topic.ACK: Stream.ACK}
_STOPS: Final = frozenset({RequestAction.STOP, RequestAction.RELEASE})
_STOPPING: Final = frozenset(
    {
        RigEventKind.EMERGENCY_STOP,
        RigEventKind.OVER_TRAVEL,
        RigEventKind.OVER_SPEED,
        RigEventKind.LEASE_EXPIRED,
        RigEventKind.FAULT,
    }
)


class Inbox:
    """Mailboxes of one rig.

    Args:
        rig: the rig's name; messages of others are bad input.
        now_us: the controller's monotonic clock, microseconds.
        unreadable: called with the correlation id of an invalid request and what is wrong with it.
        stop_matters: whether a stop has anything to stop; one that has is taken however many came before it.
        overtaken: called with each request to arm or to start that a later stop has made void.
        telemetry_per_s: how many frames and repetitions are taken in a second in the long run, for who serves several
            rigs; half a second's worth may come at once. Without a limit when left out.
    """

    def __init__(
        self,
        rig: str,
        now_us: Callable[[], int],
        unreadable: Callable[[str, BadInput], None] = lambda _correlation_id, _why: None,
        stop_matters: Callable[[], bool] = lambda: True,
        overtaken: Callable[[Requested], None] = lambda _request: None,
        telemetry_per_s: float | None = None,
    ) -> None:
        self._rig = rig
        self._unreadable = unreadable
        self._stop_matters = stop_matters
        self._overtaken = overtaken
        self._requests = IntakeLimit(REQUESTS_PER_S, REQUESTS_AT_ONCE)
        self._bad_messages = IntakeLimit(BAD_PER_S, BAD_AT_ONCE)
        self._telemetry = None if telemetry_per_s is None else IntakeLimit(telemetry_per_s, telemetry_per_s / 2)
        self._left_out_told_us = 0
        self._now_us = now_us
        self._topics = {topic.path(rig): topic for topic in codec.HEARD}
        self._ready: dict[Stream, deque[Event]] = {stream: deque() for stream in Stream}
        self._raw: deque[tuple[Topic, bytes, int]] = deque()
        self._urgent = [stream for stream in Stream if stream is not Stream.TELEMETRY]
        self._tick_due = False
        self._tick_waited = False
        self._something = asyncio.Event()
        self._arrived = 0
        self._given_us = now_us()
        self.dropped: Counter[str] = Counter()
        self._told: Counter[str] = Counter()
        self._told_us = 0

    # --- putting in ---------------------------------------------------------------------------------------------

    def message(self, topic: str, payload: bytes, *, retained: bool) -> None:
        """Take in a message. Raises nothing, whatever it holds.

        Args:
            topic: full topic.
            payload: its bytes.
            retained: the broker kept it from before the subscription.
        """
        now_us = self._now_us()
        self._arrived += 1
        kind = self._topics.get(topic)
        if kind is None:
            self._bad(topic, "unknown_topic", f"topic is {topic!r}; allowed: those heard for rig {self._rig!r}", now_us)
        elif retained and kind is not Topic.IDENTITY:
            # A broker repeats a retained message at every subscription; an old request or sample must not act again.
            self._bad(topic, "retained", "the message is retained; allowed: retained announcements only", now_us)
        elif kind in _TELEMETRY and self._telemetry is not None and not self._telemetry.takes(now_us):
            self.dropped["telemetry_limit"] += 1
        elif kind in _TELEMETRY:
            if len(self._raw) >= BOUNDS[Stream.TELEMETRY]:
                self._raw.popleft()
                self.dropped["telemetry_full"] += 1
            self._raw.append((kind, payload, now_us))
        else:
            event = self._decode(kind, payload, now_us)
            if isinstance(event, Requested):
                self._put_request(event, payload)
            elif not isinstance(event, BadInput):
                self._put(_stream_of(kind, event), event)
            elif kind is Topic.REQUEST:
                self._parse_partial(payload, event)
            else:
                self._put_bad(event)
        self._something.set()

    def link(self, event: LinkUp | LinkDown) -> None:
        """The link came up or went down. A loss discards everything that waits, except stops."""
        if isinstance(event, LinkDown):
            for stream, box in self._ready.items():
                if stream not in (Stream.LINK, Stream.STOP):
                    box.clear()
            self._raw.clear()
        self._put(Stream.LINK, event)
        self._something.set()

    def ask(self, event: Requested) -> None:
        """Add a request of the service itself, such as the stop of an orderly shutdown."""
        self._void_overtaken(event)
        self._put(_stream_of(Topic.REQUEST, event), event)
        self._something.set()

    def tick(self) -> None:
        """Time went by. Ticks do not pile up."""
        self._tell_left_out()
        self._tick_due = True
        self._something.set()

    # --- taking out ---------------------------------------------------------------------------------------------

    async def get(self) -> Event:
        """The next event: link, stops, requests, reports and acks before telemetry; a tick lets one frame pass."""
        if self._now_us() - self._given_us > SLOW_US:
            await self._catch_up()
        elif self.waits:
            # One event a turn of the loop, so that other rigs in it get theirs in between.
            await asyncio.sleep(0)
        while (event := self._next()) is None:
            self._something.clear()
            await self._something.wait()
        self._given_us = self._now_us()
        return event

    async def _catch_up(self) -> None:
        """After a slow event read the socket first: a stop may wait there behind telemetry."""
        quiet = 0
        for _ in range(MAX_CATCH_UP):
            before = self._arrived
            await asyncio.sleep(0)
            # The loop reads one packet a turn, and may read it after this task's turn; hence two quiet turns.
            quiet = quiet + 1 if self._arrived == before else 0
            if quiet == 2:
                return

    @property
    def waits(self) -> bool:
        """Something waits to be handled."""
        return bool(self._raw) or self._tick_due or any(self._ready.values())

    @property
    def stop_asked(self) -> bool:
        """A person's stop or release waits to be handled, and so came after whatever is being handled."""
        return any(isinstance(event, Requested) for event in self._ready[Stream.STOP])

    def report(self) -> None:
        """Log what was dropped since the last time, at most every few seconds."""
        now_us = self._now_us()
        if now_us - self._told_us < REPORT_EVERY_US or self.dropped == self._told:
            return
        fresh = self.dropped - self._told
        self._told, self._told_us = self.dropped.copy(), now_us
        _log.warning("input_dropped", rig=self._rig, **dict(fresh))

    def _next(self) -> Event | None:
        for stream in self._urgent:
            if box := self._ready[stream]:
                return box.popleft()
        if self._raw and not (self._tick_due and self._tick_waited):
            self._tick_waited = self._tick_due
            topic, payload, arrived_us = self._raw.popleft()
            if self._now_us() - arrived_us <= MAX_WAIT_US:
                return self._decode(topic, payload, arrived_us)
            self.dropped["telemetry_late"] += 1
            return self._next()
        if self._tick_due:
            self._tick_due = self._tick_waited = False
            return Tick(now_us=self._now_us())
        return None

    def _decode(self, topic: Topic, payload: bytes, now_us: int) -> Event:
        try:
            return codec.event_from_wire(topic, payload, now_us=now_us, rig=self._rig)
        except BadMessageError as error:
            return BadInput(now_us=now_us, topic=topic.value, code=error.code.value, detail=error.detail)

    def _parse_partial(self, payload: bytes, why: BadInput) -> None:
        taken = self._put_bad(why)
        correlation_id, stop = codec.parse_partial_request(payload, now_us=why.now_us)
        if stop is not None:
            self._put_request(stop, payload)
        elif correlation_id is not None and taken:
            self._unreadable(correlation_id, why)

    def _put_request(self, event: Requested, payload: bytes) -> None:
        """Take a request in, unless too many came; a stop that has something to stop is taken in any case."""
        self._void_overtaken(event)
        taken = self._requests.takes(event.now_us, max(1.0, len(payload) / REQUEST_BYTES))
        stream = _stream_of(Topic.REQUEST, event)
        if taken or (stream is Stream.STOP and self._stop_matters()):
            self._put(stream, event)

    def _void_overtaken(self, event: Requested) -> None:
        """A stop is handled before whatever waits, and what waits was asked for before it: it must not act after it.

        It stays where it was as an input that does nothing, for core and recording.
        """
        if event.action not in _STOPS:
            return
        waiting = self._ready[Stream.REQUEST]
        for k, request in enumerate(waiting):
            if isinstance(request, Requested):
                why = f"{request.action.value} was asked before a {event.action.value} that came before it was handled"
                code = AnswerCode.OVERTAKEN_BY_STOP
                waiting[k] = BadInput(now_us=request.now_us, topic=Topic.REQUEST.value, code=code, detail=why)
                self._overtaken(request)

    def _put_bad(self, event: BadInput) -> bool:
        taken = self._bad_messages.takes(event.now_us)
        if taken:
            self._put(Stream.BAD, event)
        return taken

    def _tell_left_out(self) -> None:
        """Once a second: how many inputs were left out, as an input, so that core and recording know of it, too."""
        now_us = self._now_us()
        if now_us - self._left_out_told_us < LEFT_OUT_EVERY_US:
            return
        for limit, topic, what in (
            (self._requests, Topic.REQUEST.value, "requests"),
            (self._bad_messages, "any", "invalid messages"),
        ):
            if count := limit.take_count():
                self._left_out_told_us = now_us
                self.dropped["left_out"] += count
                detail = f"{count} more {what} came than the {limit.per_s:g} a second that are taken in the long run"
                self._put(Stream.BAD, BadInput(now_us=now_us, topic=topic, code=LEFT_OUT, detail=detail))

    def _bad(self, topic: str, code: str, detail: str, now_us: int) -> None:
        short = topic.removeprefix(f"{TOPIC_ROOT}/{self._rig}/")[:200]
        self._put_bad(BadInput(now_us=now_us, topic=short, code=code, detail=detail[:400]))

    def _put(self, stream: Stream, event: Event) -> None:
        box = self._ready[stream]
        if len(box) >= BOUNDS[stream]:
            self.dropped[f"{stream.value}_full"] += 1
            if stream not in _KEEP_NEWEST:
                return
            box.popleft()
        box.append(event)


def _stream_of(topic: Topic, event: Event) -> Stream:
    if isinstance(event, Requested):
        return Stream.STOP if event.action in _STOPS else Stream.REQUEST
    if isinstance(event, RigReported) and event.kind in _STOPPING:
        return Stream.STOP
    return _STREAM_OF[topic]
