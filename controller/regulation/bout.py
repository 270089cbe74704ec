"""Work: what a bout makes of telemetry: repetitions, stalls, drops, stop rules, the renewal of the lease.

What lives here: the order in which a frame or a summary is looked at while a lifter works, and what a stall leads to.
What never does: which inputs come here (the table in `transitions`), how a stall is seen (`tracker`), how a proposal
is narrowed (`sizing`).
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Final

from ebbset.controller.detection.signals import (
    ReleaseSeen,
    RepetitionEnded,
    RepetitionStarted,
    SensorTrouble,
    Signal,
    StallSeen,
)
from ebbset.controller.messages.events import Event, RepetitionSeen, Samples
from ebbset.controller.messages.reasons import SENTENCES, Reason, State
from ebbset.controller.policies.load_limits import UnusableProposalError, limit_proposal
from ebbset.controller.regulation.armed_set import ArmedSet
from ebbset.controller.regulation.reports import record_of
from ebbset.controller.regulation.set_context import SetContext
from ebbset.controller.regulation.stop_rules import Numbers, after_repetition, budget, by_time, side_difference
from ebbset.models.contract.prescription import StallSection

AT_FLOOR_N: Final = 0.05
_WORKING: Final = State.WORKING
"""Under a name of its own, since it is asked for with every frame and reading it off its enumeration takes time."""


class BoutRunner:
    """Works on the desk's order while its state is WORKING.

    Args:
        desk: shared with the regulator.
        count: called with an input that had to be refused.
    """

    __slots__ = ("_count", "_desk")

    def __init__(self, desk: SetContext, count: Callable[[Event], None]) -> None:
        self._desk = desk
        self._count = count

    def begin_bout(self, order: ArmedSet, index: int, reason: Reason) -> None:
        """Put a programmed load on; the handle is docked."""
        load_n = order.prescription.bout_load_n(index)
        before = order.target_n
        order.begin_bout(index, load_n, self._desk.now_us)
        self._desk.state = State.WORKING
        self._desk.send_load(order)
        self._desk.decide("load", reason, SENTENCES[reason], from_n=before)

    def work(self, event: Event) -> None:
        """A frame came or time went by."""
        desk = self._desk
        order = desk.order
        if order is None:
            return
        if not desk.fresh(order):
            # Looked at before this event is taken in: a silence that a late frame ends was a silence all the same.
            desk.end(Reason.TELEMETRY_LOST, *desk.freshness(order))
            return
        if isinstance(event, Samples):
            if desk.rig.accept_samples(event):
                self._look(order, event)
            else:
                self._count(event)
        if desk.state is not _WORKING:
            return
        now_us = desk.now_us
        finding = by_time(
            order.prescription.stop,
            elapsed_us=now_us - order.started_us,
            still_us=now_us - order.active_us,
            any_repetition=order.moved_in_bout,
        )
        if finding is not None:
            desk.end_by_finding(finding)
        elif now_us - order.sent_us >= order.renew_every_us:
            desk.send_load(order)

    def _look(self, order: ArmedSet, event: Samples) -> None:
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
                    order.active_us = self._desk.now_us
            if signals:
                found = found or []
                found += [(k, signal) for signal in signals]
        if found is not None:
            self._act_on(order, found)

    def _rig_disagrees(self, order: ArmedSet) -> bool:
        """End the set when the rig, given time to ramp, applies another load or serves another set."""
        rig = self._desk.rig
        if self._desk.now_us < order.settled_us:
            return False
        if rig.rig_nonce != order.nonce:
            self._desk.end(Reason.RIG_DISAGREES, (("nonce_matches", 0.0),), (("nonce_matches", 1.0),))
            return True
        excess = rig.disagreement_n(order.target_n)
        if excess is not None:
            self._desk.end(Reason.RIG_DISAGREES, (("difference_n", excess[0]),), (("allowed_n", excess[1]),))
            return True
        return False

    def _act_on(self, order: ArmedSet, found: list[tuple[int, Signal]]) -> None:
        order.dropped_now = False
        for k, signal in found:
            if self._desk.state is not State.WORKING:
                return
            if isinstance(signal, RepetitionStarted):
                order.moved_in_bout = True
            elif isinstance(signal, RepetitionEnded):
                self._repetition_ended(order, k, signal)
            elif isinstance(signal, StallSeen):
                if not (order.dropped_now and order.coupled):
                    self._stalled(order, k, signal)
            elif isinstance(signal, ReleaseSeen):
                self._desk.end(
                    Reason.HANDLE_RELEASED,
                    (("velocity_m_s", signal.velocity_m_s), ("force_n", signal.force_n)),
                    (("release_velocity_m_s", -order.prescription.stall.release_velocity_m_s),),
                    cable=k,
                )
            elif isinstance(signal, SensorTrouble):
                self._desk.end(
                    signal.reason, ((signal.quantity, signal.value),), ((signal.quantity, signal.allowed),), cable=k
                )

    def count_repetition(self, event: Event) -> None:
        """A summary from a rig that segments itself stands for the tracker's signals."""
        order = self._desk.order
        if order is None or not isinstance(event, RepetitionSeen) or self._desk.rig.by_frames:
            self._count(event)
            return
        if not self._desk.rig.accept_repetition(event):
            self._count(event)
            return
        order.active_us = self._desk.now_us
        order.moved_in_bout = True
        self._act_on(order, list(order.signals_of(event)))

    def _repetition_ended(self, order: ArmedSet, k: int, ended: RepetitionEnded) -> None:
        cable = order.cables[k]
        stop = order.prescription.stop
        cable.repetition(ended, least_rom_fraction=stop.min_rom_fraction)
        self._desk.out.append(record_of(order, k, ended))
        if k == len(order.cables) - 1 and stop.max_left_right_difference is not None:
            difference = side_difference(order.cables)
            beyond = difference is not None and max(difference) > stop.max_left_right_difference
            order.side_strikes = order.side_strikes + 1 if beyond else 0
        finding = after_repetition(order.prescription, order.cables, k, order.side_strikes)
        if finding is not None:
            self._desk.end_by_finding(finding)
            return
        wanted = order.prescription.bouts[order.bout].repetitions
        if wanted is not None and min(one.counts.completed_in_bout for one in order.cables) >= wanted:
            self._bout_done(
                Reason.REPETITIONS_DONE, (("repetitions_in_bout", float(wanted)),), (("repetitions", float(wanted)),)
            )

    def _stalled(self, order: ArmedSet, k: int, stall: StallSeen) -> None:
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
        thresholds = _held_against(stall.reason, prescription.stall)
        spent = budget(prescription, order.cables)
        if spent is not None:
            self._desk.end_by_finding(spent)
        elif prescription.bouts[order.bout].on_stall == "end":
            self._bout_done(stall.reason, inputs, thresholds, cable=k)
        elif cable.load_n <= prescription.load.floor_n + AT_FLOOR_N:
            self._failed_at_floor(order, k, stall, inputs, thresholds)
        elif prescription.stop.max_drops is not None and order.drops >= prescription.stop.max_drops:
            self._desk.end(
                Reason.DROPS_SPENT,
                (*inputs, ("drops", float(order.drops))),
                (*thresholds, ("max_drops", float(prescription.stop.max_drops))),
                cable=k,
            )
        else:
            self._drop(order, k, stall, inputs, thresholds)

    def _failed_at_floor(self, order: ArmedSet, k: int, stall: StallSeen, inputs: Numbers, thresholds: Numbers) -> None:
        counts = order.cables[k].counts
        counts.floor_failures += 1
        allowed = order.prescription.stop.floor_failures
        inputs = (*inputs, ("floor_failures", float(counts.floor_failures)))
        thresholds = (*thresholds, ("floor_failures", float(allowed)))
        if counts.floor_failures >= allowed:
            self._desk.end(Reason.FLOOR_FAILED, inputs, thresholds, cable=k)
            return
        order.cables[k].tracker.load_dropped(stall.t_us, order.cables[k].load_n, 0.0)
        text = "A stall at the floor load; the prescription allows another try."
        self._desk.decide("hold", stall.reason, text, cable=k, inputs=inputs, thresholds=thresholds)

    def _drop(self, order: ArmedSet, k: int, stall: StallSeen, inputs: Numbers, thresholds: Numbers) -> None:
        cable = order.cables[k]
        view = cable.view(stall, order.prescription)
        try:
            cable.policy_state, proposal = order.policy.propose(cable.policy_state, view)
            load_n, limits = limit_proposal(proposal.load_n, load_n=cable.load_n, floor_n=view.floor_n)
            why = str(proposal.why)[:200]
        except UnusableProposalError as error:
            self._desk.end(Reason.POLICY_FAILED, inputs, thresholds, cable=k, detail=str(error))
            return
        except Exception as error:
            # A policy is third-party code: whatever it raises ends the set safely and is told, never passed on.
            self._desk.end(
                Reason.POLICY_FAILED, inputs, thresholds, cable=k, detail=f"{type(error).__name__}: {error}"[:200]
            )
            return
        before = order.target_n
        which = tuple(range(len(order.cables))) if order.coupled else (k,)
        order.drop(which, load_n, t_us=stall.t_us, now_us=self._desk.now_us)
        self._desk.send_load(order)
        self._desk.decide(
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
        order = self._desk.order
        if order is None:
            return
        if order.bout + 1 >= len(order.prescription.bouts):
            reason = why if why is Reason.REPETITIONS_DONE else Reason.SET_DONE
            self._desk.end(reason, inputs, thresholds, cable=cable)
            return
        before = order.target_n
        order.end_bout(self._desk.now_us)
        self._desk.state = State.RESTING
        self._desk.send_unload(order, order.ramp_n_per_s)
        text = f"{SENTENCES[Reason.BOUT_DONE]} {SENTENCES[why]}"
        self._desk.decide(
            "rest", Reason.BOUT_DONE, text, cable=cable, from_n=before, inputs=inputs, thresholds=thresholds
        )


def _held_against(reason: Reason, stall: StallSection) -> Numbers:
    """The prescription's figures that a stall of this kind was judged by."""
    if reason is Reason.FAILED_START:
        return (("start_patience_s", stall.start_patience_s),)
    if reason is Reason.REPORTED_FAILURE:
        return ()
    slow = ("velocity_m_s", stall.velocity_m_s)
    if stall.rule == "dwell":
        return (slow, ("dwell_s", stall.dwell_s), ("grind_s", stall.grind_s))
    return (slow, ("certainty", stall.certainty), ("still_limit_s", stall.still_limit_s), ("grind_s", stall.grind_s))
