"""What the screen of a blinded session says in place of what its study hides.

Sentences of the controller hold loads, shares, counts and names of policies, so a blinded screen shows none of them: it
has fixed sentences, chosen by reason, and shows one only if it tells nothing that is hidden. What ends a set from
outside the protocol (a stop, a fault, the rig) is always told, since people must act on it.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from ebbset.controller.messages.reasons import SENTENCES, AnswerCode, Reason, State

UNKNOWN: Final = (
    "A session of a study: what its screens may show is not known here, so nothing is shown. Give its prescription."
)
ANOTHER: Final = "The prescription that is armed is not the one given, so nothing of it is shown."
OVER: Final = "The set is over."
UNDER_WAY: Final = "under way"
_FAULT: Final = "A fault of the controller ended the set; its log says which."
_NOT_SHOWN: Final = "why is not shown here, since the session is blinded; the controller's recording holds it"
_SAME: Final = frozenset({State.WORKING.value, State.RESTING.value, State.ENDING.value})
"""States that follow each other as the condition orders."""

_ALWAYS: Final = frozenset(
    {
        Reason.ARMED,
        Reason.STARTED,
        Reason.STOP_REQUESTED,
        Reason.RELEASE_REQUESTED,
        Reason.EMERGENCY_STOP,
        Reason.HANDLE_RELEASED,
        Reason.TAKEN_EARLY,
        Reason.TELEMETRY_LOST,
        Reason.TELEMETRY_FROZEN,
        Reason.SENSORS_DISAGREE,
        Reason.RIG_DISAGREES,
        Reason.RIG_REBOOTED,
        Reason.RIG_LOST,
        Reason.RIG_FAULT,
        Reason.RIG_REFUSED,
        Reason.NOT_ACKNOWLEDGED,
        Reason.LEASE_EXPIRED,
        Reason.LINK_LOST,
    }
)
"""Reasons from outside the protocol; their sentences name nothing that a study can hide."""
_FAULTS: Final = frozenset({Reason.GUARD_REFUSED, Reason.POLICY_FAILED, Reason.DEFECT})
_TELLS: Final[dict[Reason, frozenset[str]]] = {
    Reason.BOUT_BEGUN: frozenset({"condition", "decisions", "repetitions", "load"}),
    Reason.BOUT_DONE: frozenset({"condition", "decisions", "repetitions"}),
    Reason.SET_DONE: frozenset({"condition", "decisions", "repetitions"}),
    Reason.STALL_IN_CONCENTRIC: frozenset({"condition", "decisions", "velocity", "repetitions"}),
    Reason.STALL_FORESEEN: frozenset({"condition", "decisions", "velocity", "repetitions"}),
    Reason.REVERSAL: frozenset({"condition", "decisions", "velocity", "repetitions"}),
    Reason.FAILED_START: frozenset({"condition", "decisions", "velocity", "repetitions"}),
    Reason.REPORTED_FAILURE: frozenset({"condition", "decisions", "repetitions"}),
    Reason.BUDGET_SPENT: frozenset({"condition", "decisions", "budget", "repetitions"}),
    Reason.FLOOR_FAILED: frozenset({"condition", "decisions", "load", "repetitions"}),
    Reason.DROPS_SPENT: frozenset({"condition", "decisions", "load", "repetitions"}),
    Reason.REPETITIONS_DONE: frozenset({"condition", "decisions", "repetitions"}),
    Reason.DURATION_SPENT: frozenset({"condition", "decisions"}),
    Reason.PAUSE_TOO_LONG: frozenset({"condition", "decisions", "repetitions"}),
    Reason.ROM_SHRINKING: frozenset({"condition", "decisions", "repetitions"}),
    Reason.VELOCITY_LOSS: frozenset({"condition", "decisions", "velocity", "repetitions", "load"}),
    Reason.LEFT_RIGHT_DIFFERENCE: frozenset({"condition", "decisions", "velocity", "repetitions"}),
}
"""What the sentence of each reason of the protocol tells."""
_STATES_TELL: Final = frozenset({"condition", "decisions", "repetitions"})
_WITHHELD: Final = frozenset(
    {
        AnswerCode.ABOVE_RIG_MAXIMUM,
        AnswerCode.BELOW_RIG_MINIMUM,
        AnswerCode.UNKNOWN_POLICY,
        AnswerCode.BAD_POLICY_PARAMETERS,
        AnswerCode.POLICY_FAILED,
        AnswerCode.GUARD_REFUSED,
    }
)
"""Answers whose message holds loads or names a policy."""
_WHILE_UNDER_WAY: Final = frozenset(
    {AnswerCode.NOT_WHILE_WORKING, AnswerCode.NOT_WHILE_RESTING, AnswerCode.NOT_WHILE_ENDING}
)


@dataclass(frozen=True, slots=True)
class ScreenBlinding:
    """What one screen leaves out.

    Attributes:
        hidden: quantities, and ``condition``; empty for a screen that shows all.
        why: a sentence for the person where everything is hidden because it is not known what may be shown.
    """

    hidden: frozenset[str] = frozenset()
    why: str | None = None

    def hides(self, *quantities: str) -> bool:
        """Whether any of these is hidden.

        Args:
            *quantities: names as in a study file.
        """
        return not self.hidden.isdisjoint(quantities)

    def state(self, state: str) -> str:
        """A state in words; those that follow each other as the condition orders are one.

        Args:
            state: as on the wire.
        """
        return UNDER_WAY if state in _SAME and not self.hidden.isdisjoint(_STATES_TELL) else state

    def sentence(self, reason: str) -> str | None:
        """The fixed sentence of a reason; None where it would tell something hidden, or nobody knows what it tells.

        Args:
            reason: reason code.
        """
        try:
            known = Reason(reason)
        except ValueError:
            return None
        if known in _FAULTS:
            return _FAULT
        shown = known in _ALWAYS or self.hidden.isdisjoint(_TELLS[known])
        return SENTENCES[known] if shown else None

    def ended_because(self, reason: str) -> str:
        """Why a set ended, in words.

        Args:
            reason: reason code of the result.
        """
        return self.sentence(reason) or OVER

    def answer(self, code: str, message: str) -> tuple[str, str]:
        """Code and message of an answer to a request, as far as they may be shown.

        Args:
            code: the answer's code.
            message: its message.
        """
        if not self.hidden:
            return code, message
        if code in _WHILE_UNDER_WAY:
            return "not_while_under_way", "The set is under way."
        return (code, _NOT_SHOWN) if code in _WITHHELD else (code, message)
