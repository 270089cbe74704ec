"""Where a session stands, from the events that happened: a pure state machine.

The same events give the same view, so whoever reads a journal sees what its leader sees. Time comes in with each event
and with each look. A set is offered with a start load that is up to date and with a time limit by which it is over
within the session's minutes; what there is no time for is left out, as the plan allows.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any, Final, Literal

from ebbset.coaching.sessions.next_load import PastSet, last_of, start_load, with_start
from ebbset.coaching.sessions.remaining import FittedStep, fitted
from ebbset.coaching.sessions.session_events import (
    Armed,
    Begun,
    EndedBecause,
    Repeated,
    Resumed,
    RigSeen,
    SessionEnded,
    SessionEvent,
    SetBegun,
    SetEnded,
    Skipped,
)
from ebbset.coaching.sessions.session_steps import SessionPlanFile, SessionStep
from ebbset.coaching.sessions.set_time import ended_within, longest_s
from ebbset.models.contract.prescription import Prescription
from ebbset.models.contract.study_mark import mark_of

Phase = Literal["not_begun", "resting", "ready", "armed", "working", "over"]
StepState = Literal["to do", "now", "done", "skipped", "left out"]

START_ALLOWANCE_S: Final = 15.0
"""Kept free between an arming and its start, so that a set that is armed just in time may still be started
(judgement)."""
LEAST_SET_S: Final = 15.0
"""A set that would have to end sooner than this is not offered; judgement, about three repetitions and the pick-up."""


@dataclass(frozen=True, slots=True)
class StepView:
    """One step and how far it is; of a set that was done also its end and the load that it began with, N per cable."""

    step: SessionStep
    state: StepState
    ended: SetEnded | None = None
    began_n: float | None = None


@dataclass(frozen=True, slots=True)
class SessionView:
    """The session at one moment.

    Attributes:
        phase: what is going on.
        step: the step that is done now or comes next; None before the beginning and when it is over.
        step_number: its number; 0 for none.
        steps: every step, in order.
        rest_left_s: rest before the next set may begin, s; 0 for none.
        session_left_s: of the session's minutes, s.
        order: the next set as it would be armed now, or the one that is armed; None when nothing can be armed.
        start_why: why it starts with this load.
        nonce: of the set that is armed or at work.
        start_obstacle: what is in the way of starting the armed set, in a sentence; empty for nothing.
        ended_because: why the session is over; None while it is not.
    """

    phase: Phase
    step: SessionStep | None
    step_number: int
    steps: tuple[StepView, ...]
    rest_left_s: float
    session_left_s: float
    order: Prescription | None
    start_why: str
    nonce: str | None
    start_obstacle: str
    ended_because: EndedBecause | None

    @property
    def may_start(self) -> bool:
        """Whether the armed set may be started now."""
        return self.phase == "armed" and not self.start_obstacle


@dataclass(frozen=True, slots=True)
class _Offer:
    """The next set as it would be armed."""

    fitted: FittedStep
    ready_s: float
    order: Prescription
    why: str


class SessionProgress:
    """Takes the events of one session and says where it stands.

    Args:
        plan: what is to be done.
    """

    def __init__(self, plan: SessionPlanFile) -> None:
        self.plan = plan
        self._begun: Begun | None = None
        self._at_s = 0.0
        self._states: dict[int, StepState] = {step.step: "to do" for step in plan.steps}
        self._ended: dict[int, tuple[SetEnded, float]] = {}
        self._again: int | None = None
        self._armed: Armed | None = None
        self._why = ""
        self._work: SetBegun | None = None
        self._done: list[PastSet] = []
        self._rigs: dict[str, tuple[float, float]] = {}
        self._over: SessionEnded | None = None

    # -- events

    def take(self, event: SessionEvent) -> None:
        """Take one event into account.

        Args:
            event: what happened.

        Raises:
            ValueError: the event does not fit, in one sentence; nothing has changed then.
        """
        if event.at_s < self._at_s:
            raise ValueError(f"at_s is {event.at_s}; allowed: not before the event before it, {self._at_s}")
        if self._begun is None and not isinstance(event, Begun):
            raise ValueError(f"{event.kind} cannot come now; allowed: the session begins first")
        if self._over is not None and not isinstance(event, SetEnded | Repeated | Resumed):
            raise ValueError(f"{event.kind} cannot come now; allowed: nothing, since the session is over")
        self._takers[type(event)](self, event)
        self._at_s = event.at_s

    def _begin(self, event: Begun) -> None:
        if self._begun is not None:
            raise ValueError("begun cannot come now; allowed: once, at the beginning")
        if event.plan != self.plan.digest():
            raise ValueError(
                f"plan is {event.plan[:12]}…; allowed: {self.plan.digest()[:12]}…, the digest of this plan, which has "
                "changed since the session began"
            )
        self._begun = event

    def _see_rig(self, event: RigSeen) -> None:
        self._rigs[event.rig] = (event.least_n, event.most_n)

    def _arm(self, event: Armed) -> None:
        if self._armed is not None:
            raise ValueError(f"armed cannot come now; allowed: once step {self._armed.step} is released or over")
        step = self._step(event.step)
        left_s = self._end_s - event.at_s
        if longest_s(event.order) > left_s:
            raise ValueError(
                f"order.stop.max_duration_s is {event.order.stop.max_duration_s:g}; allowed: over and unloaded within "
                f"the {max(left_s, 0.0):.0f} s that are left"
            )
        low_n, high_n = step.bounds_n
        if event.order.load.start_n > high_n + 0.05:
            raise ValueError(f"order.load.start_n is {event.order.load.start_n:g}; allowed: {low_n:g} to {high_n:g}")
        offer = self._offer(event.at_s)
        self._why = offer.why if offer is not None and offer.fitted.step.step == event.step else ""
        self._armed = event
        for one in self.plan.steps:
            # What was passed over for lack of time does not come back behind a later set.
            if one.step < event.step and self._states[one.step] == "to do" and self._again is None:
                self._states[one.step] = "left out"

    def _begin_set(self, event: SetBegun) -> None:
        if self._armed is None or self._armed.nonce != event.nonce or self._work is not None:
            raise ValueError(f"nonce is {event.nonce!r}; allowed: that of the armed set, once")
        self._work = event

    def _end_set(self, event: SetEnded) -> None:
        armed = self._armed
        if armed is None or armed.nonce != event.nonce:
            raise ValueError(f"nonce is {event.nonce!r}; allowed: that of the armed set")
        if self._work is not None:
            self._states[armed.step] = "done"
            self._ended[armed.step] = event, armed.order.load.start_n
            self._again = None
            self._done.append(_finished(armed, self._work, event))
        self._armed = self._work = None

    def _skip(self, event: Skipped) -> None:
        if self._armed is not None:
            raise ValueError(f"skipped cannot come now; allowed: once step {self._armed.step} is released or over")
        if self._again == event.step:
            self._again = None
            return
        if self._states.get(event.step) != "to do":
            raise ValueError(f"step is {event.step}; allowed: one that is still to do")
        self._states[event.step] = "skipped"

    def _repeat(self, event: Repeated) -> None:
        if self._armed is not None:
            raise ValueError(f"repeated cannot come now; allowed: once step {self._armed.step} is released or over")
        if self._over is not None and self._over.because != "every set is done":
            raise ValueError("repeated cannot come now; allowed: nothing, since the session is over")
        if self._states.get(event.step, "to do") == "to do":
            raise ValueError(f"step is {event.step}; allowed: one that is done, skipped or left out")
        self._over = None
        self._again = event.step

    def _resume(self, _event: Resumed) -> None:
        if self._work is None:
            self._armed = None

    def _end(self, event: SessionEnded) -> None:
        self._over = event

    _takers: Final[dict[type, Callable[..., Any]]] = {
        Begun: _begin,
        RigSeen: _see_rig,
        Armed: _arm,
        SetBegun: _begin_set,
        SetEnded: _end_set,
        Skipped: _skip,
        Repeated: _repeat,
        Resumed: _resume,
        SessionEnded: _end,
    }

    # -- views

    def view(self, at_s: float) -> SessionView:
        """Where the session stands.

        Args:
            at_s: now, UTC seconds.
        """
        if self._begun is None:
            return self._viewed("not_begun", at_s, None)
        offer = None if self._armed is not None else self._offer(at_s)
        if self._armed is not None and self._over is None:
            return self._viewed("working" if self._work is not None else "armed", at_s, None)
        if self._over is not None or offer is None:
            return self._viewed("over", at_s, None)
        return self._viewed("resting" if at_s < offer.ready_s else "ready", at_s, offer)

    @property
    def past(self) -> tuple[PastSet, ...]:
        """The sets that are done, oldest first."""
        return tuple(self._done)

    @property
    def ended(self) -> bool:
        """The end of the session has been written down."""
        return self._over is not None

    def rig_loads(self, rig: str) -> tuple[float, float] | None:
        """Least and greatest load that a rig said it can hold, N per cable; None before it said so.

        Args:
            rig: its name.
        """
        return self._rigs.get(rig)

    def left_s(self, at_s: float) -> float:
        """Of the session's minutes, whether it is over or not, s.

        Args:
            at_s: now, UTC seconds.
        """
        return 60.0 * self.plan.minutes if self._begun is None else max(self._end_s - at_s, 0.0)

    @property
    def _end_s(self) -> float:
        return (0.0 if self._begun is None else self._begun.at_s) + 60.0 * self.plan.minutes

    @property
    def _rest_from_s(self) -> float:
        """When the rest before the next set began."""
        if self._done:
            return self._done[-1].ended_s
        return 0.0 if self._begun is None else self._begun.at_s

    def _step(self, number: int) -> SessionStep:
        if not 1 <= number <= len(self.plan.steps):
            raise ValueError(f"step is {number}; allowed: 1 to {len(self.plan.steps)}")
        if self._states[number] != "to do" and number != self._again:
            raise ValueError(f"step is {number}; allowed: one that is still to do, or to be repeated")
        return self.plan.steps[number - 1]

    def _fitted(self, at_s: float) -> tuple[FittedStep, ...]:
        """What is left to do, fitted into the time left, the next one first."""
        steps = [step for step in self.plan.steps if self._states[step.step] == "to do"]
        if self._again is not None:
            # A person asked for it, so it is not left out for a later one.
            steps.insert(0, self.plan.steps[self._again - 1].model_copy(update={"may_leave_out": False}))
        from_s = self._rest_from_s
        # The first set of a session needs no rest.
        if not self._done and steps:
            steps[0] = steps[0].model_copy(update={"rest_before_s": 0.0})
        return fitted(steps, self._end_s - from_s, rested_s=max(at_s - from_s, 0.0))

    def _offer(self, at_s: float) -> _Offer | None:
        """The next set for which there is time, with its start load and its time limit; None for none."""
        for one in self._fitted(at_s):
            if one.left_out:
                continue
            ready_s = self._rest_from_s + one.rest_s
            order, why = self._order(one.step, max(at_s, ready_s))
            if order is not None:
                return _Offer(one, ready_s, order, why)
        return None

    def _order(self, step: SessionStep, at_s: float) -> tuple[Prescription | None, str]:
        """The prescription of a step with its start load up to date, to be over within the session's minutes."""
        last = None if self._begun is None else last_of(step.exercise, self._begun.last_sets)
        found = start_load(step, self._done, at_s, last=last, rig_n=self._rigs.get(step.rig))
        order = with_start(step.prescription, found.start_n)
        left_s = self._end_s - at_s - START_ALLOWANCE_S
        if longest_s(order) <= left_s:
            return order, found.why
        cut = ended_within(order, left_s)
        whole = step.may_shorten or (cut is not None and cut.stop.max_duration_s >= step.likely_s)
        if cut is None or cut.stop.max_duration_s < LEAST_SET_S or not whole or mark_of(order.notes) is not None:
            return None, ""
        return cut, found.why

    def _viewed(self, phase: Phase, at_s: float, offer: _Offer | None) -> SessionView:
        armed, step, order, why = self._armed, None, None, ""
        if phase in ("armed", "working") and armed is not None:
            step, order, why = self.plan.steps[armed.step - 1], armed.order, self._why
        elif offer is not None:
            step, order, why = self.plan.steps[offer.fitted.step.step - 1], offer.order, offer.why
        rest_left_s = 0.0
        if offer is not None:
            rest_left_s = max(offer.ready_s - at_s, 0.0)
        elif phase == "armed" and armed is not None:
            rest_left_s = self._armed_rest_s(armed, at_s)
        return SessionView(
            phase=phase,
            step=step,
            step_number=0 if step is None else step.step,
            steps=self._steps(phase, at_s, step),
            rest_left_s=rest_left_s,
            session_left_s=0.0 if phase == "over" else self.left_s(at_s),
            order=order,
            start_why=why,
            nonce=None if armed is None or phase not in ("armed", "working") else armed.nonce,
            start_obstacle=self._start_obstacle(armed, rest_left_s, at_s) if phase == "armed" and armed else "",
            ended_because=self._because(at_s) if phase == "over" else None,
        )

    def _armed_rest_s(self, armed: Armed, at_s: float) -> float:
        found = [one.rest_s for one in self._fitted(at_s) if one.step.step == armed.step]
        return max(self._rest_from_s + found[0] - at_s, 0.0) if found else 0.0

    def _start_obstacle(self, armed: Armed, rest_left_s: float, at_s: float) -> str:
        left_s = self._end_s - at_s
        if longest_s(armed.order) > left_s:
            return f"The armed set may take {longest_s(armed.order):.0f} s, and {left_s:.0f} s are left: arm it again."
        if rest_left_s > 0.0 and not self.plan.steps[armed.step - 1].may_shorten:
            return f"The rest has {rest_left_s:.0f} s to go, and the plan does not allow to shorten it."
        return ""

    def _because(self, at_s: float) -> EndedBecause:
        if self._over is not None:
            return self._over.because
        unfinished = self._again is not None or "to do" in self._states.values()
        return "the minutes are over" if unfinished or at_s >= self._end_s else "every set is done"

    def _steps(self, phase: Phase, at_s: float, now: SessionStep | None) -> tuple[StepView, ...]:
        over = phase == "over"
        gone = set() if self._begun is None else {f.step.step for f in self._fitted(at_s) if f.left_out}
        found = []
        for step in self.plan.steps:
            state = self._states[step.step]
            if now is not None and step.step == now.step:
                state = "now"
            elif state == "to do" and (over or step.step in gone):
                state = "left out"
            found.append(StepView(step, state, *self._ended.get(step.step, (None, None))))
        return tuple(found)


def _finished(armed: Armed, work: SetBegun, event: SetEnded) -> PastSet:
    strength = (event.one_rm_low_n, event.one_rm_n, event.one_rm_high_n)
    return PastSet(
        exercise=armed.order.exercise,
        start_n=armed.order.load.start_n,
        begun_s=work.at_s,
        ended_s=event.at_s,
        strength_n=None if None in strength else strength,  # type: ignore[arg-type]
        loss=event.loss,
    )
