"""Reports on their way out: what a set came to goes before what somebody was answered.

Bounded, and counting what it dropped. Decisions, repetitions and results keep their order and go first; then the newest
state; answers last, so that no flood of requests delays the word that a set is over. Never here: sockets.
"""

from __future__ import annotations

from collections import Counter, deque
from dataclasses import dataclass
from typing import Final

import structlog

from ebbset.models.contract.wire import Topic

MAX_REPORTS: Final = 512
MAX_ANSWERS: Final = 64
_log = structlog.get_logger(__name__)


@dataclass(frozen=True, slots=True)
class WaitingReport:
    """One message on its way out."""

    topic: str
    payload: bytes
    qos: int
    retain: bool


class Outbox:
    """Reports of one rig's controller that are not out yet.

    Args:
        rig: the rig's name.
        dropped: where what is dropped is counted.
    """

    def __init__(self, rig: str, dropped: Counter[str]) -> None:
        self._rig = rig
        self._dropped = dropped
        self._reports: deque[WaitingReport] = deque()
        self._state: WaitingReport | None = None
        self._answers: deque[WaitingReport] = deque()

    def put(self, topic: Topic, payload: bytes) -> None:
        """Add a report. A state replaces the state that waits; when too many others wait, the oldest is dropped.

        Args:
            topic: a report's topic.
            payload: the report as JSON.
        """
        path = topic.path(self._rig)
        if topic is Topic.STATE:
            self._state = WaitingReport(path, payload, 0, retain=True)
            return
        waiting, most, name = (
            (self._answers, MAX_ANSWERS, "answer") if topic is Topic.ANSWER else (self._reports, MAX_REPORTS, "report")
        )
        if len(waiting) >= most:
            waiting.popleft()
            self._dropped[name] += 1
            count = self._dropped[name]
            if count & (count - 1) == 0:
                # At 1, 2, 4, 8 …, so that a flood of reports makes no flood of lines.
                _log.warning(f"{name}_dropped", rig=self._rig, waiting=most, dropped=count)
        waiting.append(WaitingReport(path, payload, 1, retain=False))

    def next(self) -> WaitingReport | None:
        """What goes out next; it stays until it is `done`, so that a lost connection loses none."""
        for waiting in (self._reports, self._answers):
            if waiting is self._answers and self._state is not None:
                return self._state
            if waiting:
                return waiting[0]
        return None

    def done(self, report: WaitingReport) -> None:
        """Forget a report that is out, unless a newer one took its place meanwhile."""
        for waiting in (self._reports, self._answers):
            if waiting and waiting[0] is report:
                waiting.popleft()
        if self._state is report:
            self._state = None
