"""What a screen says of a live set, as far as its blinding lets it: the same in the terminal and in the browser."""

from __future__ import annotations

from ebbset.console.live.live_state import LiveState
from ebbset.console.live.screen_blinding import ScreenBlinding
from ebbset.models.contract import formatting
from ebbset.models.contract.controller_messages import DecisionReport, RepetitionReport
from ebbset.models.contract.rig_messages import RepetitionOutcome
from ebbset.models.contract.study_mark import is_session

NO_SET = "no set armed"
A_SET = "a set"


def set_name(state: LiveState, blinding: ScreenBlinding) -> str:
    """Name of the armed set; a blinded screen shows only one that sessions have, which tells no condition.

    Args:
        state: what is known of the set.
        blinding: what the screen leaves out.
    """
    name = None if state.report is None else state.report.prescription
    if not name:
        return NO_SET
    if not blinding.hidden or (state.order is not None and state.order.name == name):
        return name
    return name if is_session(name) and ":" not in name else A_SET


def decision_words(decision: DecisionReport, blinding: ScreenBlinding) -> tuple[str, str] | None:
    """What a decision did, in a word or two, and why; on a blinded screen a fixed sentence, or nothing at all.

    Args:
        decision: as on the wire.
        blinding: what the screen leaves out.
    """
    if blinding.hidden:
        sentence = blinding.sentence(decision.reason)
        return None if sentence is None else ("", sentence)
    return formatting.ACTIONS.get(decision.action, decision.action), decision.text


def one_side(state: LiveState) -> list[RepetitionReport]:
    """The repetitions of the first cable, or of both where the rig does not tell them apart."""
    return [one for one in state.repetitions if (one.cable or 0) == 0]


def completed(state: LiveState) -> int:
    """Number of completed repetitions."""
    return sum(one.outcome is RepetitionOutcome.COMPLETED for one in one_side(state))


def velocity_text(velocity_m_s: float) -> str:
    """A velocity with its sign and unit."""
    return f"{velocity_m_s:+.2f} m/s".replace("-", "−")


def failure_text(state: LiveState, blinding: ScreenBlinding) -> str | None:
    """Why the set is not recorded; a blinded screen does not show the name of a file. None while it is recorded.

    Args:
        state: what is known of the set.
        blinding: what the screen leaves out.
    """
    if state.report is None or state.report.recording_failure is None:
        return None
    return "see the controller's log" if blinding.hidden else state.report.recording_failure
