"""Requests that never reach the core, and what their senders are answered: stale, repeated, overtaken, unreadable ones.

Never here: whether the set may be armed or started; the core decides that.
"""

from __future__ import annotations

import secrets
from collections.abc import Callable

from ebbset.controller.messages.actions import Answer
from ebbset.controller.messages.events import BadInput, Requested
from ebbset.controller.messages.reasons import AnswerCode, State
from ebbset.controller.service.request_freshness import NotFresh, RequestFreshness
from ebbset.models.contract.wire import Topic

_OVERTAKEN = "A stop came after this request and before it was handled; ask again if it is still wanted."


class RequestGate:
    """Turns away what must not act, and answers it.

    Args:
        now_us: the controller's monotonic clock, microseconds.
        state: the state of the set, for the answers.
        report: sends an answer.
    """

    def __init__(self, now_us: Callable[[], int], state: Callable[[], State], report: Callable[[Answer], None]) -> None:
        self._now_us = now_us
        self._state = state
        self._report = report
        self._freshness = RequestFreshness(secrets.token_hex(4))

    @property
    def ticket(self) -> str:
        """The ticket of this moment, which state reports bear."""
        return self._freshness.ticket(self._now_us())

    def note(self, answer: Answer) -> None:
        """Remember what a handled request was answered, for its copies."""
        self._freshness.note(answer)

    def let_in(self, request: Requested) -> Requested | BadInput:
        """The request, or, when it must not act and was answered, what core and recording see instead of it."""
        stale = self._freshness.objection(request, self._now_us())
        return request if stale is None else self._turn_away(request, stale)

    def overtaken(self, request: Requested) -> None:
        """A stop came before this request was handled. It counts as handled, so that no copy of it acts either."""
        if isinstance(self.let_in(request), Requested):
            self.refuse_overtaken(request)

    def refuse_overtaken(self, request: Requested) -> None:
        """The same for a request that was let in and had to wait since."""
        self.refuse(request.correlation_id, AnswerCode.OVERTAKEN_BY_STOP, _OVERTAKEN)

    def unreadable(self, correlation_id: str, why: BadInput) -> None:
        """Answer a request that fits no schema.

        Args:
            correlation_id: the one thing that could be read of it.
            why: what is wrong with it.
        """
        self.refuse(correlation_id, why.code, why.detail)

    def refuse(self, correlation_id: str, code: str, message: str) -> None:
        """Answer a request that never reaches the core.

        Args:
            correlation_id: of the request.
            code: why, for scripts.
            message: why, for people.
        """
        state = self._state()
        self._report(
            Answer(correlation_id=correlation_id, accepted=False, code=code, message=message, nonce=None, state=state)
        )

    def _turn_away(self, request: Requested, stale: NotFresh) -> BadInput:
        if stale.code is not AnswerCode.REPEATED_REQUEST:
            self.refuse(request.correlation_id, stale.code, stale.message)
        elif stale.answer is not None:
            # Until the first copy is answered there is nothing to say to this one.
            self._report(stale.answer)
        return BadInput(now_us=request.now_us, topic=Topic.REQUEST.value, code=stale.code, detail=stale.message)
