"""Regulator and guard as one: what every shell, simulation and replay drives.

Each event goes to the guard's own bookkeeping first, then to the regulator. Each command that comes out goes past
the guard; a refused one is not sent: the refusal goes back to the regulator as an event, which ends the set safely,
and is recorded as the defect that it is. Pure, like both its parts.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Mapping
from dataclasses import replace

from ebbset.controller.actions import Answer, Decision, Output, SendArm, SendLoad, SendRelease, SendUnload
from ebbset.controller.events import Event, GuardRefused
from ebbset.controller.guard import Guard
from ebbset.controller.policy import PolicyFactory
from ebbset.controller.reasons import State
from ebbset.controller.regulator import Regulator

_COMMANDS = (SendLoad, SendUnload, SendArm, SendRelease)


class SetController:
    """One rig's controller. ``handle`` takes an event and returns what may go out, in order."""

    __slots__ = ("_guard", "_regulator", "handled")

    def __init__(self, policies: Mapping[str, PolicyFactory]) -> None:
        self._regulator = Regulator(policies)
        self._guard = Guard()
        self.handled = 0

    @property
    def state(self) -> State:
        """Where the set stands."""
        return self._regulator.state

    def handle(self, event: Event) -> tuple[Output, ...]:
        """Take one event in. Raises nothing for any event."""
        self.handled += 1
        self._guard.observe(event)
        outputs = self._regulator.handle(event)
        if not outputs:
            return outputs
        passed: list[Output] = []
        pending = deque(outputs)
        while pending:
            output = pending.popleft()
            if isinstance(output, _COMMANDS):
                refused = self._guard.check(output, event.now_us)
                if refused is not None:
                    # Commands that this event also led to rest on the refused one and go no further; records stay.
                    refusal = GuardRefused(now_us=event.now_us, rule=refused.rule, detail=refused.detail)
                    self._guard.observe(refusal)
                    records: list[Output] = [later for later in pending if not isinstance(later, _COMMANDS)]
                    ended = self._regulator.handle(refusal)
                    if isinstance(output, SendArm):
                        records = self._not_armed(records, refused.detail)
                    pending = deque([*ended, *records])
                    continue
            passed.append(output)
        return tuple(passed)

    def _not_armed(self, records: list[Output], detail: str) -> list[Output]:
        """Nothing was armed, so no record may say so, and the answer says why."""
        return [
            replace(record, accepted=False, code="guard_refused", message=detail[:400], state=self.state)
            if isinstance(record, Answer)
            else record
            for record in records
            if not isinstance(record, Decision)
        ]
