"""What an input means to the state machine: its trigger. Which response that gets stands in `transitions`."""

from __future__ import annotations

from typing import Final

from ebbset.controller.messages.events import (
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
from ebbset.controller.regulation.transitions import Trigger
from ebbset.models.contract.operator_messages import RequestAction
from ebbset.models.contract.rig_messages import Refusal, RigEventKind

HARMLESS_REFUSALS: Final = frozenset({Refusal.REPEATED_SEQUENCE})
"""A command that came twice is refused the second time; the first one stands, so the set goes on."""


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
_SIMPLE_TRIGGERS: Final[dict[type, Trigger]] = {
    Samples: Trigger.SAMPLES,
    Tick: Trigger.TICK,
    RepetitionSeen: Trigger.REPETITION,
    RigAnnounced: Trigger.ANNOUNCED,
    RigLost: Trigger.RIG_LOST,
    LinkUp: Trigger.LINK_UP,
    LinkDown: Trigger.LINK_DOWN,
    BadInput: Trigger.BAD_INPUT,
    GuardRefused: Trigger.GUARD_REFUSED,
}


def trigger_of(event: Event, identity: RigAnnounced | None, nonce: str | None, *, live: bool) -> Trigger:
    """What an input means.

    Args:
        event: the input.
        identity: of the rig, as last announced.
        nonce: of the newest set, live or over.
        live: a set is armed, under way or being unloaded.
    """
    boot_id = event.boot_id if isinstance(event, Samples | RepetitionSeen | RigReported | RigAnnounced) else None
    if live and identity is not None and boot_id not in (None, identity.boot_id):
        # The rig restarted while a set was live: whatever this input says, it is about another boot.
        return Trigger.REBOOTED
    if isinstance(event, RigReported):
        return _REPORTS[event.kind]
    if isinstance(event, Acknowledged):
        harmless = event.accepted or event.refusal in HARMLESS_REFUSALS or event.nonce != nonce
        return Trigger.ACK if harmless else Trigger.REFUSED_BY_RIG
    if isinstance(event, Requested):
        return _ASKS[event.action]
    return _SIMPLE_TRIGGERS[type(event)]
