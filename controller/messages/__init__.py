"""Inputs and outputs of the core: events, actions, reason codes, and their forms as JSON and on the wire.

Values only. They are all that the guard knows of the controller.
"""

from __future__ import annotations

from ebbset.controller.messages.actions import (
    Answer,
    Command,
    Decision,
    Output,
    RepetitionRecord,
    SendArm,
    SendLoad,
    SendRelease,
    SendUnload,
    SetResult,
    StateChanged,
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
from ebbset.controller.messages.reasons import Limit, Reason, State

__all__ = [
    "Acknowledged",
    "Answer",
    "BadInput",
    "Command",
    "Decision",
    "EarlierSet",
    "Event",
    "GuardRefused",
    "Limit",
    "LinkDown",
    "LinkUp",
    "Output",
    "Reason",
    "RepetitionRecord",
    "RepetitionSeen",
    "Requested",
    "RigAnnounced",
    "RigLost",
    "RigReported",
    "Samples",
    "SendArm",
    "SendLoad",
    "SendRelease",
    "SendUnload",
    "SetResult",
    "State",
    "StateChanged",
    "Tick",
]
