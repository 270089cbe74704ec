"""Reason codes: why something was decided. Codes are part of the wire contract; the sentences are for people."""

from __future__ import annotations

from enum import StrEnum
from typing import Final


class State(StrEnum):
    """State of a set."""

    OFFLINE = "offline"
    IDLE = "idle"
    ARMED = "armed"
    WORKING = "working"
    RESTING = "resting"
    ENDING = "ending"
    ENDED = "ended"


class Action(StrEnum):
    """What a decision does."""

    ARM = "arm"
    LOAD = "load"
    DROP = "drop"
    HOLD = "hold"
    REST = "rest"
    END = "end"


class Reason(StrEnum):
    """Why a decision was taken."""

    ARMED = "armed"
    STARTED = "started"
    BOUT_BEGUN = "bout_begun"
    BOUT_DONE = "bout_done"
    SET_DONE = "set_done"
    STALL_IN_CONCENTRIC = "stall_in_concentric"
    STALL_FORESEEN = "stall_foreseen"
    REVERSAL = "reversal"
    FAILED_START = "failed_start"
    REPORTED_FAILURE = "reported_failure"
    STOP_REQUESTED = "stop_requested"
    RELEASE_REQUESTED = "release_requested"
    EMERGENCY_STOP = "emergency_stop"
    BUDGET_SPENT = "budget_spent"
    FLOOR_FAILED = "floor_failed"
    DROPS_SPENT = "drops_spent"
    REPETITIONS_DONE = "repetitions_done"
    DURATION_SPENT = "duration_spent"
    PAUSE_TOO_LONG = "pause_too_long"
    ROM_SHRINKING = "rom_shrinking"
    VELOCITY_LOSS = "velocity_loss"
    LEFT_RIGHT_DIFFERENCE = "left_right_difference"
    HANDLE_RELEASED = "handle_released"
    TAKEN_EARLY = "taken_early"
    TELEMETRY_LOST = "telemetry_lost"
    TELEMETRY_FROZEN = "telemetry_frozen"
    SENSORS_DISAGREE = "sensors_disagree"
    RIG_DISAGREES = "rig_disagrees"
    RIG_REBOOTED = "rig_rebooted"
    RIG_LOST = "rig_lost"
    RIG_FAULT = "rig_fault"
    RIG_REFUSED = "rig_refused"
    NOT_ACKNOWLEDGED = "not_acknowledged"
    LEASE_EXPIRED = "lease_expired"
    LINK_LOST = "link_lost"
    GUARD_REFUSED = "guard_refused"
    POLICY_FAILED = "policy_failed"
    DEFECT = "defect"


SENTENCES: Final[dict[Reason, str]] = {
    Reason.ARMED: "A person armed the set; the cautions were shown.",
    Reason.STARTED: "A person started the set with the handle docked.",
    Reason.BOUT_BEGUN: "The programmed rest is over and the handle is docked; the programmed load comes back.",
    Reason.BOUT_DONE: "The bout's repetitions are done, or it ended at its stall; a programmed rest follows.",
    Reason.SET_DONE: "The last bout is done.",
    Reason.STALL_IN_CONCENTRIC: "The handle stopped on the way up with the lifter still under the load.",
    Reason.STALL_FORESEEN: "The repetition was slowing toward a stop that it would not have come through.",
    Reason.REVERSAL: "The handle turned back before the end of the ascent.",
    Reason.FAILED_START: "The lifter held the load at the bottom and did not get it moving.",
    Reason.REPORTED_FAILURE: "The rig reported a repetition that was not completed.",
    Reason.STOP_REQUESTED: "A person asked to stop.",
    Reason.RELEASE_REQUESTED: "A person released the rig.",
    Reason.EMERGENCY_STOP: "The rig's emergency stop was pressed.",
    Reason.BUDGET_SPENT: "A budget is spent: capacity lost, hard repetitions done, or too little worth in one more.",
    Reason.FLOOR_FAILED: "The lifter stalled at the floor load.",
    Reason.DROPS_SPENT: "The lifter stalled with no prescribed drop left.",
    Reason.REPETITIONS_DONE: "The prescribed number of repetitions is done.",
    Reason.DURATION_SPENT: "The prescribed duration is over.",
    Reason.PAUSE_TOO_LONG: "No repetition was under way for longer than the prescription allows.",
    Reason.ROM_SHRINKING: "Repetitions became shorter than the prescribed part of the range of motion.",
    Reason.VELOCITY_LOSS: "Mean velocity fell by the prescribed part from the fastest repetition at this load.",
    Reason.LEFT_RIGHT_DIFFERENCE: "The two sides differed by more than the prescription allows.",
    Reason.HANDLE_RELEASED: "The handle was let go.",
    Reason.TAKEN_EARLY: "The handle left the dock while the load was still coming on.",
    Reason.TELEMETRY_LOST: "No usable telemetry arrived in time.",
    Reason.TELEMETRY_FROZEN: "Telemetry kept arriving but stood still while the rig said that it moved.",
    Reason.SENSORS_DISAGREE: "Position, velocity and force do not fit together.",
    Reason.RIG_DISAGREES: "The rig does not apply the load, or serve the set, that it was told to.",
    Reason.RIG_REBOOTED: "The rig restarted during the set.",
    Reason.RIG_LOST: "The rig went offline.",
    Reason.RIG_FAULT: "The rig reported a fault, over-travel or over-speed.",
    Reason.RIG_REFUSED: "The rig refused a command.",
    Reason.NOT_ACKNOWLEDGED: "The rig did not answer the arming in time.",
    Reason.LEASE_EXPIRED: "The rig unloaded by itself because its lease ran out.",
    Reason.LINK_LOST: "The link to the broker was lost.",
    Reason.GUARD_REFUSED: "The guard refused a command of the controller: a defect, reported as such.",
    Reason.POLICY_FAILED: "The drop policy failed or proposed something that is not a load.",
    Reason.DEFECT: "The controller reached a state that its own table forbids: a defect, reported as such.",
}


class Limit(StrEnum):
    """What narrowed a proposal after the policy made it."""

    FLOOR = "floor"
    NO_RISE = "no_rise"
    LEAST_STEP = "least_step"
    RIG_MINIMUM = "rig_minimum"


class AnswerCode(StrEnum):
    """What an answer to a request says, for scripts. A request that fits no schema is answered with what is wrong."""

    ARMED = "armed"
    STARTED = "started"
    STOPPED = "stopped"
    ALREADY_STOPPED = "already_stopped"
    NOT_WHILE_OFFLINE = "not_while_offline"
    NOT_WHILE_IDLE = "not_while_idle"
    NOT_WHILE_ARMED = "not_while_armed"
    NOT_WHILE_WORKING = "not_while_working"
    NOT_WHILE_RESTING = "not_while_resting"
    NOT_WHILE_ENDING = "not_while_ending"
    NOT_WHILE_ENDED = "not_while_ended"
    RIG_OFFLINE = "rig_offline"
    CAUTIONS_NOT_SHOWN = "cautions_not_shown"
    NO_PRESCRIPTION = "no_prescription"
    NONCE_NOT_FRESH = "nonce_not_fresh"
    ABOVE_RIG_MAXIMUM = "above_rig_maximum"
    BELOW_RIG_MINIMUM = "below_rig_minimum"
    PROFILE_OF_ANOTHER_EXERCISE = "profile_of_another_exercise"
    UNKNOWN_POLICY = "unknown_policy"
    BAD_POLICY_PARAMETERS = "bad_policy_parameters"
    POLICY_FAILED = "policy_failed"
    NO_TELEMETRY = "no_telemetry"
    HANDLE_NOT_DOCKED = "handle_not_docked"
    RIG_NOT_HEARD = "rig_not_heard"
    ANOTHER_ARMING = "another_arming"
    RIG_REFUSED = "rig_refused"
    NOT_ACKNOWLEDGED = "not_acknowledged"
    NOT_ARMED = "not_armed"
    GUARD_REFUSED = "guard_refused"
    UNKNOWN_TICKET = "unknown_ticket"
    REQUEST_TOO_OLD = "request_too_old"
    REPEATED_REQUEST = "repeated_request"
    OVERTAKEN_BY_STOP = "overtaken_by_stop"
    CONTROLLER_STOPPING = "controller_stopping"
    RECORDING_FAILED = "recording_failed"
