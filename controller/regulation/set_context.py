"""The desk of the regulator: the set under way, what goes out, and the few acts that every response needs.

What lives here: answering, deciding, sending, ending, in one way each. What never does: judging an input.
"""

from __future__ import annotations

from ebbset.controller.messages.actions import Answer, Output, SendLoad, SendRelease, SendUnload
from ebbset.controller.messages.events import Event, Requested
from ebbset.controller.messages.reasons import SENTENCES, Limit, Reason, State
from ebbset.controller.regulation.armed_set import ArmedSet
from ebbset.controller.regulation.reports import decision_of, result_of
from ebbset.controller.regulation.rig_facts import RigFacts
from ebbset.controller.regulation.stop_rules import Finding, Numbers


class SetContext:
    """State of one rig's regulator. Only the regulator and its work on a bout write here."""

    __slots__ = ("_decisions", "now_us", "order", "out", "rig", "state")

    def __init__(self) -> None:
        self.state = State.OFFLINE
        self.rig = RigFacts()
        self.order: ArmedSet | None = None
        self.now_us = 0
        self.out: list[Output] = []
        self._decisions = 0

    def answer(self, event: Event, *, accepted: bool, code: str, message: str) -> None:
        """Answer a request; anything else gets no answer."""
        if isinstance(event, Requested):
            nonce = self.order.nonce if self.order is not None else None
            self.out.append(
                Answer(
                    correlation_id=event.correlation_id,
                    accepted=accepted,
                    code=code,
                    message=message,
                    nonce=nonce,
                    state=self.state,
                )
            )

    def end_by_finding(self, finding: Finding) -> None:
        """End the set because a stop rule holds."""
        self.end(finding.reason, finding.inputs, finding.thresholds, cable=finding.cable)

    def end(
        self, reason: Reason, inputs: Numbers, thresholds: Numbers, *, cable: int | None = None, detail: str = ""
    ) -> None:
        """Stop for good: unload, say why. Nothing but a new arming leads on from here."""
        order = self.order
        if order is None or order.finished:
            return
        before = order.target_n
        order.ending(reason, self.now_us)
        let_go = reason is Reason.HANDLE_RELEASED
        self.send_unload(order, order.fastest_ramp_n_per_s if let_go else order.ramp_n_per_s)
        text = f"{SENTENCES[reason]} {detail}".strip()
        self.decide("end", reason, text, cable=cable, from_n=before, inputs=inputs, thresholds=thresholds)
        self.state = State.ENDING
        if reason in (Reason.LINK_LOST, Reason.RIG_LOST):
            self.finish(State.OFFLINE)
            self.rig = RigFacts()

    def finish(self, state: State) -> None:
        """Let the rig go and say what the set came to."""
        order = self.order
        if order is None:
            return
        self.out.append(SendRelease(nonce=order.nonce, seq=order.next_seq(self.now_us)))
        self.out.append(result_of(order, self.now_us))
        order.finished = True
        self.state = state

    def fresh(self, order: ArmedSet) -> bool:
        """Usable telemetry arrived recently enough."""
        silence_us, allowed_us = self._silence_us(order)
        return silence_us <= allowed_us

    def freshness(self, order: ArmedSet) -> tuple[Numbers, Numbers]:
        """How long usable telemetry has been silent, and how long it may be."""
        silence_us, allowed_us = self._silence_us(order)
        return (("silence_ms", silence_us / 1e3),), (("telemetry_timeout_ms", allowed_us / 1e3),)

    def _silence_us(self, order: ArmedSet) -> tuple[int, int]:
        rig = self.rig
        since_us = order.armed_us if rig.fresh_us is None else rig.fresh_us
        return self.now_us - since_us, order.stale_after_us if rig.by_frames else order.lease_ms * 1_000

    def send_load(self, order: ArmedSet) -> None:
        """Order the target, or renew its lease, resting on the newest sample."""
        if self.rig.last_t_us is None:
            return
        self.out.append(
            SendLoad(
                nonce=order.nonce,
                seq=order.next_seq(self.now_us),
                target_n=order.target_n,
                ramp_n_per_s=order.ramp_n_per_s,
                lease_ms=order.lease_ms,
                cites_t_us=self.rig.last_t_us,
            )
        )

    def send_unload(self, order: ArmedSet, ramp_n_per_s: float) -> None:
        """Take the load off; while unloaded this also keeps the rig bound."""
        self.out.append(SendUnload(nonce=order.nonce, seq=order.next_seq(self.now_us), ramp_n_per_s=ramp_n_per_s))

    def decide(
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
        """Record one decision."""
        order = self.order
        if order is None:
            return
        self._decisions += 1
        self.out.append(
            decision_of(
                order,
                seq=self._decisions,
                now_us=self.now_us,
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
