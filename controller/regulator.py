"""The set regulator: one deterministic state machine for one rig. Feed it an event with its time, get actions back.

What lives here: what each response of the table in `transitions` does, and the order in which an input is looked at.
What never does: which response an input gets (the table), how stalls are seen (`tracker`), what the lifter has left
(`capacity`), which stop rules there are (`stop_rules`), how a proposal is narrowed (`sizing`), and any clock, socket,
file or random number. The same object runs live, in simulation and in replay.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Final

from ebbset.controller.actions import (
    Answer,
    Output,
    SendArm,
    SendLoad,
    SendRelease,
    SendUnload,
)
from ebbset.controller.arming import refusal_to_arm
from ebbset.controller.events import (
    Acknowledged,
    BadInput,
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
from ebbset.controller.order import Order
from ebbset.controller.policy import PolicyFactory
from ebbset.controller.reasons import SENTENCES, Limit, Reason, State
from ebbset.controller.records import decision_of, record_of, result_of, snapshot_of
from ebbset.controller.rig_facts import RigFacts
from ebbset.controller.signals import ReleaseSeen, RepetitionEnded, RepetitionStarted, SensorTrouble, Signal, StallSeen
from ebbset.controller.sizing import UnusableProposalError, limit_proposal
from ebbset.controller.stop_rules import Finding, Numbers, after_repetition, budget, by_time, side_difference
from ebbset.controller.transitions import END_REASONS, TRANSITIONS, Response, Trigger
from ebbset.models.wire import Refusal, RequestAction, RigEventKind

REPORT_EVERY_US: Final = 500_000
ENDING_PATIENCE_US: Final = 3_000_000
AT_FLOOR_N: Final = 0.05
HARMLESS_REFUSALS: Final = frozenset({Refusal.REPEATED_SEQUENCE})
"""A command that came twice is refused the second time; the first one stands, so the set goes on."""

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
    """One rig's regulator. `handle` is the only way in; ``state`` may be read."""

    def __init__(self, policies: Mapping[str, PolicyFactory]) -> None:
        self._policies = policies
        self.state = State.OFFLINE
        self.rig = RigFacts()
        self.order: Order | None = None
        self._link = False
        self._now_us = 0
        self._decisions = 0
        self._reported_us = -REPORT_EVERY_US
        self._counted = 0
        self._out: list[Output] = []
        self._responses: Final[dict[Response, Callable[[Event], None]]] = {
            Response.NOTHING: self._nothing,
            Response.COUNT: self._count,
            Response.NOTE: self._note,
            Response.ONLINE: self._online,
            Response.OFFLINE: self._offline,
            Response.WATCH: self._watch,
            Response.WORK: self._work,
            Response.REST: self._rest,
            Response.WIND_DOWN: self._wind_down,
            Response.COUNT_REPETITION: self._count_repetition,
            Response.ARM: self._arm,
            Response.START: self._start,
            Response.STOP: self._end_by_table,
            Response.CONFIRM_STOPPED: self._confirm_stopped,
            Response.REFUSE: self._refuse,
            Response.END: self._end_by_table,
        }

    def handle(self, event: Event) -> tuple[Output, ...]:
        """Take one event in and give back what follows from it, in order. Raises nothing for any event."""
        if event.now_us > self._now_us:
            self._now_us = event.now_us
        before = self.state
        self._responses[TRANSITIONS[before][self._trigger(event)]](event)
        if self.state is not before or self._now_us - self._reported_us >= REPORT_EVERY_US:
            self._reported_us = self._now_us
            self._out.append(snapshot_of(self._now_us, self.state, self.order, self.rig))
        if not self._out:
            return ()
        out = tuple(self._out)
        self._out.clear()
        return out

    # --- what an input means -------------------------------------------------------------------------------------

    def _trigger(self, event: Event) -> Trigger:
        if isinstance(event, Samples):
            return Trigger.REBOOTED if self._foreign_boot(event.boot_id) else Trigger.SAMPLES
        if isinstance(event, Tick):
            return Trigger.TICK
        if isinstance(event, RepetitionSeen):
            return Trigger.REBOOTED if self._foreign_boot(event.boot_id) else Trigger.REPETITION
        if isinstance(event, Acknowledged):
            harmless = event.accepted or event.refusal in HARMLESS_REFUSALS or not self._is_ours(event.nonce)
            return Trigger.ACK if harmless else Trigger.REFUSED_BY_RIG
        if isinstance(event, RigReported):
            return Trigger.REBOOTED if self._foreign_boot(event.boot_id) else _REPORTS[event.kind]
        if isinstance(event, Requested):
            return _ASKS[event.action]
        if isinstance(event, RigAnnounced):
            return Trigger.REBOOTED if self._foreign_boot(event.boot_id) else Trigger.ANNOUNCED
        return _SIMPLE_TRIGGERS[type(event)]

    def _foreign_boot(self, boot_id: str) -> bool:
        identity = self.rig.identity
        return self.state in _ARMED_STATES and identity is not None and boot_id != identity.boot_id

    def _is_ours(self, nonce: str) -> bool:
        return self.order is not None and nonce == self.order.nonce

    # --- responses -----------------------------------------------------------------------------------------------

    def _nothing(self, event: Event) -> None:
        pass

    def _count(self, event: Event) -> None:
        self._counted += 1
        if self.order is not None:
            self.order.refused_inputs += 1

    def _note(self, event: Event) -> None:
        if isinstance(event, LinkUp):
            self._link = True
        elif isinstance(event, RigAnnounced):
            self.rig.announced(event)
        elif isinstance(event, Acknowledged):
            if not self.rig.accept_ack(event):
                self._count(event)
        elif isinstance(event, RigReported):
            identity = self.rig.identity
            if identity is None or event.boot_id != identity.boot_id:
                self._count(event)
            else:
                self.rig.docked = event.kind is RigEventKind.DOCKED

    def _online(self, event: Event) -> None:
        if not isinstance(event, RigAnnounced) or not self._link:
            self._count(event)
            return
        self.rig.announced(event)
        if self.state is State.OFFLINE:
            self.state = State.IDLE

    def _offline(self, event: Event) -> None:
        if isinstance(event, LinkDown):
            self._link = False
        if self.order is not None and not self.order.finished:
            self._finish(State.OFFLINE)
        self.rig = RigFacts()
        self.state = State.OFFLINE

    def _watch(self, event: Event) -> None:
        if isinstance(event, Samples) and not self.rig.accept_samples(event):
            self._count(event)

    def _refuse(self, event: Event) -> None:
        self._answer(event, accepted=False, code=f"not_in_{self.state.value}", message=_REFUSAL_TEXTS[self.state])

    def _confirm_stopped(self, event: Event) -> None:
        self._answer(event, accepted=True, code="already_stopped", message="Nothing is armed; the rig is unloaded.")

    def _answer(self, event: Event, *, accepted: bool, code: str, message: str) -> None:
        if isinstance(event, Requested):
            nonce = self.order.nonce if self.order is not None else None
            self._out.append(
                Answer(
                    correlation_id=event.correlation_id,
                    accepted=accepted,
                    code=code,
                    message=message,
                    nonce=nonce,
                    state=self.state,
                )
            )

    def _arm(self, event: Event) -> None:
        if not isinstance(event, Requested):
            return
        used = self.order.nonce if self.order is not None else None
        refusal = refusal_to_arm(event, self.rig, self._policies, self._now_us, last_nonce=used)
        if refusal is not None:
            self._answer(event, accepted=False, code=refusal.code, message=refusal.message)
            return
        self.order = order = Order.of(event, self.rig, self._policies)
        self.state = State.ARMED
        load = order.prescription.load
        self._out.append(
            SendArm(
                nonce=order.nonce,
                seq=order.next_seq(self._now_us),
                ceiling_n=order.per_cable(load.start_n),
                floor_n=order.per_cable(load.floor_n),
                max_ramp_n_per_s=order.ramp_n_per_s,
                lease_ms=order.lease_ms,
            )
        )
        self._decide("arm", Reason.ARMED, SENTENCES[Reason.ARMED])
        self._answer(event, accepted=True, code="armed", message="Armed and unloaded. Start when the lifter is ready.")

    def _start(self, event: Event) -> None:
        order = self.order
        if order is None:
            return
        if self.rig.docked is not True:
            self._answer(
                event, accepted=False, code="handle_not_docked", message="docked is not true; allowed: a docked handle"
            )
            return
        if not self._fresh(order):
            self._answer(
                event, accepted=False, code="no_telemetry", message="No telemetry within telemetry_timeout_ms."
            )
            return
        order.started_us = self._now_us
        self._answer(event, accepted=True, code="started", message="The load comes on at the dock.")
        self._begin_bout(order, 0, Reason.STARTED)

    # --- work ----------------------------------------------------------------------------------------------------

    def _begin_bout(self, order: Order, index: int, reason: Reason) -> None:
        load_n = order.prescription.bout_load_n(index)
        before = order.target_n
        order.begin_bout(index, load_n, self._now_us)
        self.state = State.WORKING
        self._send_load(order)
        self._decide("load", reason, SENTENCES[reason], from_n=before)

    def _work(self, event: Event) -> None:
        order = self.order
        if order is None:
            return
        if isinstance(event, Samples):
            if self.rig.accept_samples(event):
                self._look(order, event)
            else:
                self._count(event)
        if self.state is not State.WORKING:
            return
        if not self._fresh(order):
            self._end(Reason.TELEMETRY_LOST, *self._freshness(order))
            return
        now_us = self._now_us
        finding = by_time(
            order.prescription.stop,
            elapsed_us=now_us - order.started_us,
            still_us=now_us - order.active_us,
            any_repetition=order.moved_in_bout,
        )
        if finding is not None:
            self._end_by_finding(finding)
        elif now_us - order.sent_us >= order.renew_every_us:
            self._send_load(order)

    def _look(self, order: Order, event: Samples) -> None:
        """One good frame: does the rig agree, what do the trackers see, is the lifter active."""
        if self._rig_disagrees(order):
            return
        docked = event.docked
        found: list[tuple[int, Signal]] | None = None
        for k, cable in enumerate(order.cables):
            tracker = cable.tracker
            signals = tracker.feed(
                event.t_us,
                event.position_m[k],
                event.velocity_m_s[k],
                event.force_n[k],
                load_n=event.applied_n[k],
                docked=docked,
            )
            if tracker.moved_t_us > order.moved_t_us:
                order.moved_t_us = tracker.moved_t_us
                if not docked:
                    order.active_us = self._now_us
            if signals:
                found = found or []
                found += [(k, signal) for signal in signals]
        if found is not None:
            self._act_on(order, found)

    def _rig_disagrees(self, order: Order) -> bool:
        """End the set when the rig, given time to ramp, applies another load or serves another set."""
        rig = self.rig
        if self._now_us < order.settled_us:
            return False
        if rig.rig_nonce != order.nonce:
            self._end(Reason.RIG_DISAGREES, (("nonce_matches", 0.0),), (("nonce_matches", 1.0),))
            return True
        excess = rig.disagreement_n(order.target_n)
        if excess is not None:
            self._end(Reason.RIG_DISAGREES, (("difference_n", excess[0]),), (("allowed_n", excess[1]),))
            return True
        return False

    def _act_on(self, order: Order, found: list[tuple[int, Signal]]) -> None:
        order.dropped_now = False
        for k, signal in found:
            if self.state is not State.WORKING:
                return
            if isinstance(signal, RepetitionStarted):
                order.moved_in_bout = True
            elif isinstance(signal, RepetitionEnded):
                self._repetition_ended(order, k, signal)
            elif isinstance(signal, StallSeen):
                if not (order.dropped_now and order.coupled):
                    self._stalled(order, k, signal)
            elif isinstance(signal, ReleaseSeen):
                self._end(
                    Reason.HANDLE_RELEASED,
                    (("velocity_m_s", signal.velocity_m_s), ("force_n", signal.force_n)),
                    (("release_velocity_m_s", -order.prescription.stall.release_velocity_m_s),),
                    cable=k,
                )
            elif isinstance(signal, SensorTrouble):
                self._end(
                    signal.reason, ((signal.quantity, signal.value),), ((signal.quantity, signal.allowed),), cable=k
                )

    def _count_repetition(self, event: Event) -> None:
        """A summary from a rig that segments itself stands for the tracker's signals."""
        order = self.order
        if order is None or not isinstance(event, RepetitionSeen) or self.rig.by_frames:
            self._count(event)
            return
        if not self.rig.accept_repetition(event):
            self._count(event)
            return
        order.active_us = self._now_us
        order.moved_in_bout = True
        self._act_on(order, list(order.signals_of(event)))

    def _repetition_ended(self, order: Order, k: int, ended: RepetitionEnded) -> None:
        cable = order.cables[k]
        stop = order.prescription.stop
        cable.repetition(ended, least_rom_fraction=stop.min_rom_fraction)
        self._out.append(record_of(order, k, ended))
        if k == len(order.cables) - 1 and stop.max_left_right_difference is not None:
            difference = side_difference(order.cables)
            beyond = difference is not None and max(difference) > stop.max_left_right_difference
            order.side_strikes = order.side_strikes + 1 if beyond else 0
        finding = after_repetition(order.prescription, order.cables, k, order.side_strikes)
        if finding is not None:
            self._end_by_finding(finding)
            return
        wanted = order.prescription.bouts[order.bout].repetitions
        if wanted is not None and min(one.counts.completed_in_bout for one in order.cables) >= wanted:
            self._bout_done(
                Reason.REPETITIONS_DONE, (("repetitions_in_bout", float(wanted)),), (("repetitions", float(wanted)),)
            )

    def _stalled(self, order: Order, k: int, stall: StallSeen) -> None:
        prescription = order.prescription
        cable = order.cables[k]
        cable.capacity.stall(load_n=cable.load_n, force_n=stall.force_n, position_fraction=stall.position_fraction)
        inputs: Numbers = (
            ("velocity_m_s", stall.velocity_m_s),
            ("force_n", stall.force_n),
            ("position_fraction", stall.position_fraction),
            ("stalled_s", stall.duration_s),
            ("probability", stall.probability),
            ("capacity_n", cable.capacity.capacity_n),
            ("capacity_sd_n", cable.capacity.capacity_sd_n),
            ("budget_spent", cable.capacity.budget_spent),
        )
        thresholds: Numbers = (
            ("velocity_m_s", prescription.stall.velocity_m_s),
            ("dwell_s", prescription.stall.dwell_s),
            ("grind_s", prescription.stall.grind_s),
        )
        spent = budget(prescription, order.cables)
        if spent is not None:
            self._end_by_finding(spent)
        elif prescription.bouts[order.bout].on_stall == "end":
            self._bout_done(stall.reason, inputs, thresholds, cable=k)
        elif cable.load_n <= prescription.load.floor_n + AT_FLOOR_N:
            self._failed_at_floor(order, k, stall, inputs, thresholds)
        elif prescription.stop.max_drops is not None and order.drops >= prescription.stop.max_drops:
            self._end(
                Reason.DROPS_SPENT,
                (*inputs, ("drops", float(order.drops))),
                (*thresholds, ("max_drops", float(prescription.stop.max_drops))),
                cable=k,
            )
        else:
            self._drop(order, k, stall, inputs, thresholds)

    def _failed_at_floor(self, order: Order, k: int, stall: StallSeen, inputs: Numbers, thresholds: Numbers) -> None:
        counts = order.cables[k].counts
        counts.floor_failures += 1
        allowed = order.prescription.stop.floor_failures
        inputs = (*inputs, ("floor_failures", float(counts.floor_failures)))
        thresholds = (*thresholds, ("floor_failures", float(allowed)))
        if counts.floor_failures >= allowed:
            self._end(Reason.FLOOR_FAILED, inputs, thresholds, cable=k)
            return
        order.cables[k].tracker.load_dropped(stall.t_us, order.cables[k].load_n, 0.0)
        text = "A stall at the floor load; the prescription allows another try."
        self._decide("hold", stall.reason, text, cable=k, inputs=inputs, thresholds=thresholds)

    def _drop(self, order: Order, k: int, stall: StallSeen, inputs: Numbers, thresholds: Numbers) -> None:
        cable = order.cables[k]
        view = cable.view(stall, order.prescription)
        try:
            cable.policy_state, proposal = order.policy.propose(cable.policy_state, view)
            load_n, limits = limit_proposal(proposal.load_n, load_n=cable.load_n, floor_n=view.floor_n)
            why = str(proposal.why)[:200]
        except UnusableProposalError as error:
            self._end(Reason.POLICY_FAILED, inputs, thresholds, cable=k, detail=str(error))
            return
        except Exception as error:
            # A policy is third-party code: whatever it raises ends the set safely and is told, never passed on.
            self._end(
                Reason.POLICY_FAILED, inputs, thresholds, cable=k, detail=f"{type(error).__name__}: {error}"[:200]
            )
            return
        before = order.target_n
        which = tuple(range(len(order.cables))) if order.coupled else (k,)
        order.drop(which, load_n, t_us=stall.t_us, now_us=self._now_us)
        self._send_load(order)
        self._decide(
            "drop",
            stall.reason,
            f"{SENTENCES[stall.reason]} Policy {order.policy.name}: {why}.",
            cable=k,
            from_n=before,
            inputs=(*inputs, ("proposed_n", float(proposal.load_n))),
            thresholds=(*thresholds, ("floor_n", view.floor_n)),
            limited_by=limits,
        )

    def _bout_done(self, why: Reason, inputs: Numbers, thresholds: Numbers, *, cable: int | None = None) -> None:
        order = self.order
        if order is None:
            return
        if order.bout + 1 >= len(order.prescription.bouts):
            reason = why if why is Reason.REPETITIONS_DONE else Reason.SET_DONE
            self._end(reason, inputs, thresholds, cable=cable)
            return
        before = order.target_n
        order.end_bout(self._now_us)
        self.state = State.RESTING
        self._send_unload(order, order.ramp_n_per_s)
        text = f"{SENTENCES[Reason.BOUT_DONE]} {SENTENCES[why]}"
        self._decide("rest", Reason.BOUT_DONE, text, cable=cable, from_n=before, inputs=inputs, thresholds=thresholds)

    # --- rest ----------------------------------------------------------------------------------------------------

    def _rest(self, event: Event) -> None:
        """Armed or resting: unloaded, watching, keeping the rig bound; when a rest is over the next bout begins."""
        order = self.order
        if order is None:
            return
        if isinstance(event, Samples) and not self.rig.accept_samples(event):
            self._count(event)
        if not self._fresh(order):
            self._end(Reason.TELEMETRY_LOST, *self._freshness(order))
            return
        now_us = self._now_us
        if self.state is State.RESTING:
            rest_us = int(order.prescription.bouts[order.bout + 1].rest_before_s * 1e6)
            rested_us = now_us - order.rest_began_us
            if rested_us >= rest_us:
                if self.rig.docked is True and self.rig.unloaded:
                    for cable in order.cables:
                        cable.capacity.rest(rested_us / 1e6)
                    self._begin_bout(order, order.bout + 1, Reason.BOUT_BEGUN)
                    return
                late_s = (rested_us - rest_us) / 1e6
                allowed_s = order.prescription.stop.max_start_wait_s
                if late_s > allowed_s:
                    self._end(Reason.PAUSE_TOO_LONG, (("late_s", late_s),), (("max_start_wait_s", allowed_s),))
                    return
        if now_us - order.sent_us >= order.renew_every_us:
            self._send_unload(order, order.ramp_n_per_s)

    # --- the end -------------------------------------------------------------------------------------------------

    def _end_by_table(self, event: Event) -> None:
        reason = END_REASONS[self._trigger(event)]
        if isinstance(event, LinkDown):
            self._link = False
        detail = ""
        if isinstance(event, GuardRefused):
            if self.order is not None:
                self.order.guard_refusals += 1
            detail = f"{event.rule}: {event.detail}"
        elif isinstance(event, Acknowledged):
            detail = f"command {event.command_seq}: {event.refusal}"
        elif isinstance(event, RigReported):
            detail = event.detail
        self._end(reason, (), (), detail=detail)
        if isinstance(event, RigAnnounced):
            self.rig.announced(event)
        self._answer(event, accepted=True, code="stopped", message=SENTENCES[reason])

    def _end_by_finding(self, finding: Finding) -> None:
        self._end(finding.reason, finding.inputs, finding.thresholds, cable=finding.cable)

    def _end(
        self, reason: Reason, inputs: Numbers, thresholds: Numbers, *, cable: int | None = None, detail: str = ""
    ) -> None:
        """Stop for good: unload, say why. Nothing but a new arming leads on from here."""
        order = self.order
        if order is None or order.finished:
            return
        before = order.target_n
        order.ending(reason, self._now_us)
        let_go = reason is Reason.HANDLE_RELEASED
        self._send_unload(order, order.fastest_ramp_n_per_s if let_go else order.ramp_n_per_s)
        text = f"{SENTENCES[reason]} {detail}".strip()
        self._decide("end", reason, text, cable=cable, from_n=before, inputs=inputs, thresholds=thresholds)
        self.state = State.ENDING
        if reason in (Reason.LINK_LOST, Reason.RIG_LOST):
            self._finish(State.OFFLINE)
            self.rig = RigFacts()

    def _wind_down(self, event: Event) -> None:
        """Unloading: repeat the unload until the rig reports no load or patience ends, then let the rig go."""
        order = self.order
        if order is None:
            return
        if isinstance(event, Samples):
            if not self.rig.accept_samples(event):
                self._count(event)
        elif isinstance(event, Acknowledged):
            self.rig.accept_ack(event)
        elif isinstance(event, RigAnnounced):
            self.rig.announced(event)
        now_us = self._now_us
        heard_since = self.rig.fresh_us is not None and self.rig.fresh_us > order.ending_us
        if (heard_since and self.rig.unloaded) or now_us - order.ending_us > ENDING_PATIENCE_US:
            self._finish(State.ENDED)
        elif now_us - order.sent_us >= order.renew_every_us:
            self._send_unload(order, order.ramp_n_per_s)

    def _finish(self, state: State) -> None:
        order = self.order
        if order is None:
            return
        self._out.append(SendRelease(nonce=order.nonce, seq=order.next_seq(self._now_us)))
        self._out.append(result_of(order, self._now_us))
        order.finished = True
        self.state = state

    # --- sending -------------------------------------------------------------------------------------------------

    def _fresh(self, order: Order) -> bool:
        fresh_us = self.rig.fresh_us
        allowed_us = order.stale_after_us if self.rig.by_frames else order.lease_ms * 1_000
        since_us = fresh_us if fresh_us is not None else order.armed_us
        return self._now_us - since_us <= allowed_us

    def _freshness(self, order: Order) -> tuple[Numbers, Numbers]:
        fresh_us = self.rig.fresh_us
        since_us = fresh_us if fresh_us is not None else order.armed_us
        allowed_us = order.stale_after_us if self.rig.by_frames else order.lease_ms * 1_000
        return (("silence_ms", (self._now_us - since_us) / 1e3),), (("telemetry_timeout_ms", allowed_us / 1e3),)

    def _send_load(self, order: Order) -> None:
        if self.rig.last_t_us is None:
            return
        self._out.append(
            SendLoad(
                nonce=order.nonce,
                seq=order.next_seq(self._now_us),
                target_n=order.target_n,
                ramp_n_per_s=order.ramp_n_per_s,
                lease_ms=order.lease_ms,
                cites_t_us=self.rig.last_t_us,
            )
        )

    def _send_unload(self, order: Order, ramp_n_per_s: float) -> None:
        self._out.append(SendUnload(nonce=order.nonce, seq=order.next_seq(self._now_us), ramp_n_per_s=ramp_n_per_s))

    def _decide(
        self,
        action: str,
        reason: Reason,
        text: str,
        *,
        cable: int | None = None,
        from_n: tuple[float, ...] | None = None,
        inputs: Numbers = (),
        thresholds: Numbers = (),
        limited_by: tuple[Limit, ...] = (),
    ) -> None:
        order = self.order
        if order is None:
            return
        self._decisions += 1
        self._out.append(
            decision_of(
                order,
                seq=self._decisions,
                now_us=self._now_us,
                t_rig_us=self.rig.last_t_us,
                state=self.state,
                action=action,
                reason=reason,
                text=text,
                cable=cable,
                from_n=order.target_n if from_n is None else from_n,
                inputs=inputs,
                thresholds=thresholds,
                limited_by=limited_by,
            )
        )


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
