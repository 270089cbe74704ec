"""The set regulator: one deterministic state machine for one rig. Feed it an event with its time, get actions back.

What lives here: what each response of the table in `transitions` does, and the one function that changes the state.
What never does: what an input means (`triggers`), which response it gets (the table), what follows from telemetry
in a bout (`bout`), how stalls are seen (`segmenter`), what the lifter has left (`capacity`), which stop rules there
are (`stop_rules`), and any clock, socket, file or random number. The same object runs live and in replay.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import replace
from math import ceil
from typing import Final, get_args

from ebbset.controller.detection.evidence.habit_figures import HabitFigures
from ebbset.controller.estimation.judgement import Judgement
from ebbset.controller.messages.actions import Command, Output
from ebbset.controller.messages.events import (
    Acknowledged,
    EarlierSet,
    Event,
    GuardRefused,
    LinkDown,
    LinkUp,
    RepetitionSeen,
    Requested,
    RigAnnounced,
    RigReported,
    Samples,
)
from ebbset.controller.messages.reasons import SENTENCES, AnswerCode, Reason, State
from ebbset.controller.messages.soundness import timed
from ebbset.controller.policies.policy import PolicyFactory
from ebbset.controller.regulation import bout
from ebbset.controller.regulation.armed_set import ArmedSet, FinishedSet, LiveSet, NoSet, Position
from ebbset.controller.regulation.arming import refusal_to_arm, refusal_to_start
from ebbset.controller.regulation.ending import detail_of, end_set, finish_set, wind_down
from ebbset.controller.regulation.outcomes import Continue, End, Finding, Outcome
from ebbset.controller.regulation.reports import snapshot_of
from ebbset.controller.regulation.rig_word import load_left
from ebbset.controller.regulation.set_context import SetContext
from ebbset.controller.regulation.stop_rules import by_duration, by_time
from ebbset.controller.regulation.transitions import END_REASONS, TRANSITIONS, Response, Trigger
from ebbset.controller.regulation.triggers import trigger_of
from ebbset.models.contract.constants import ACKNOWLEDGED_WITHIN_S

REPORT_EVERY_US: Final = 500_000
ACKNOWLEDGED_WITHIN_US: Final = ACKNOWLEDGED_WITHIN_S * 1_000_000
ARMING_SEQ: Final = 1
"""Sequence number of the arm command, the first of its nonce."""
_COMMANDS: Final = get_args(Command)
_REFUSAL_TEXTS: Final = {
    State.OFFLINE: "The rig is not there: no announcement heard on this link.",
    State.IDLE: "Nothing is armed; arm first.",
    State.ARMED: "Already armed; start, stop or release.",
    State.WORKING: "A set is under way; stop it first.",
    State.RESTING: "A set is in a programmed rest; stop it first.",
    State.ENDING: "A set is just ending; wait until the rig is unloaded.",
    State.ENDED: "The set is over; arm anew.",
}


class Regulator:
    """One rig's regulator. `handle` is the only way in; ``state`` may be read.

    Args:
        policies: drop policies by name; an arming may name any of them.
        judgement: how far estimates are trusted.
        stall_figures: what the stall rule "habits" was fitted to.
    """

    def __init__(
        self, policies: Mapping[str, PolicyFactory], judgement: Judgement, stall_figures: HabitFigures
    ) -> None:
        self._policies, self._judgement, self._stall_figures = policies, judgement, stall_figures
        self._context = SetContext()
        self._at: Position = NoSet(State.OFFLINE)
        self._link = False
        self._reported_us = -REPORT_EVERY_US
        self._without_live_set: Final[dict[Response, Callable[[Event, NoSet | FinishedSet], Position]]] = {
            Response.IGNORE: self._ignore,
            Response.NOTE: self._note,
            Response.NOTE_LINK: self._note_link,
            Response.ONLINE: self._online,
            Response.OFFLINE: self._offline,
            Response.ARM: self._arm,
            Response.CONFIRM_STOPPED: self._confirm_stopped,
            Response.REFUSE: self._refuse,
        }
        self._with_live_set: Final[dict[Response, Callable[[Event, LiveSet], Position]]] = {
            Response.COUNT: self._count,
            Response.NOTE: self._note,
            Response.COMPARE: self._compare,
            Response.HOLD_TO_WORD: self._hold_to_word,
            Response.ABANDON: self._abandon,
            Response.CONFIRM_ARMING: self._confirm_arming,
            Response.WAIT: self._wait,
            Response.RUN_BOUT: self._run_bout,
            Response.COUNT_REPETITION: self._count_repetition,
            Response.REST: self._rest,
            Response.WIND_DOWN: self._wind_down,
            Response.START: self._start,
            Response.STOP: self._end_by_table,
            Response.END: self._end_by_table,
            Response.CONFIRM_STOPPED: self._confirm_stopped,
            Response.REFUSE: self._refuse,
        }

    @property
    def state(self) -> State:
        """State of the set."""
        return self._at.state

    @property
    def left_behind(self) -> EarlierSet | None:
        """The lifter's state after the last set, once it is over."""
        return self._context.left_behind

    def handle(self, event: Event) -> tuple[Output, ...]:
        """Take one event in and give back what follows from it, in order. Raises nothing for any event."""
        context = self._context
        event = timed(event)
        if event.now_us > context.now_us:
            context.now_us = event.now_us
        before = self._at
        trigger = trigger_of(event, context.rig.identity, context.nonce, live=isinstance(before, LiveSet))
        response, may_lead_to = TRANSITIONS[before.state, trigger]
        if isinstance(before, LiveSet):
            after = self._with_live_set[response](event, before)
        else:
            after = self._without_live_set[response](event, before)
        # The only place where the state changes; one that the table does not allow is never entered.
        self._at = after if after.state in may_lead_to else self._not_allowed(before, trigger, after)
        if self._at.state is not before.state or context.now_us - self._reported_us >= REPORT_EVERY_US:
            self._reported_us = context.now_us
            context.out.append(snapshot_of(context.now_us, self._at, context.rig.applied_n))
        if not context.out:
            return ()
        out = tuple(context.out)
        context.out.clear()
        return out

    def _not_allowed(self, before: Position, trigger: Trigger, after: Position) -> Position:
        """A defect of ours. None of its commands goes out; a live set ends, and a record says why."""
        context = self._context
        context.out[:] = [output for output in context.out if not isinstance(output, _COMMANDS)]
        detail = f"{trigger.value} led from {before.state.value} to {after.state.value}."
        if isinstance(before, LiveSet) and before.state is not State.ENDING:
            return end_set(self._context, before, Finding(Reason.DEFECT), detail)
        context.record_defect(before.state, f"{SENTENCES[Reason.DEFECT]} {detail}")
        return before

    # --- responses -----------------------------------------------------------------------------------------------

    def _ignore(self, _event: Event, at: Position) -> Position:
        return at

    def _count(self, _event: Event, at: LiveSet) -> Position:
        at.armed.refused_inputs += 1
        return at

    def _note(self, event: Event, at: Position) -> Position:
        """Keep what the rig says about itself; what is old, or of another boot, is only counted."""
        rig = self._context.rig
        if isinstance(event, RigAnnounced):
            rig.announced(event)
            return at
        if isinstance(event, Samples):
            new = rig.accept_samples(event)
        elif isinstance(event, Acknowledged):
            new = event.nonce == self._context.nonce and rig.accept_ack(event)
        elif isinstance(event, RepetitionSeen):
            ours = event.nonce == self._context.nonce
            new = ours and not rig.by_frames and rig.accept_repetition(event)
        else:
            new = isinstance(event, RigReported) and rig.accept_report(event)
        if not new and isinstance(at, LiveSet):
            at.armed.refused_inputs += 1
        return at

    def _hold_to_word(self, event: Event, at: LiveSet) -> Position:
        """In a bout: keep what the rig reports, then check that it applies what was commanded."""
        self._note(event, at)
        if not isinstance(event, Acknowledged | RigReported):
            return at
        return self._act_on(bout.after_word(self._context, at.armed, event), at)

    def _note_link(self, event: Event, at: Position) -> Position:
        self._link = isinstance(event, LinkUp)
        return at

    def _compare(self, event: Event, at: LiveSet) -> Position:
        """An announcement during a set must say what the set was armed with."""
        if not isinstance(event, RigAnnounced):
            return at
        known = self._context.rig.knows(event)
        self._context.rig.announced(event)
        if known:
            return at
        return end_set(
            self._context, at, Finding(Reason.RIG_DISAGREES), "It announced other capabilities than it was armed with."
        )

    def _online(self, event: Event, at: Position) -> Position:
        if not isinstance(event, RigAnnounced) or not self._link:
            return at
        self._context.rig.announced(event)
        heard = self._context.rig.identity is not None
        return NoSet(State.IDLE) if at.state is State.OFFLINE and heard else at

    def _offline(self, event: Event, _at: Position) -> Position:
        if isinstance(event, LinkDown):
            self._link = False
        self._context.rig.lost()
        return NoSet(State.OFFLINE)

    def _abandon(self, event: Event, at: LiveSet) -> Position:
        """The rig or the link is lost while a set is ending: nothing more will be heard of it, so the set is over."""
        finish_set(self._context, at.armed)
        return self._offline(event, at)

    def _refuse(self, event: Event, at: Position) -> Position:
        code, text = AnswerCode(f"not_while_{at.state.value}"), _REFUSAL_TEXTS[at.state]
        self._answer(event, at, accepted=False, code=code, message=text)
        return at

    def _confirm_stopped(self, event: Event, at: Position) -> Position:
        text = "Nothing is armed; the rig is unloaded."
        self._answer(event, at, accepted=True, code=AnswerCode.ALREADY_STOPPED, message=text)
        return at

    def _answer(self, event: Event, at: Position, *, accepted: bool, code: AnswerCode, message: str) -> None:
        if isinstance(event, Requested):
            self._context.answer(event.correlation_id, at.state, accepted=accepted, code=code, message=message)

    def _arm(self, event: Event, at: Position) -> Position:
        if not isinstance(event, Requested):
            return at
        context = self._context
        refusal = refusal_to_arm(event, context.rig, self._policies, context.now_us, last_nonce=context.nonce)
        if refusal is not None:
            self._answer(event, at, accepted=False, code=refusal.code, message=refusal.message)
            return at
        armed = ArmedSet.of(event, context.rig, self._policies, self._judgement, self._stall_figures)
        armed.take_over(self._context.left_behind or event.earlier)
        self._context.left_behind = None
        context.nonce = armed.nonce
        context.send_arm(armed)
        context.decide(armed, State.ARMED, "arm", Finding(Reason.ARMED), SENTENCES[Reason.ARMED])
        return LiveSet(State.ARMED, armed)

    def _confirm_arming(self, event: Event, at: LiveSet) -> Position:
        """The rig answered a command, perhaps the arming."""
        self._note(event, at)
        identity, armed = self._context.rig.identity, at.armed
        if isinstance(event, Acknowledged) and event.accepted and identity is not None:
            answered = (event.boot_id, event.nonce, event.command_seq)
            if answered == (identity.boot_id, armed.nonce, ARMING_SEQ):
                self._acknowledged(armed)
        return at

    def _acknowledged(self, armed: ArmedSet) -> None:
        """The rig is bound to the set, so that whoever asked for it can be told."""
        if not armed.acknowledged:
            armed.acknowledged = True
            text = "Armed and unloaded. Start when the lifter is ready."
            self._context.answer(armed.asked, State.ARMED, accepted=True, code=AnswerCode.ARMED, message=text)

    def _start(self, event: Event, at: LiveSet) -> Position:
        context, armed = self._context, at.armed
        refusal = refusal_to_start(event, context, armed) if isinstance(event, Requested) else None
        if refusal is not None:
            self._answer(event, at, accepted=False, code=refusal.code, message=refusal.message)
            return at
        armed.started_us = context.now_us
        after = self._begin_bout(armed, 0, Reason.STARTED)
        self._answer(event, after, accepted=True, code=AnswerCode.STARTED, message="The load comes on at the dock.")
        return after

    # --- armed, resting, in a bout -------------------------------------------------------------------------------

    def _begin_bout(self, armed: ArmedSet, index: int, reason: Reason) -> Position:
        """Put a programmed load on; the handle is docked."""
        context, before_n = self._context, armed.target_n
        armed.begin_bout(index, armed.prescription.bout_load_n(index), context.now_us)
        context.send_load(armed)
        context.decide(armed, State.WORKING, "load", Finding(reason), SENTENCES[reason], from_n=before_n)
        return LiveSet(State.WORKING, armed)

    def _unloaded(self, event: Event, armed: ArmedSet) -> Finding | None:
        """Armed or resting: take the input in; a finding says that telemetry was silent, or that a load is applied."""
        rig, found = self._context.rig, self._context.silence(armed)
        if found is None and isinstance(event, Samples):
            if rig.accept_samples(event):
                found = rig.leap(event, armed.silence_allowed_us)
            else:
                armed.refused_inputs += 1
        return found or load_left(rig, armed)

    def _wait(self, event: Event, at: LiveSet) -> Position:
        armed = at.armed
        found = self._unloaded(event, armed)
        if found is not None:
            return end_set(self._context, at, found)
        if self._context.rig.by_frames and self._context.rig.rig_nonce == armed.nonce:
            # A frame that bears the nonce says the same as an acknowledgement, which may be on its way or lost. Where a
            # rig sends none, its nonce is that of an answer, and any rig accepts an unload, bound or not.
            self._acknowledged(armed)
        waited_us = self._context.now_us - armed.armed_us
        if not armed.acknowledged and waited_us > ACKNOWLEDGED_WITHIN_US:
            allowed_ms = ACKNOWLEDGED_WITHIN_US / 1e3
            waited = (("waited_ms", waited_us / 1e3),)
            return end_set(
                self._context, at, Finding(Reason.NOT_ACKNOWLEDGED, waited, (("acknowledged_within_ms", allowed_ms),))
            )
        self._context.keep_bound(armed)
        return at

    def _rest(self, event: Event, at: LiveSet) -> Position:
        """Resting: when the rest is over and the handle docked, the next bout begins."""
        context, armed = self._context, at.armed
        found = self._unloaded(event, armed)
        if found is not None:
            return end_set(self._context, at, found)
        finding = by_duration(armed.prescription.stop, context.now_us - armed.started_us)
        if finding is not None:
            return end_set(self._context, at, finding)
        rested_us = context.now_us - armed.rest_began_us
        late_us = rested_us - ceil(armed.prescription.bouts[armed.bout + 1].rest_before_s * 1e6)
        if late_us >= 0:
            if context.rig.docked is True and context.rig.at_rest:
                for cable in armed.cables:
                    cable.rest(rested_us / 1e6)
                return self._begin_bout(armed, armed.bout + 1, Reason.BOUT_BEGUN)
            late_s, allowed_s = late_us / 1e6, armed.prescription.stop.max_start_wait_s
            if late_s > allowed_s:
                finding = Finding(Reason.PAUSE_TOO_LONG, (("late_s", late_s),), (("max_start_wait_s", allowed_s),))
                return end_set(self._context, at, finding)
        self._context.keep_bound(armed)
        return at

    def _run_bout(self, event: Event, at: LiveSet) -> Position:
        """In a bout: what the frame shows, then what the time allows, then the renewal of the lease."""
        context, armed = self._context, at.armed
        if isinstance(event, Samples):
            outcome = bout.after_frame(context, armed, event)
            if not isinstance(outcome, Continue):
                return self._act_on(outcome, at)
        elif (silent := self._context.silence(armed)) is not None:
            return end_set(self._context, at, silent)
        now_us = context.now_us
        finding = by_time(
            armed.prescription,
            elapsed_us=now_us - armed.started_us,
            still_us=now_us - armed.active_us,
            any_repetition=armed.moved_in_bout,
            ascending=any(cable.segmenter.in_repetition for cable in armed.cables),
        )
        if finding is not None:
            return end_set(self._context, at, finding)
        if now_us - armed.sent_us >= armed.renew_every_us:
            context.send_load(armed)
        return at

    def _count_repetition(self, event: Event, at: LiveSet) -> Position:
        if not isinstance(event, RepetitionSeen):
            return at
        return self._act_on(bout.after_summary(self._context, at.armed, event), at)

    def _act_on(self, outcome: Outcome, at: LiveSet) -> Position:
        """Where a step of a bout leads."""
        if isinstance(outcome, Continue):
            return at
        if isinstance(outcome, End):
            return end_set(self._context, at, outcome.finding, outcome.detail)
        context, armed, done = self._context, at.armed, outcome.finding
        if armed.bout + 1 >= len(armed.prescription.bouts):
            reason = done.reason if done.reason is Reason.REPETITIONS_DONE else Reason.SET_DONE
            return end_set(self._context, at, replace(done, reason=reason))
        before_n = armed.target_n
        armed.end_bout(context.now_us, applied_n=context.rig.applied_n)
        context.send_unload(armed, armed.ramp_n_per_s)
        text = f"{SENTENCES[Reason.BOUT_DONE]} {SENTENCES[done.reason]}"
        context.decide(armed, State.RESTING, "rest", replace(done, reason=Reason.BOUT_DONE), text, from_n=before_n)
        return LiveSet(State.RESTING, armed)

    def _end_by_table(self, event: Event, at: LiveSet) -> Position:
        context = self._context
        reason = END_REASONS[trigger_of(event, context.rig.identity, context.nonce, live=True)]
        if isinstance(event, LinkDown):
            self._link = False
        elif isinstance(event, GuardRefused):
            at.armed.guard_refusals += 1
        after = end_set(context, at, Finding(reason), detail_of(event))
        if isinstance(event, RigAnnounced):
            context.rig.announced(event)
        self._answer(event, after, accepted=True, code=AnswerCode.STOPPED, message=SENTENCES[reason])
        return after

    def _wind_down(self, event: Event, at: LiveSet) -> Position:
        return wind_down(self._context, event, at)
