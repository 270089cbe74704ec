"""The state machine of a set as one table: every state, every trigger, one response.

Rules of this file. Everything about *which* response an input gets in a state stands here and nowhere else; what a
response does is in `regulator`. Every state has every trigger: an input that makes no sense there is counted and
ignored when the rig or a person sent it before arming, and ends the set when it puts an armed set in doubt. Stop
responses outrank all others. The diagram in DEVELOPERS.md and the walk in the tests are made from this table.

    OFFLINE --announced--> IDLE --arm--> ARMED --start--> WORKING <--rest over, docked-- RESTING
                                                     stall: load drops      bout done ------^
    any armed state --stop rule, request, fault--> ENDING --unloaded--> ENDED --arm--> ARMED
    any state --link or rig lost--> OFFLINE (an armed set ends there, un-armed for good)
"""

from __future__ import annotations

from enum import StrEnum
from typing import Final

from ebbset.controller.messages.reasons import Reason, State


class Trigger(StrEnum):
    """What an input means to the machine."""

    SAMPLES = "samples"
    REPETITION = "repetition"
    ANNOUNCED = "announced"
    REBOOTED = "rebooted"
    RIG_LOST = "rig_lost"
    EMERGENCY = "emergency"
    RIG_FAULT = "rig_fault"
    LEASE_EXPIRED = "lease_expired"
    DOCK_CHANGED = "dock_changed"
    ACK = "ack"
    REFUSED_BY_RIG = "refused_by_rig"
    ASK_ARM = "ask_arm"
    ASK_START = "ask_start"
    ASK_STOP = "ask_stop"
    ASK_RELEASE = "ask_release"
    LINK_UP = "link_up"
    LINK_DOWN = "link_down"
    TICK = "tick"
    BAD_INPUT = "bad_input"
    GUARD_REFUSED = "guard_refused"


class Response(StrEnum):
    """What the regulator does; one method each."""

    NOTHING = "nothing"
    COUNT = "count"
    NOTE = "note"
    ONLINE = "online"
    OFFLINE = "offline"
    WATCH = "watch"
    WORK = "work"
    REST = "rest"
    WIND_DOWN = "wind_down"
    COUNT_REPETITION = "count_repetition"
    ARM = "arm"
    START = "start"
    STOP = "stop"
    CONFIRM_STOPPED = "confirm_stopped"
    REFUSE = "refuse"
    END = "end"


_BEFORE_ARMING: Final[dict[Trigger, Response]] = {
    Trigger.SAMPLES: Response.WATCH,
    Trigger.REPETITION: Response.NOTE,
    Trigger.ANNOUNCED: Response.ONLINE,
    Trigger.REBOOTED: Response.ONLINE,
    Trigger.RIG_LOST: Response.OFFLINE,
    Trigger.EMERGENCY: Response.COUNT,
    Trigger.RIG_FAULT: Response.COUNT,
    Trigger.LEASE_EXPIRED: Response.COUNT,
    Trigger.DOCK_CHANGED: Response.NOTE,
    Trigger.ACK: Response.NOTE,
    Trigger.REFUSED_BY_RIG: Response.COUNT,
    Trigger.ASK_ARM: Response.ARM,
    Trigger.ASK_START: Response.REFUSE,
    Trigger.ASK_STOP: Response.CONFIRM_STOPPED,
    Trigger.ASK_RELEASE: Response.CONFIRM_STOPPED,
    Trigger.LINK_UP: Response.NOTHING,
    Trigger.LINK_DOWN: Response.OFFLINE,
    Trigger.TICK: Response.NOTHING,
    Trigger.BAD_INPUT: Response.COUNT,
    Trigger.GUARD_REFUSED: Response.END,
}
_ARMED: Final[dict[Trigger, Response]] = {
    **dict.fromkeys(Trigger, Response.END),
    Trigger.SAMPLES: Response.REST,
    Trigger.REPETITION: Response.NOTE,
    Trigger.ANNOUNCED: Response.NOTE,
    Trigger.DOCK_CHANGED: Response.NOTE,
    Trigger.ACK: Response.NOTE,
    Trigger.ASK_ARM: Response.REFUSE,
    Trigger.ASK_START: Response.REFUSE,
    Trigger.ASK_STOP: Response.STOP,
    Trigger.ASK_RELEASE: Response.STOP,
    Trigger.LINK_UP: Response.COUNT,
    Trigger.TICK: Response.REST,
    Trigger.BAD_INPUT: Response.COUNT,
}

TRANSITIONS: Final[dict[State, dict[Trigger, Response]]] = {
    State.OFFLINE: {
        **_BEFORE_ARMING,
        Trigger.SAMPLES: Response.COUNT,
        Trigger.RIG_LOST: Response.NOTHING,
        Trigger.DOCK_CHANGED: Response.COUNT,
        Trigger.ACK: Response.COUNT,
        Trigger.ASK_ARM: Response.REFUSE,
        Trigger.LINK_UP: Response.NOTE,
    },
    State.IDLE: _BEFORE_ARMING,
    State.ARMED: {**_ARMED, Trigger.ASK_START: Response.START},
    State.WORKING: {
        **_ARMED,
        Trigger.SAMPLES: Response.WORK,
        Trigger.REPETITION: Response.COUNT_REPETITION,
        Trigger.TICK: Response.WORK,
    },
    State.RESTING: _ARMED,
    State.ENDING: {
        **_ARMED,
        Trigger.SAMPLES: Response.WIND_DOWN,
        Trigger.TICK: Response.WIND_DOWN,
        Trigger.ACK: Response.WIND_DOWN,
        Trigger.REBOOTED: Response.WIND_DOWN,
        Trigger.EMERGENCY: Response.COUNT,
        Trigger.RIG_FAULT: Response.COUNT,
        Trigger.LEASE_EXPIRED: Response.COUNT,
        Trigger.REFUSED_BY_RIG: Response.COUNT,
        Trigger.RIG_LOST: Response.OFFLINE,
        Trigger.LINK_DOWN: Response.OFFLINE,
        Trigger.GUARD_REFUSED: Response.COUNT,
        Trigger.ASK_STOP: Response.CONFIRM_STOPPED,
        Trigger.ASK_RELEASE: Response.CONFIRM_STOPPED,
    },
    State.ENDED: {**_BEFORE_ARMING, Trigger.GUARD_REFUSED: Response.COUNT},
}

END_REASONS: Final[dict[Trigger, Reason]] = {
    Trigger.REBOOTED: Reason.RIG_REBOOTED,
    Trigger.RIG_LOST: Reason.RIG_LOST,
    Trigger.EMERGENCY: Reason.EMERGENCY_STOP,
    Trigger.RIG_FAULT: Reason.RIG_FAULT,
    Trigger.LEASE_EXPIRED: Reason.LEASE_EXPIRED,
    Trigger.REFUSED_BY_RIG: Reason.RIG_REFUSED,
    Trigger.LINK_DOWN: Reason.LINK_LOST,
    Trigger.GUARD_REFUSED: Reason.GUARD_REFUSED,
    Trigger.ASK_STOP: Reason.STOP_REQUESTED,
    Trigger.ASK_RELEASE: Reason.RELEASE_REQUESTED,
}
"""Why a set ended, for the triggers that end one by themselves."""


def as_markdown() -> str:
    """The table as it stands in docs/transitions.md: a row a trigger, a column a state."""
    states = list(State)
    lines = [
        "# The state machine of a set",
        "",
        "Made from `controller/regulation/transitions.py` by `make docs`; a test fails when this page is stale.",
        "",
        "| input | " + " | ".join(state.value for state in states) + " |",
        "|---|" + "---|" * len(states),
    ]
    for trigger in Trigger:
        responses = " | ".join(TRANSITIONS[state][trigger].value.replace("_", " ") for state in states)
        lines.append(f"| {trigger.value.replace('_', ' ')} | {responses} |")
    lines += ["", "An input that ends a set does so for this reason:", "", "| input | reason |", "|---|---|"]
    lines += [f"| {trigger.value.replace('_', ' ')} | `{reason.value}` |" for trigger, reason in END_REASONS.items()]
    return "\n".join(lines) + "\n"
