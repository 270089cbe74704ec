"""The state machine of a set as one table: for every state and trigger, the response and the states it may lead to.

Rules of this file. Which response an input gets in a state stands here and nowhere else; what a response does is in
`regulator`, which checks every state it reaches against this table. Every state has every trigger: an input that makes
no sense there is ignored (and counted, if a set is armed) when the rig or a person sent it, and ends the set when it
puts an armed set in doubt. The page docs/transitions.md, its diagram and the walk in the tests are made from this
table.
"""

from __future__ import annotations

from enum import StrEnum
from typing import Final, NamedTuple

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

    IGNORE = "ignore"
    COUNT = "count"
    NOTE = "note"
    NOTE_LINK = "note_link"
    COMPARE = "compare"
    CONFIRM_ARMING = "confirm_arming"
    HOLD_TO_WORD = "hold_to_word"
    ONLINE = "online"
    OFFLINE = "offline"
    ABANDON = "abandon"
    WAIT = "wait"
    RUN_BOUT = "run_bout"
    COUNT_REPETITION = "count_repetition"
    REST = "rest"
    WIND_DOWN = "wind_down"
    ARM = "arm"
    START = "start"
    STOP = "stop"
    CONFIRM_STOPPED = "confirm_stopped"
    REFUSE = "refuse"
    END = "end"


class Transition(NamedTuple):
    """One entry of the table."""

    response: Response
    may_lead_to: frozenset[State]


_Row = dict[Trigger, Transition]


def _to(response: Response, *states: State) -> Transition:
    return Transition(response, frozenset(states))


def _without_set(state: State) -> _Row:
    """A state in which nothing is armed: inputs are noted or ignored, and only a person's arming leads on."""
    stay, note = _to(Response.IGNORE, state), _to(Response.NOTE, state)
    offline = _to(Response.OFFLINE, State.OFFLINE)
    return {
        **dict.fromkeys(Trigger, stay),
        Trigger.SAMPLES: note,
        Trigger.REPETITION: note,
        Trigger.ANNOUNCED: _to(Response.ONLINE, state),
        Trigger.REBOOTED: _to(Response.ONLINE, state),
        Trigger.RIG_LOST: offline,
        Trigger.DOCK_CHANGED: note,
        Trigger.ACK: note,
        Trigger.ASK_ARM: _to(Response.ARM, state, State.ARMED),
        Trigger.ASK_START: _to(Response.REFUSE, state),
        Trigger.ASK_STOP: _to(Response.CONFIRM_STOPPED, state),
        Trigger.ASK_RELEASE: _to(Response.CONFIRM_STOPPED, state),
        Trigger.LINK_DOWN: offline,
    }


def _with_set(state: State) -> _Row:
    """A state with an armed set: whatever is not known to be harmless ends it, and no end can be refused."""
    end, lost = _to(Response.END, State.ENDING), _to(Response.END, State.OFFLINE)
    stop = _to(Response.STOP, State.ENDING)
    note, count, refuse = _to(Response.NOTE, state), _to(Response.COUNT, state), _to(Response.REFUSE, state)
    return {
        **dict.fromkeys(Trigger, end),
        Trigger.REPETITION: note,
        Trigger.ANNOUNCED: _to(Response.COMPARE, state, State.ENDING),
        Trigger.RIG_LOST: lost,
        Trigger.DOCK_CHANGED: note,
        Trigger.ACK: note,
        Trigger.ASK_ARM: refuse,
        Trigger.ASK_START: refuse,
        Trigger.ASK_STOP: stop,
        Trigger.ASK_RELEASE: stop,
        Trigger.LINK_UP: count,
        Trigger.LINK_DOWN: lost,
        Trigger.BAD_INPUT: count,
    }


_WAIT: Final = _to(Response.WAIT, State.ARMED, State.ENDING)
_REST: Final = _to(Response.REST, State.RESTING, State.WORKING, State.ENDING)
_HOLD_TO_WORD: Final = _to(Response.HOLD_TO_WORD, State.WORKING, State.ENDING)
_WIND_DOWN: Final = _to(Response.WIND_DOWN, State.ENDING, State.ENDED)
_ENDING_COUNT: Final = _to(Response.COUNT, State.ENDING)
_ENDING_NOTE: Final = _to(Response.NOTE, State.ENDING)

_ROWS: Final[dict[State, _Row]] = {
    State.OFFLINE: {
        **_without_set(State.OFFLINE),
        Trigger.SAMPLES: _to(Response.IGNORE, State.OFFLINE),
        Trigger.ANNOUNCED: _to(Response.ONLINE, State.OFFLINE, State.IDLE),
        Trigger.REBOOTED: _to(Response.ONLINE, State.OFFLINE, State.IDLE),
        Trigger.RIG_LOST: _to(Response.IGNORE, State.OFFLINE),
        Trigger.DOCK_CHANGED: _to(Response.IGNORE, State.OFFLINE),
        Trigger.ACK: _to(Response.IGNORE, State.OFFLINE),
        Trigger.ASK_ARM: _to(Response.REFUSE, State.OFFLINE),
        Trigger.LINK_UP: _to(Response.NOTE_LINK, State.OFFLINE),
    },
    State.IDLE: _without_set(State.IDLE),
    State.ARMED: {
        **_with_set(State.ARMED),
        Trigger.SAMPLES: _WAIT,
        Trigger.TICK: _WAIT,
        Trigger.ACK: _to(Response.CONFIRM_ARMING, State.ARMED),
        Trigger.ASK_START: _to(Response.START, State.ARMED, State.WORKING),
    },
    State.WORKING: {
        **_with_set(State.WORKING),
        Trigger.SAMPLES: _to(Response.RUN_BOUT, State.WORKING, State.RESTING, State.ENDING),
        Trigger.REPETITION: _to(Response.COUNT_REPETITION, State.WORKING, State.RESTING, State.ENDING),
        Trigger.TICK: _to(Response.RUN_BOUT, State.WORKING, State.ENDING),
        Trigger.DOCK_CHANGED: _HOLD_TO_WORD,
        Trigger.ACK: _HOLD_TO_WORD,
    },
    State.RESTING: {**_with_set(State.RESTING), Trigger.SAMPLES: _REST, Trigger.TICK: _REST},
    State.ENDING: {
        **_with_set(State.ENDING),
        Trigger.SAMPLES: _WIND_DOWN,
        Trigger.ANNOUNCED: _ENDING_NOTE,
        Trigger.REBOOTED: _WIND_DOWN,
        Trigger.RIG_LOST: _to(Response.ABANDON, State.OFFLINE),
        Trigger.EMERGENCY: _ENDING_COUNT,
        Trigger.RIG_FAULT: _ENDING_COUNT,
        Trigger.LEASE_EXPIRED: _ENDING_COUNT,
        Trigger.ACK: _WIND_DOWN,
        Trigger.REFUSED_BY_RIG: _ENDING_COUNT,
        Trigger.ASK_STOP: _to(Response.CONFIRM_STOPPED, State.ENDING),
        Trigger.ASK_RELEASE: _to(Response.CONFIRM_STOPPED, State.ENDING),
        Trigger.LINK_DOWN: _to(Response.ABANDON, State.OFFLINE),
        Trigger.TICK: _WIND_DOWN,
        Trigger.GUARD_REFUSED: _ENDING_COUNT,
    },
    State.ENDED: _without_set(State.ENDED),
}

TRANSITIONS: Final[dict[tuple[State, Trigger], Transition]] = {
    (state, trigger): row[trigger] for state, row in _ROWS.items() for trigger in Trigger
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


def _plain(name: StrEnum) -> str:
    return name.value.replace("_", " ")


def _diagram() -> list[str]:
    """The table as a mermaid state diagram: an arrow for each pair of states, with the inputs that may take it."""
    arrows: dict[tuple[State, State], list[str]] = {}
    for (state, trigger), (_, may_lead_to) in TRANSITIONS.items():
        for after in State:
            if after in may_lead_to and after is not state:
                arrows.setdefault((state, after), []).append(_plain(trigger))
    lines = ["```mermaid", "stateDiagram-v2", f"    [*] --> {State.OFFLINE.value}"]
    lines += [f"    {state.value} --> {after.value}: {', '.join(names)}" for (state, after), names in arrows.items()]
    return [*lines, "```"]


def as_markdown() -> str:
    """The table for docs/transitions.md: a diagram, then a row for each trigger with a column for each state."""
    states = list(State)
    lines = [
        "# The state machine of a set",
        "",
        "Generated from `controller/regulation/transitions.py` by `make docs`; a test fails when this page is stale.",
        "",
        "Each arrow names the inputs that can cause it. The regulator checks every change against the table.",
        "",
        *_diagram(),
        "",
        "A cell holds the response to an input and, after an arrow, the other states that it can lead to.",
        "",
        "| input | " + " | ".join(state.value for state in states) + " |",
        "|---|" + "---|" * len(states),
    ]
    for trigger in Trigger:
        cells = []
        for state in states:
            response, may_lead_to = TRANSITIONS[state, trigger]
            others = [after.value for after in states if after in may_lead_to and after is not state]
            cells.append(_plain(response) + (f" → {', '.join(others)}" if others else ""))
        lines.append(f"| {_plain(trigger)} | {' | '.join(cells)} |")
    lines += ["", "Inputs that end a set by themselves, and the reason given:", "", "| input | reason |", "|---|---|"]
    lines += [f"| {_plain(trigger)} | `{reason.value}` |" for trigger, reason in END_REASONS.items()]
    return "\n".join(lines) + "\n"
