"""The state of a rig's regulator, together with the armed set in the states that have one."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from ebbset.controller.messages.reasons import State
from ebbset.controller.regulation.armed_set import ArmedSet


@dataclass(frozen=True, slots=True)
class NoSet:
    """Nothing is armed."""

    state: Literal[State.OFFLINE, State.IDLE]


@dataclass(frozen=True, slots=True)
class LiveSet:
    """A set is armed, under way, or being unloaded."""

    state: Literal[State.ARMED, State.WORKING, State.RESTING, State.ENDING]
    armed: ArmedSet


@dataclass(frozen=True, slots=True)
class FinishedSet:
    """The set is over and the rig was released; its result can still be reported."""

    armed: ArmedSet
    state: Literal[State.ENDED] = State.ENDED


Position = NoSet | LiveSet | FinishedSet
