"""The person who arms, starts and stops a simulated set, and asks again while telemetry has not come yet."""

from __future__ import annotations

from typing import Final

from ebbset.controller.messages.actions import Answer
from ebbset.controller.messages.events import Requested
from ebbset.controller.messages.reasons import AnswerCode
from ebbset.models.contract.operator_messages import RequestAction
from ebbset.models.contract.prescription import Prescription
from ebbset.models.contract.profile import LifterProfile
from ebbset.simulators.closed_loop.controller_side import ControllerSide
from ebbset.simulators.closed_loop.rig_side import RigSide
from ebbset.simulators.closed_loop.simulated_set import SetNotRunError, SimulatedSet

_ASK_FRAMES: Final = 60


class SimulatedOperator:
    """Makes the requests of one set.

    Args:
        prescription: what is armed.
        profile: the lifter profile that goes with it.
        nonce: the set's nonce.
    """

    def __init__(self, prescription: Prescription, profile: LifterProfile | None, *, nonce: str) -> None:
        self._prescription = prescription
        self._profile = profile
        self._nonce = nonce

    def ask(self, action: RequestAction, controller: ControllerSide, rig: RigSide, outcome: SimulatedSet) -> None:
        """Ask until it is granted, one frame before each try.

        Args:
            action: arm or start.
            controller: who is asked.
            rig: advanced by a frame before each try.
            outcome: where the controller's answers arrive.

        Raises:
            SetNotRunError: refused for another reason than missing telemetry, or for that too often.
        """
        answer: Answer | None = None
        for _ in range(_ASK_FRAMES):
            rig.frame()
            before = len(outcome.answers)
            controller.feed(self._request(action, controller.time.now_us))
            answer = outcome.answers[-1] if len(outcome.answers) > before else None
            if answer is None or answer.accepted:
                return
            if answer.code not in (AnswerCode.NO_TELEMETRY, AnswerCode.RIG_NOT_HEARD):
                break
        if answer is not None:
            raise SetNotRunError(f"{action.value} refused: {answer.code}: {answer.message}")

    def stop(self, controller: ControllerSide) -> None:
        """Stop the set, which is granted in every state."""
        controller.feed(self._request(RequestAction.STOP, controller.time.now_us))

    def _request(self, action: RequestAction, now_us: int) -> Requested:
        arming = action is RequestAction.ARM
        return Requested(
            now_us=now_us,
            correlation_id=f"simulated-{action.value}",
            action=action,
            operator="simulated",
            arming=None if arming else self._nonce,
            cautions_shown=arming,
            fresh_nonce=self._nonce if arming else None,
            prescription=self._prescription if arming else None,
            profile=self._profile if arming else None,
        )
