"""Regulator and guard as one: what every shell, simulation and replay drives.

Each event goes to the guard's own bookkeeping first, then to the regulator. Each command that comes out goes past
the guard; a refused one is not sent: the refusal goes back to the regulator as an event, which ends the set safely,
and is recorded as the defect that it is. Pure, like both its parts.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

from ebbset.controller.detection.evidence.habit_figures import SHIPPED, HabitFigures
from ebbset.controller.estimation.judgement import Judgement
from ebbset.controller.estimation.judgement_figures import CURRENT
from ebbset.controller.guard.guard import Guard, Refused
from ebbset.controller.messages.actions import (
    Answer,
    Command,
    Decision,
    Output,
    SendArm,
    SendLoad,
    SendRelease,
    SendUnload,
    StateChanged,
)
from ebbset.controller.messages.events import EarlierSet, Event, GuardRefused
from ebbset.controller.messages.reasons import SENTENCES, AnswerCode, Reason, State
from ebbset.controller.policies.policy import PolicyFactory
from ebbset.controller.regulation.regulator import Regulator

_COMMANDS = (SendLoad, SendUnload, SendArm, SendRelease)


class SetController:
    """One rig's controller. ``handle`` takes an event and returns what may go out, in order.

    Args:
        policies: drop policies by name; an arming may name any of them.
        judgement: how far estimates are trusted; a replay gives that of its recording.
        stall_figures: what the stall rule "habits" was fitted to; an evaluation gives others than those shipped.
    """

    __slots__ = ("_guard", "_regulator", "handled")

    def __init__(
        self,
        policies: Mapping[str, PolicyFactory],
        judgement: Judgement = CURRENT,
        stall_figures: HabitFigures = SHIPPED,
    ) -> None:
        self._regulator = Regulator(policies, judgement, stall_figures)
        self._guard = Guard()
        self.handled = 0

    @property
    def state(self) -> State:
        """State of the set."""
        return self._regulator.state

    @property
    def left_behind(self) -> EarlierSet | None:
        """The lifter's state after the last set, for another core that arms the next one."""
        return self._regulator.left_behind

    def handle(self, event: Event) -> tuple[Output, ...]:
        """Take one event in. Raises nothing for any event."""
        self.handled += 1
        self._guard.observe(event)
        outputs = self._regulator.handle(event)
        for index, output in enumerate(outputs):
            if isinstance(output, _COMMANDS):
                refused = self._guard.check(output, event.now_us)
                if refused is not None:
                    return outputs[:index] + self._refused(event, output, refused, outputs[index + 1 :])
        return outputs

    def _passed(self, event: Event, outputs: tuple[Output, ...]) -> tuple[Output, ...]:
        """The part of the response to a refusal that the guard passes: the set ends, so nothing more can follow."""
        return tuple(
            output
            for output in outputs
            if not isinstance(output, _COMMANDS) or self._guard.check(output, event.now_us) is None
        )

    def _refused(
        self, event: Event, command: Command, refused: Refused, later: tuple[Output, ...]
    ) -> tuple[Output, ...]:
        """The outputs that replace a refused command and everything after it."""
        # Commands that this event also led to rest on the refused one and go no further; records stay, in their order.
        refusal = GuardRefused(now_us=event.now_us, rule=refused.rule, detail=refused.detail)
        self._guard.observe(refusal)
        records: list[Output] = [record for record in later if not isinstance(record, _COMMANDS)]
        ended = self._regulator.handle(refusal)
        if isinstance(command, SendArm):
            # Nothing was armed, so no record may say so; the end of the set answers whoever asked.
            records = [record for record in records if not isinstance(record, Decision)]
        # Nor was a start carried out, and the state that it led to is over.
        told = [
            _refused_answer(record, refused, self.state) if isinstance(record, Answer) else record
            for record in records
            if not isinstance(record, StateChanged)
        ]
        return (*told, *self._passed(event, ended))


def _refused_answer(answer: Answer, refused: Refused, state: State) -> Answer:
    if not answer.accepted:
        return answer
    message = f"{SENTENCES[Reason.GUARD_REFUSED]} {refused.rule}: {refused.detail}"
    return replace(answer, accepted=False, code=AnswerCode.GUARD_REFUSED, message=message, state=state)
