"""What every response to an event shares: the time, the rig as last heard, and what goes out.

What lives here: one way each to command, to answer and to record a decision. What never does: judging an input, and
where the set stands.
"""

from __future__ import annotations

from ebbset.controller.messages.actions import Answer, Decision, Output, SendArm, SendLoad, SendRelease, SendUnload
from ebbset.controller.messages.events import EarlierSet
from ebbset.controller.messages.reasons import AnswerCode, Limit, Reason, State
from ebbset.controller.regulation.armed_set import ArmedSet
from ebbset.controller.regulation.outcomes import Finding
from ebbset.controller.regulation.rig_facts import RigFacts


class SetContext:
    """Time, rig and output of one regulator.

    Attributes:
        nonce: of the newest set, live or over.
        left_behind: the lifter's state after the newest set, once it is over.
    """

    __slots__ = ("_decisions", "left_behind", "nonce", "now_us", "out", "rig")

    def __init__(self) -> None:
        self.rig = RigFacts()
        self.now_us = 0
        self.nonce: str | None = None
        self.left_behind: EarlierSet | None = None
        self.out: list[Output] = []
        self._decisions = 0

    def silence(self, armed: ArmedSet) -> Finding | None:
        """Usable telemetry was silent for longer than the set allows."""
        return self.rig.silence(self.now_us, since_us=armed.armed_us, allowed_us=armed.silence_allowed_us)

    def answer(self, correlation_id: str, state: State, *, accepted: bool, code: AnswerCode, message: str) -> None:
        """Answer a request.

        Args:
            correlation_id: of the request.
            state: where the set stands once the request was handled.
            accepted: the request was carried out.
            code: for scripts.
            message: for people.
        """
        self.out.append(
            Answer(
                correlation_id=correlation_id,
                accepted=accepted,
                code=code,
                message=message,
                nonce=self.nonce,
                state=state,
            )
        )

    def _next_seq(self, armed: ArmedSet) -> int:
        armed.seq += 1
        armed.sent_us = self.now_us
        return armed.seq

    def send_arm(self, armed: ArmedSet) -> None:
        """Bind the rig to the set, unloaded."""
        load = armed.prescription.load
        self.out.append(
            SendArm(
                nonce=armed.nonce,
                seq=self._next_seq(armed),
                ceiling_n=armed.per_cable(load.start_n),
                floor_n=armed.per_cable(load.floor_n),
                max_ramp_n_per_s=armed.ramp_n_per_s,
                lease_ms=armed.lease_ms,
            )
        )

    def send_load(self, armed: ArmedSet) -> None:
        """Command the target, or renew its lease, resting on the newest sample; without one nothing is sent."""
        if self.rig.last_t_us is None:
            return
        self.out.append(
            SendLoad(
                nonce=armed.nonce,
                seq=self._next_seq(armed),
                target_n=armed.target_n,
                ramp_n_per_s=armed.ramp_n_per_s,
                lease_ms=armed.lease_ms,
                cites_t_us=self.rig.last_t_us,
            )
        )

    def send_unload(self, armed: ArmedSet, ramp_n_per_s: float) -> None:
        """Take the load off; while unloaded this also keeps the rig bound.

        Args:
            armed: the set.
            ramp_n_per_s: how fast the load goes off, N/s.
        """
        self.out.append(SendUnload(nonce=armed.nonce, seq=self._next_seq(armed), ramp_n_per_s=ramp_n_per_s))

    def keep_bound(self, armed: ArmedSet) -> None:
        """While unloaded a repeated unload keeps the rig bound to the set; in an ending it is never slower."""
        if self.now_us - armed.sent_us >= armed.renew_every_us:
            self.send_unload(armed, armed.ending_ramp_n_per_s or armed.ramp_n_per_s)

    def send_release(self, armed: ArmedSet) -> None:
        """Let the rig go."""
        self.out.append(SendRelease(nonce=armed.nonce, seq=self._next_seq(armed)))

    def decide(
        self,
        armed: ArmedSet,
        state: State,
        action: str,
        finding: Finding,
        text: str,
        *,
        from_n: tuple[float, ...] | None = None,
        limited_by: tuple[Limit, ...] = (),
    ) -> None:
        """Record one decision.

        Args:
            armed: the set; its target is what the decision led to.
            state: where the set stands.
            action: what is done: arm, load, drop, hold, rest, end.
            finding: why, on which numbers, against which thresholds, for which cable.
            text: the explanation for people.
            from_n: target before the decision, newtons per cable; ``None`` where it did not change.
            limited_by: what narrowed a policy's proposal.
        """
        self._decisions += 1
        self.out.append(
            Decision(
                seq=self._decisions,
                nonce=armed.nonce,
                now_us=self.now_us,
                t_rig_us=self.rig.last_t_us,
                state=state,
                action=action,
                reason=finding.reason,
                text=text,
                cable=finding.cable,
                from_n=armed.target_n if from_n is None else from_n,
                to_n=armed.target_n,
                repetition=armed.repetitions,
                inputs=finding.inputs,
                thresholds=finding.thresholds,
                limited_by=limited_by,
            )
        )

    def record_defect(self, state: State, text: str) -> None:
        """Record a defect of the controller that was found while no set was live; nothing changes by it.

        Args:
            state: current state.
            text: what was found.
        """
        self._decisions += 1
        self.out.append(
            Decision(
                seq=self._decisions,
                nonce=None,
                now_us=self.now_us,
                t_rig_us=self.rig.last_t_us,
                state=state,
                action="hold",
                reason=Reason.DEFECT,
                text=text,
                cable=None,
                from_n=(),
                to_n=(),
                repetition=0,
                inputs=(),
                thresholds=(),
                limited_by=(),
            )
        )
