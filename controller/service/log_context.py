"""Rig and set in every log line, also where many rigs are served by one program.

Whoever serves a rig enters its context; tasks and threads that are begun in it take it along. Never here: what is
logged, and how it looks.
"""

from __future__ import annotations

import contextlib
import contextvars
from collections.abc import Iterator, MutableMapping
from dataclasses import dataclass
from typing import Any


@dataclass(slots=True)
class LogContext:
    """One rig under service.

    Attributes:
        rig: its name.
        nonce: of the set that is armed or under way; None between sets.
    """

    rig: str
    nonce: str | None = None


_CURRENT: contextvars.ContextVar[LogContext | None] = contextvars.ContextVar("ebbset_log_context", default=None)


@contextlib.contextmanager
def logging_for(rig: str) -> Iterator[LogContext]:
    """What is logged inside bears the rig's name and the nonce of its set.

    Args:
        rig: its name.
    """
    context = LogContext(rig)
    before = _CURRENT.set(context)
    try:
        yield context
    finally:
        _CURRENT.reset(before)


def note_set(nonce: str | None) -> None:
    """Remember which set the rig of this context serves; None when it is over."""
    context = _CURRENT.get()
    if context is not None:
        context.nonce = nonce


def add_rig_and_set(_logger: Any, _method: str, event: MutableMapping[str, Any]) -> MutableMapping[str, Any]:
    """The processor for structlog: adds ``rig`` and ``set`` to what is logged in a rig's context.

    Args:
        _logger: structlog's logger, which structlog passes and nothing here needs.
        _method: the level's name, likewise.
        event: the line's members; those that are there already stay.
    """
    context = _CURRENT.get()
    if context is not None:
        event.setdefault("rig", context.rig)
        event.setdefault("set", context.nonce)
    return event
