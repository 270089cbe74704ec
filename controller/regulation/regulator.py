"""The set regulator: one deterministic state machine for one rig. Feed it an event with its time, get actions back.

What lives here: what an input means (its trigger) and what each response of the table in `transitions` does; the
work on a bout is in `work`. What never does: which response an input gets (the table), how stalls are seen
(`tracker`), what the lifter has left (`capacity`), which stop rules there are (`stop_rules`), and any clock, socket,
file or random number. The same object runs live, in simulation and in replay.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Final

from ebbset.controller.messages.actions import (
    Output,
    SendArm,
)
from ebbset.controller.messages.events import (
    Acknowledged,
    BadInput,
    EarlierSet,
    Event,
    GuardRefused,
    LinkDown,
    LinkUp,
    RepetitionSeen,
    Requested,
    RigAnnounced,
    RigLost,
    RigReported,
    Samples,
    Tick,
)
from ebbset.controller.messages.reasons import SENTENCES, Reason, State
from ebbset.controller.policies.policy import PolicyFactory
from ebbset.controller.regulation.armed_set import ArmedSet
from ebbset.controller.regulation.arming import refusal_to_arm
from ebbset.controller.regulation.bout_runner import BoutRunner
from ebbset.controller.regulation.reports import snapshot_of
from ebbset.controller.regulation.rig_facts import RigFacts
from ebbset.controller.regulation.set_context import SetContext
from ebbset.controller.regulation.transitions import END_REASONS, TRANSITIONS, Response, Trigger
from ebbset.models.contract.wire import Refusal, RequestAction, RigEventKind

REPORT_EVERY_US: Final = 500_000
ENDING_PATIENCE_US: Final = 3_000_000
HARMLESS_REFUSALS: Final = frozenset({Refusal.REPEATED_SEQUENCE})
"""A command that came twice is refused the second time; the first one stands, so the set goes on."""

# Reading a member off its enumeration takes as long as a few comparisons: those asked for with every frame have names.
_SAMPLES: Final = Trigger.SAMPLES
_ACK: Final = Trigger.ACK
_REBOOTED: Final = Trigger.REBOOTED
_ARMED_STATES: Final = frozenset({State.ARMED, State.WORKING, State.RESTING, State.ENDING})
_ASKS: Final = {
    RequestAction.ARM: Trigger.ASK_ARM,
    RequestAction.START: Trigger.ASK_START,
    RequestAction.STOP: Trigger.ASK_STOP,
    RequestAction.RELEASE: Trigger.ASK_RELEASE,
}
_REPORTS: Final = {
    RigEventKind.EMERGENCY_STOP: Trigger.EMERGENCY,
    RigEventKind.OVER_TRAVEL: Trigger.RIG_FAULT,
    RigEventKind.OVER_SPEED: Trigger.RIG_FAULT,
    RigEventKind.FAULT: Trigger.RIG_FAULT,
    RigEventKind.LEASE_EXPIRED: Trigger.LEASE_EXPIRED,
    RigEventKind.DOCKED: Trigger.DOCK_CHANGED,
    RigEventKind.UNDOCKED: Trigger.DOCK_CHANGED,
}


class Regulator:
    """One rig's regulator. `handle` is the only way in; ``state`` may be read.

    Args:
        policies: drop policies by name; an arming may name any of them.
    """

    def __init__(self, policies: Mapping[str, PolicyFactory]) -> None:
        self._policies = policies
        self._desk = SetContext()
        self._work = BoutRunner(self._desk, self._count)
        self._link = False
        self._reported_us = -REPORT_EVERY_US
        self._responses: Final[dict[Response, Callable[[Event], None]]] = {
            Response.NOTHING: self._nothing,
            Response.COUNT: self._count,
            Response.NOTE: self._note,
            Response.ONLINE: self._online,
            Response.OFFLINE: self._offline,
            Response.WATCH: self._watch,
            Response.WORK: self._work.work,
            Response.REST: self._rest,
            Response.WIND_DOWN: self._wind_down,
            Response.COUNT_REPETITION: self._work.count_repetition,
            Response.ARM: self._arm,
            Response.START: self._start,
            Response.STOP: self._end_by_table,
            Response.CONFIRM_STOPPED: self._confirm_stopped,
            Response.REFUSE: self._refuse,
            Response.END: self._end_by_table,
        }

    @property
    def state(self) -> State:
        """Where the set stands."""
        return self._desk.state

    @property
    def left_behind(self) -> EarlierSet | None:
        """What the last set left in its lifter, once it is over."""
        return None if self._desk.order is None else self._desk.order.left_behind()

    def handle(self, event: Event) -> tuple[Output, ...]:
        """Take one event in and give back what follows from it, in order. Raises nothing for any event."""
        desk = self._desk
        if event.now_us > desk.now_us:
            desk.now_us = event.now_us
        before = desk.state
        self._responses[TRANSITIONS[before][self._trigger(event)]](event)
        if desk.state is not before or desk.now_us - self._reported_us >= REPORT_EVERY_US:
            self._reported_us = desk.now_us
            desk.out.append(snapshot_of(desk.now_us, desk.state, desk.order, desk.rig))
        if not desk.out:
            return ()
        out = tuple(desk.out)
        desk.out.clear()
        return out

    # --- what an input means -------------------------------------------------------------------------------------

    def _trigger(self, event: Event) -> Trigger:
        if isinstance(event, Samples):
            return _REBOOTED if self._foreign_boot(event.boot_id) else _SAMPLES
        if isinstance(event, Tick):
            return Trigger.TICK
        if isinstance(event, RepetitionSeen):
            return Trigger.REBOOTED if self._foreign_boot(event.boot_id) else Trigger.REPETITION
        if isinstance(event, Acknowledged):
            harmless = event.accepted or event.refusal in HARMLESS_REFUSALS or not self._is_ours(event.nonce)
            return _ACK if harmless else Trigger.REFUSED_BY_RIG
        if isinstance(event, RigReported):
            return Trigger.REBOOTED if self._foreign_boot(event.boot_id) else _REPORTS[event.kind]
        if isinstance(event, Requested):
            return _ASKS[event.action]
        if isinstance(event, RigAnnounced):
            return Trigger.REBOOTED if self._foreign_boot(event.boot_id) else Trigger.ANNOUNCED
        return _SIMPLE_TRIGGERS[type(event)]

    def _foreign_boot(self, boot_id: str) -> bool:
        identity = self._desk.rig.identity
        return identity is not None and boot_id != identity.boot_id and self._desk.state in _ARMED_STATES

    def _is_ours(self, nonce: str) -> bool:
        return self._desk.order is not None and nonce == self._desk.order.nonce

    # --- responses -----------------------------------------------------------------------------------------------

    def _nothing(self, event: Event) -> None:
        pass

    def _count(self, event: Event) -> None:
        if self._desk.order is not None:
            self._desk.order.refused_inputs += 1

    def _note(self, event: Event) -> None:
        if isinstance(event, LinkUp):
            self._link = True
        elif isinstance(event, RigAnnounced):
            known = self._desk.rig.knows(event)
            self._desk.rig.announced(event)
            if not known and self._desk.state is not State.ENDING:
                text = "It announced other capabilities than it was armed with."
                self._desk.end(Reason.RIG_DISAGREES, (), (), detail=text)
        elif isinstance(event, Acknowledged):
            if not self._desk.rig.accept_ack(event):
                self._count(event)
        elif isinstance(event, RepetitionSeen):
            if self._desk.rig.by_frames or not self._desk.rig.accept_repetition(event):
                self._count(event)
        elif isinstance(event, RigReported):
            identity = self._desk.rig.identity
            if identity is None or event.boot_id != identity.boot_id or self._desk.rig.is_old(event.t_us):
                self._count(event)
            else:
                self._desk.rig.docked = event.kind is RigEventKind.DOCKED

    def _online(self, event: Event) -> None:
        if not isinstance(event, RigAnnounced) or not self._link:
            self._count(event)
            return
        self._desk.rig.announced(event)
        if self._desk.state is State.OFFLINE:
            self._desk.state = State.IDLE

    def _offline(self, event: Event) -> None:
        if isinstance(event, LinkDown):
            self._link = False
        if self._desk.order is not None and not self._desk.order.finished:
            self._desk.finish(State.OFFLINE)
        self._desk.rig = RigFacts()
        self._desk.state = State.OFFLINE

    def _watch(self, event: Event) -> None:
        if isinstance(event, Samples) and not self._desk.rig.accept_samples(event):
            self._count(event)

    def _refuse(self, event: Event) -> None:
        self._desk.answer(
            event, accepted=False, code=f"not_while_{self._desk.state.value}", message=_REFUSAL_TEXTS[self._desk.state]
        )

    def _confirm_stopped(self, event: Event) -> None:
        self._desk.answer(
            event, accepted=True, code="already_stopped", message="Nothing is armed; the rig is unloaded."
        )

    def _arm(self, event: Event) -> None:
        if not isinstance(event, Requested):
            return
        used = self._desk.order.nonce if self._desk.order is not None else None
        refusal = refusal_to_arm(event, self._desk.rig, self._policies, self._desk.now_us, last_nonce=used)
        if refusal is not None:
            self._desk.answer(event, accepted=False, code=refusal.code, message=refusal.message)
            return
        before = self.left_behind or event.earlier
        self._desk.order = order = ArmedSet.of(event, self._desk.rig, self._policies)
        order.take_over(before)
        self._desk.state = State.ARMED
        load = order.prescription.load
        self._desk.out.append(
            SendArm(
                nonce=order.nonce,
                seq=order.next_seq(self._desk.now_us),
                ceiling_n=order.per_cable(load.start_n),
                floor_n=order.per_cable(load.floor_n),
                max_ramp_n_per_s=order.ramp_n_per_s,
                lease_ms=order.lease_ms,
            )
        )
        self._desk.decide("arm", Reason.ARMED, SENTENCES[Reason.ARMED])
        self._desk.answer(
            event, accepted=True, code="armed", message="Armed and unloaded. Start when the lifter is ready."
        )

    def _start(self, event: Event) -> None:
        order = self._desk.order
        if order is None:
            return
        if self._desk.rig.docked is not True:
            self._desk.answer(
                event, accepted=False, code="handle_not_docked", message="docked is not true; allowed: a docked handle"
            )
            return
        if not self._desk.fresh(order):
            self._desk.answer(
                event, accepted=False, code="no_telemetry", message="No telemetry within telemetry_timeout_ms."
            )
            return
        order.started_us = self._desk.now_us
        self._work.begin_bout(order, 0, Reason.STARTED)
        self._desk.answer(event, accepted=True, code="started", message="The load comes on at the dock.")

    # --- rest ----------------------------------------------------------------------------------------------------

    def _rest(self, event: Event) -> None:
        """Armed or resting: unloaded, watching, keeping the rig bound; when a rest is over the next bout begins."""
        order = self._desk.order
        if order is None:
            return
        if not self._desk.fresh(order):
            self._desk.end(Reason.TELEMETRY_LOST, *self._desk.freshness(order))
            return
        if isinstance(event, Samples) and not self._desk.rig.accept_samples(event):
            self._count(event)
        now_us = self._desk.now_us
        if self._desk.state is State.RESTING:
            rest_us = int(order.prescription.bouts[order.bout + 1].rest_before_s * 1e6)
            rested_us = now_us - order.rest_began_us
            if rested_us >= rest_us:
                if self._desk.rig.docked is True and self._desk.rig.unloaded:
                    for cable in order.cables:
                        cable.capacity.rest(rested_us / 1e6)
                    self._work.begin_bout(order, order.bout + 1, Reason.BOUT_BEGUN)
                    return
                late_s = (rested_us - rest_us) / 1e6
                allowed_s = order.prescription.stop.max_start_wait_s
                if late_s > allowed_s:
                    self._desk.end(Reason.PAUSE_TOO_LONG, (("late_s", late_s),), (("max_start_wait_s", allowed_s),))
                    return
        if now_us - order.sent_us >= order.renew_every_us:
            self._desk.send_unload(order, order.ramp_n_per_s)

    # --- the end -------------------------------------------------------------------------------------------------

    def _end_by_table(self, event: Event) -> None:
        reason = END_REASONS[self._trigger(event)]
        if isinstance(event, LinkDown):
            self._link = False
        detail = ""
        if isinstance(event, GuardRefused):
            if self._desk.order is not None:
                self._desk.order.guard_refusals += 1
            detail = f"{event.rule}: {event.detail}"
        elif isinstance(event, Acknowledged):
            detail = f"command {event.command_seq}: {event.refusal}"
        elif isinstance(event, RigReported):
            detail = event.detail
        self._desk.end(reason, (), (), detail=detail)
        if isinstance(event, RigAnnounced):
            self._desk.rig.announced(event)
        self._desk.answer(event, accepted=True, code="stopped", message=SENTENCES[reason])

    def _wind_down(self, event: Event) -> None:
        """Unloading: repeat the unload until the rig reports no load or patience ends, then let the rig go."""
        order = self._desk.order
        if order is None:
            return
        if isinstance(event, Samples):
            if not self._desk.rig.accept_samples(event):
                self._count(event)
        elif isinstance(event, Acknowledged):
            self._desk.rig.accept_ack(event)
        elif isinstance(event, RigAnnounced):
            self._desk.rig.announced(event)
        now_us = self._desk.now_us
        heard_since = self._desk.rig.fresh_us is not None and self._desk.rig.fresh_us > order.ending_us
        if (heard_since and self._desk.rig.unloaded) or now_us - order.ending_us > ENDING_PATIENCE_US:
            self._desk.finish(State.ENDED)
        elif now_us - order.sent_us >= order.renew_every_us:
            self._desk.send_unload(order, order.ramp_n_per_s)


_SIMPLE_TRIGGERS: Final[dict[type, Trigger]] = {
    RigLost: Trigger.RIG_LOST,
    LinkUp: Trigger.LINK_UP,
    LinkDown: Trigger.LINK_DOWN,
    BadInput: Trigger.BAD_INPUT,
    GuardRefused: Trigger.GUARD_REFUSED,
}
_REFUSAL_TEXTS: Final = {
    State.OFFLINE: "The rig is not there: no announcement heard on this link.",
    State.IDLE: "Nothing is armed; arm first.",
    State.ARMED: "Already armed; start, stop or release.",
    State.WORKING: "A set is under way; stop it first.",
    State.RESTING: "A set is in a programmed rest; stop it first.",
    State.ENDING: "A set is just ending; wait until the rig is unloaded.",
    State.ENDED: "The set is over; arm anew.",
}
