"""Log lines about the inputs: bad input, a lost link or rig, a rig that never announces itself.

Repeated problems are logged once a second at most, so that a flood on the link does not flood the log. The core
decides by its own rules which inputs it accepts; this only logs. Never here: decisions, sockets.
"""

from __future__ import annotations

from typing import Final

import structlog

from ebbset.controller.messages.events import (
    BadInput,
    Event,
    LinkDown,
    LinkUp,
    RepetitionSeen,
    RigAnnounced,
    RigLost,
    Samples,
    Tick,
)
from ebbset.models.contract.wire import Topic

ANNOUNCE_PATIENCE_US: Final = 5_000_000
AGAIN_US: Final = 1_000_000
_MAX_KINDS: Final = 200
_log = structlog.get_logger(__name__)


class Notices:
    """Logs problems in one rig's inputs, and keeps the newest input of each kind that describes the rig."""

    def __init__(self, rig: str) -> None:
        self._rig = rig
        self._known: dict[type, Event] = {}
        self._unannounced_us: int | None = None
        self._told_us: dict[tuple[str, str], int] = {}

    @property
    def known(self) -> tuple[Event, ...]:
        """What this connection knows of the rig, in the order in which it arrived."""
        return tuple(sorted(self._known.values(), key=lambda event: event.now_us))

    def see(self, event: Event) -> None:
        """Take note of one handled input."""
        if isinstance(event, Tick):
            since_us = self._unannounced_us
            if since_us is not None and event.now_us - since_us > ANNOUNCE_PATIENCE_US:
                self._unannounced_us = None
                _log.warning("rig_not_announced", rig=self._rig, topic=Topic.IDENTITY.path(self._rig))
        elif isinstance(event, Samples | RepetitionSeen):
            self._see_order(event)
            self._known[type(event)] = event
        elif isinstance(event, LinkUp):
            self._known = {LinkUp: event}
            self._unannounced_us = event.now_us
        elif isinstance(event, RigAnnounced):
            self._known[RigAnnounced] = event
            self._unannounced_us = None
            _log.info("rig_announced", rig=event.rig, boot_id=event.boot_id, telemetry=event.telemetry)
        elif isinstance(event, LinkDown):
            self._known = {}
            _log.warning("link_lost", rig=self._rig)
        elif isinstance(event, RigLost):
            self._known = {kind: known for kind, known in self._known.items() if kind is LinkUp}
            _log.warning("rig_lost", rig=self._rig)
        elif isinstance(event, BadInput):
            self._tell(event.topic, event.code, event.detail, event.now_us)

    def _see_order(self, event: Samples | RepetitionSeen) -> None:
        """Log telemetry that is repeated, out of order or earlier than before; the core ignores such frames."""
        before = self._known.get(type(event))
        if not isinstance(before, Samples | RepetitionSeen) or before.boot_id != event.boot_id:
            return
        topic = Topic.FRAME if isinstance(event, Samples) else Topic.REPETITION
        if event.seq <= before.seq:
            code = "repeated" if event.seq == before.seq else "out_of_order"
            detail = f"seq is {event.seq}; allowed: above {before.seq}, the last one seen"
            self._tell(topic.value, code, detail, event.now_us)
        elif isinstance(event, Samples) and isinstance(before, Samples) and event.t_us[0] <= before.t_us[-1]:
            detail = f"t_us begins at {event.t_us[0]}; allowed: above {before.t_us[-1]}, the end of the frame before"
            self._tell(topic.value, "time_backwards", detail, event.now_us)

    def _tell(self, topic: str, code: str, detail: str, now_us: int) -> None:
        told_us = self._told_us.get((topic, code))
        if told_us is not None and now_us - told_us < AGAIN_US:
            return
        if len(self._told_us) >= _MAX_KINDS:
            self._told_us.clear()
        self._told_us[topic, code] = now_us
        _log.warning("bad_input", rig=self._rig, topic=topic, code=code, detail=detail)
