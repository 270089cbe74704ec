"""What whoever leads a session knows of one rig, from messages alone, and of its own set there, by the set's nonce."""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass, field
from typing import Any, Final

from ebbset.coaching.sessions.next_load import strength_of
from ebbset.coaching.sessions.session_events import UNHEARD, SetEnded
from ebbset.console.live.live_state import LiveState
from ebbset.controller.messages.endings import BUDGETS, spent_budget
from ebbset.controller.messages.reasons import State
from ebbset.models.contract.controller_messages import SetReport, StateReport
from ebbset.models.contract.prescription import Prescription
from ebbset.models.contract.rig_messages import RigIdentity
from ebbset.models.contract.wire import BadMessageError, Topic, decode

AT_WORK: Final = frozenset({State.WORKING.value, State.RESTING.value})
HOLDING: Final = AT_WORK | {State.ARMED.value, State.ENDING.value}
"""States in which the rig belongs to a set; one that is ending may never have been started."""
UNHEARD_AFTER_S: Final = 3.0
"""A set that its controller no longer holds is over when its result, which is sent before, has not come by then."""
GONE_AFTER_S: Final = 30.0
"""As long, while the controller itself is gone: it may come back with the result (judgement)."""
_RESULTS: Final = 8
"""Results of other sets, kept because one can come before the answer that says whose it is."""


@dataclass(slots=True)
class SessionRig:
    """One rig of a session.

    Attributes:
        name: of the rig.
        state: newest report of its controller; None before the first.
        identity: what the rig last said of itself.
        nonce: of the session's own set that was armed here last.
        live: what was heard of that set, for a screen.
    """

    name: str
    state: StateReport | None = None
    identity: RigIdentity | None = None
    nonce: str | None = None
    live: LiveState | None = None
    _away_since_s: float | None = None
    _results: deque[SetReport] = field(default_factory=lambda: deque(maxlen=_RESULTS))

    def lead(self, nonce: str, order: Prescription) -> None:
        """From now on, the set with this nonce is the session's.

        Args:
            nonce: that its arming got.
            order: what was armed.
        """
        self.nonce, self.live, self._away_since_s = nonce, LiveState.of(order), None

    def take(self, topic: Topic, payload: bytes) -> None:
        """Take one message into account; one that breaks the contract is ignored.

        Args:
            topic: topic of the message.
            payload: its bytes.
        """
        try:
            message: Any = decode(topic, payload)
        except BadMessageError:
            return
        if isinstance(message, RigIdentity):
            self.identity = message
        elif isinstance(message, StateReport):
            self.state = message
        elif isinstance(message, SetReport):
            self._results.append(message)
        if self.live is None:
            return
        # A frame has the rig's nonce or none; everything else of a set names it.
        of = getattr(message, "nonce", self.nonce)
        if of == self.nonce:
            self.live.take(topic, payload)

    @property
    def result(self) -> SetReport | None:
        """The result of the session's own set; None before it came."""
        return next((one for one in self._results if self.nonce is not None and one.nonce == self.nonce), None)

    @property
    def holds_own(self) -> bool:
        """The session's own set is armed or at work here."""
        state = self.state
        return state is not None and state.nonce == self.nonce is not None and state.state in HOLDING

    @property
    def own_at_work(self) -> bool:
        """The session's own set was started and is not ending yet."""
        return self.holds_own and self.state is not None and self.state.state in AT_WORK

    def gone(self, now_s: float) -> bool:
        """Whether the controller has not held the session's own set for so long that its result will not come.

        Args:
            now_s: now, s.
        """
        if self.state is None or self.holds_own:
            self._away_since_s = None
            return False
        if self._away_since_s is None:
            self._away_since_s = now_s
        patience_s = GONE_AFTER_S if self.state.state == State.OFFLINE else UNHEARD_AFTER_S
        return now_s - self._away_since_s > patience_s

    @property
    def obstacle(self) -> str:
        """Why nothing can be armed here now, in a sentence; empty for nothing."""
        if self.state is None or self.state.state == State.OFFLINE:
            return f"No controller is heard for {self.name}."
        if self.identity is not None and not self.identity.online:
            return f"{self.name} is offline."
        if self.state.state in HOLDING and not self.holds_own:
            return f"{self.name} is busy with somebody else's set."
        return ""

    def ended(self, nonce: str, at_s: float) -> SetEnded:
        """The event that the session's own set is over: with its result, or as one whose result was not heard.

        Args:
            nonce: of the set.
            at_s: now, s.
        """
        result, live = self.result, self.live
        if result is None:
            return SetEnded(at_s=at_s, nonce=nonce, reason=UNHEARD, text="Its result was not heard.")
        ends = [] if live is None else [decision for decision in live.decisions if decision.action == "end"]
        budget = spent_budget(ends[-1].reason, (one.name for one in ends[-1].thresholds)) if ends else None
        low_n, middle_n, high_n = strength_of([] if live is None else live.repetitions) or (None, None, None)
        return SetEnded(
            at_s=at_s,
            nonce=nonce,
            reason=result.reason,
            text=result.text if budget is None else BUDGETS[budget],
            repetitions=result.repetitions,
            drops=result.drops,
            duration_s=max(result.duration_s, 0.0),
            ended_n=result.final_load_n,
            one_rm_n=middle_n,
            one_rm_low_n=low_n,
            one_rm_high_n=high_n,
            loss=None if result.budget_spent is None else min(max(result.budget_spent, 0.0), 1.0),
        )
