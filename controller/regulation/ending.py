"""The end of a set: unload and say why, wait until the load is off, then let the rig go.

What lives here: what ending does to the set and to the rig, and what it reports. What never does: when a set ends
(`transitions`, `stop_rules`, `bout`), and changing the state, which is the regulator's.
"""

from __future__ import annotations

from typing import Final

from ebbset.controller.messages.events import Acknowledged, Event, GuardRefused, RigAnnounced, RigReported, Samples
from ebbset.controller.messages.reasons import SENTENCES, AnswerCode, Reason, State
from ebbset.controller.regulation.armed_set import ArmedSet, FinishedSet, LiveSet, NoSet, Position
from ebbset.controller.regulation.outcomes import Finding
from ebbset.controller.regulation.reports import result_of
from ebbset.controller.regulation.set_context import SetContext
from ebbset.models.contract.field_types import LAST_SEQUENCE

ENDING_PATIENCE_US: Final = 3_000_000
_NOT_ARMED_CODES: Final = {
    Reason.RIG_REFUSED: AnswerCode.RIG_REFUSED,
    Reason.NOT_ACKNOWLEDGED: AnswerCode.NOT_ACKNOWLEDGED,
    Reason.GUARD_REFUSED: AnswerCode.GUARD_REFUSED,
}


def end_set(context: SetContext, at: LiveSet, finding: Finding, detail: str = "") -> Position:
    """End the set: unload and say why. Only a new arming leads on from here.

    Args:
        context: time, rig and output.
        at: the set, and where it stands.
        finding: why it ends.
        detail: what else is known about that, for people.
    """
    armed, reason = at.armed, finding.reason
    before_n = armed.target_n
    armed.ending(reason, context.now_us, applied_n=context.rig.applied_n)
    context.left_behind = armed.left_behind()
    context.send_unload(armed, armed.ending_ramp_n_per_s)
    text = f"{SENTENCES[reason]} {detail}".strip()
    context.decide(armed, at.state, "end", finding, text, from_n=before_n)
    lost = reason in (Reason.LINK_LOST, Reason.RIG_LOST)
    after: Position = NoSet(State.OFFLINE) if lost else LiveSet(State.ENDING, armed)
    if not armed.acknowledged:
        armed.acknowledged = True
        code = _NOT_ARMED_CODES.get(reason, AnswerCode.NOT_ARMED)
        context.answer(armed.asked, after.state, accepted=False, code=code, message=f"Not armed. {text}")
    if lost:
        finish_set(context, armed)
        context.rig.lost()
    return after


def finish_set(context: SetContext, armed: ArmedSet) -> None:
    """Release the rig and report the result of the set.

    Args:
        context: time, rig and output.
        armed: the set.
    """
    context.send_release(armed)
    context.out.append(result_of(armed))


def wind_down(context: SetContext, event: Event, at: LiveSet) -> Position:
    """Unloading: repeat the unload until the rig reports no load or patience ends, then let the rig go.

    Patience is the time that the load needs to go off, and some: a rig that is let go is told no ramp any more.

    Args:
        context: time, rig and output.
        event: what was heard.
        at: the set that is ending.
    """
    rig, armed, now_us = context.rig, at.armed, context.now_us
    if isinstance(event, Samples):
        if not rig.accept_samples(event):
            armed.refused_inputs += 1
    elif isinstance(event, Acknowledged):
        if event.nonce == armed.nonce:
            rig.accept_ack(event)
    elif isinstance(event, RigAnnounced):
        rig.announced(event)
    heard_since = rig.fresh_us is not None and rig.fresh_us > armed.ending_us
    if (heard_since and rig.unloaded) or now_us - armed.ending_us > armed.unloading_us + ENDING_PATIENCE_US:
        finish_set(context, armed)
        return FinishedSet(armed)
    context.keep_bound(armed)
    return at


def detail_of(event: Event) -> str:
    """What an input that ends a set says about why, for people; empty where its kind says all."""
    if isinstance(event, GuardRefused):
        return f"{event.rule}: {event.detail}"
    if isinstance(event, Acknowledged):
        return f"command {max(0, min(event.command_seq, LAST_SEQUENCE))}: {event.refusal}"
    return event.detail if isinstance(event, RigReported) else ""
