"""Is a request of now? Tickets with an age by this controller's own clock, and a memory of what was handled.

A broker may deliver a request late, and twice. Every state report bears a ticket; a request to arm or to start bears
the ticket that its sender read last. A ticket of another run of this program, or one older than the limit, is refused.
What was handled is remembered for as long as its ticket can be valid, so that nothing acts twice, whatever happened to
the link meanwhile. Stopping and releasing need no ticket and are obeyed as often as they come.

Never here: whether the set may be armed or started; the core decides that.
"""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass
from typing import Final

from ebbset.controller.messages.actions import Answer
from ebbset.controller.messages.events import Requested
from ebbset.controller.messages.reasons import AnswerCode
from ebbset.models.contract.constants import LONGEST_REQUEST_AGE_S
from ebbset.models.contract.operator_messages import NEEDED

_US_PER_S: Final = 1_000_000


@dataclass(frozen=True, slots=True)
class NotFresh:
    """Why a request does not act; ``answer`` is the one that its first copy got, ``None`` for another request."""

    code: AnswerCode
    message: str
    answer: Answer | None = None


class RequestFreshness:
    """What one run of the service knows of the requests that it was asked.

    Args:
        run: drawn anew at every start of the service; part of every ticket.
    """

    def __init__(self, run: str) -> None:
        self._run = run
        self._answers: dict[str, Answer | None] = {}
        self._handled: deque[tuple[int, str]] = deque()

    def ticket(self, now_us: int) -> str:
        """The ticket of this moment: the run, and the whole seconds of the service's clock.

        Args:
            now_us: clock of the service, microseconds.
        """
        return f"{self._run}-{now_us // _US_PER_S}"

    def objection(self, request: Requested, now_us: int) -> NotFresh | None:
        """Why this request may not act, or None, and then it counts as handled.

        Args:
            request: as it arrived.
            now_us: clock of the service, microseconds.
        """
        if request.action not in NEEDED:
            return None
        self._forget(now_us)
        name = request.correlation_id
        if name in self._answers:
            message = f"correlation_id {name!r} was handled before; allowed: a new one for every request"
            return NotFresh(AnswerCode.REPEATED_REQUEST, message, self._answers[name])
        old = self._ticket_objection(request.ticket, now_us)
        if old is not None:
            return old
        self._answers[name] = None
        self._handled.append((now_us, name))
        return None

    def note(self, answer: Answer) -> None:
        """Remember what a handled request was answered, for its copies."""
        if answer.correlation_id in self._answers:
            self._answers[answer.correlation_id] = answer

    def _forget(self, now_us: int) -> None:
        """A request that is older than every valid ticket is refused by its own ticket."""
        while self._handled and now_us - self._handled[0][0] > (LONGEST_REQUEST_AGE_S + 1) * _US_PER_S:
            del self._answers[self._handled.popleft()[1]]

    def _ticket_objection(self, ticket: str | None, now_us: int) -> NotFresh | None:
        run, _, second = (ticket or "").rpartition("-")
        if run != self._run or not (second.isascii() and second.isdigit()) or int(second) > now_us // _US_PER_S:
            message = f"ticket is {ticket!r}; allowed: that of the newest ctl/state; look there and ask again"
            return NotFresh(AnswerCode.UNKNOWN_TICKET, message)
        age_s = now_us // _US_PER_S - int(second)
        if age_s > LONGEST_REQUEST_AGE_S:
            message = (
                f"ticket is {age_s} s old; allowed: at most {LONGEST_REQUEST_AGE_S} s; look at ctl/state and ask again"
            )
            return NotFresh(AnswerCode.REQUEST_TOO_OLD, message)
        return None
