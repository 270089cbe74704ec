"""Checks of loading, unloading, refusals and the lease. Text only."""

from __future__ import annotations

from typing import Final

from ebbset.conformance.check import Check

_T: Final = "clock_in_microseconds"

UNDER_LOAD: Final[tuple[Check, ...]] = (
    # loading
    Check(
        "load_reached",
        "The rig reports that it applies a commanded load, within 5 %.",
        "Every decision depends on it; in kilograms, for example, it would be wrong by a factor of ten.",
        "Send applied_n in newtons at the handle, per cable.",
        ("arming_loads_nothing",),
    ),
    Check(
        "applied_is_measured",
        "While the load ramps, applied_n shows values between start and target.",
        "If applied_n repeats the target, or the drive steps, it hides what the lifter feels.",
        "Report the load that the drive applies now, after its ramp.",
        ("load_reached", _T),
        frames_only=True,
    ),
    Check(
        "ramp_kept",
        "The load rises no faster than the commanded ramp, within 30 %.",
        "A load that jumps can jerk a joint or slack a cable.",
        "Limit the rate of change in the drive by ramp_n_per_s of each command.",
        ("applied_is_measured",),
        frames_only=True,
    ),
    Check(
        "force_positive",
        "Under load force reads positive.",
        "Tension is positive by the contract; a reversed sign turns a stall into its opposite.",
        "Reverse the sign of the force channel.",
        ("load_reached",),
        frames_only=True,
    ),
    Check(
        "force_in_newtons",
        "Under load force reads the load, within a third.",
        "Drops may be sized by force; kilograms or pounds would size them absurdly.",
        "Send force in newtons of cable tension at the handle.",
        ("force_positive",),
        frames_only=True,
    ),
    Check(
        "load_held",
        "A load that is held does not drift: over 14 s by less than 3 % or 5 N, whichever is larger.",
        "A set lasts minutes; a drive that grows warm must not change what the lifter holds.",
        "Close the loop on force or torque, or correct for temperature.",
        ("load_reached",),
    ),
    Check(
        "force_held",
        "Force does not drift away from a held load: by less than 5 % or 10 N, whichever is larger.",
        "Either the cell drifts, or the load changes while applied_n goes on saying what was commanded.",
        "Send the load that the drive measures as applied_n, and tare or replace a cell that drifts.",
        ("force_in_newtons",),
        frames_only=True,
    ),
    Check(
        "load_without_jumps",
        "A load that is held does not jump: no frame is off the second around it by 15 % or 15 N.",
        "A jump under the lifter is a rise that nobody commanded.",
        "Look for dropouts of the drive's command, of its current sensor or of the force cell.",
        ("load_reached", _T),
        frames_only=True,
    ),
    Check(
        "unload_keeps_ramp",
        "Unloading follows its ramp, too.",
        "A load that vanishes lets the lifter fall back.",
        "Ramp down by ramp_n_per_s; never cut the torque except by the rig's own safety functions.",
        ("applied_is_measured",),
        frames_only=True,
    ),
    Check(
        "unload_never_slows",
        "A later, slower unload does not slow an unloading.",
        "A released handle is unloaded as fast as the rig can; a repeated command must not keep the load on.",
        "While unloading keep the steeper of the ramps of all unload commands.",
        ("load_reached",),
    ),
    Check(
        "unload_by_any_nonce",
        "Unload is obeyed under a foreign nonce.",
        "It is the safe command: whoever sends it, the load comes off.",
        "Do not check nonce, sequence or state of unload commands.",
        ("load_reached",),
    ),
    Check(
        "unload_by_any_sequence",
        "Unload is obeyed under a sequence number used before.",
        "It is the safe command: nothing may stand in its way.",
        "Do not check nonce, sequence or state of unload commands.",
        ("load_reached",),
    ),
    # refusals
    Check(
        "refuses_foreign_nonce",
        "While bound, loads and arming under another nonce are refused.",
        "A second controller, or a command from an earlier set, must not load this lifter.",
        "Refuse with foreign_nonce every arm and load whose nonce is not the bound one.",
        ("load_reached",),
    ),
    Check(
        "refuses_repeated_sequence",
        "A load with a sequence number used before is refused.",
        "Networks repeat and reorder: an old, heavier load must not come back.",
        "Keep the highest sequence number per nonce; refuse those not above it with repeated_sequence.",
        ("load_reached",),
    ),
    Check(
        "refuses_stale_citation",
        "A load that cites telemetry older than the lease is refused.",
        "A command that was delayed on its way is based on a situation that has passed.",
        "Compare cites_t_us with your own clock; refuse with stale_citation.",
        (_T,),
    ),
    Check(
        "refuses_future_citation",
        "A load that cites a time in the future is refused.",
        "It cannot be based on anything that this rig sent.",
        "Compare cites_t_us with your own clock; refuse with future_citation.",
        (_T,),
    ),
    Check(
        "refuses_above_ceiling",
        "A load above the armed ceiling, and a ceiling above the rig's maximum, are refused.",
        "The ceiling is what a person agreed to.",
        "Refuse with above_ceiling; do not clip.",
        ("load_reached",),
    ),
    Check(
        "refuses_below_floor",
        "A load between zero and the armed floor is refused.",
        "Below the floor only zero is allowed; a drive that holds almost nothing lets its cable go slack.",
        "Refuse with below_floor.",
        ("load_reached",),
    ),
    Check(
        "refuses_steep_ramp",
        "A ramp steeper than the armed one is refused.",
        "The armed ramp is the prescription's promise to the lifter.",
        "Refuse with ramp_too_steep; do not clip.",
        ("load_reached",),
    ),
    Check(
        "refuses_long_lease",
        "A lease longer than the armed one is refused.",
        "The lease is how long a load may stay on after everything else has failed.",
        "Refuse with lease_too_long.",
        ("load_reached",),
    ),
    Check(
        "refuses_wrong_cables",
        "A load for another number of cables is refused.",
        "Otherwise a load could come on a cable that nobody meant to load.",
        "Refuse with wrong_cables.",
        ("load_reached",),
    ),
    Check(
        "release_ends_binding",
        "After release the rig is unloaded and bound to nothing.",
        "The next set must start unbound and unloaded.",
        "On release unload, forget the nonce and send null as nonce.",
        ("load_reached",),
    ),
    Check(
        "refuses_spent_nonce",
        "A nonce that was released is refused for good, by arm and by load.",
        "A recorded or delayed set must not come to life again.",
        "Remember spent nonces until the next boot; refuse with spent_nonce.",
        ("release_ends_binding",),
    ),
    # lease
    Check(
        "lease_expires",
        "Left alone under load, the rig unloads by itself.",
        "This protects the lifter when controller, broker or network fail.",
        "Start a timer of lease_ms at every accepted command of the bound nonce, the arming first; when it runs out, "
        "unload by yourself.",
        ("load_reached",),
    ),
    Check(
        "lease_expires_in_time",
        "The rig begins to unload within one lease, plus 150 ms.",
        "A longer lease keeps the lifter under load for longer than anybody agreed to.",
        "Take the shortest of the commanded, armed and own lease; check the timer at least every 20 ms.",
        ("lease_expires", _T),
    ),
    Check(
        "lease_expiry_reported",
        "The rig reports that the lease ran out.",
        "The controller then ends the set and says why.",
        "Send the event lease_expired.",
        ("lease_expires",),
    ),
    Check(
        "lease_expiry_ramp",
        "Once the lease has run out, the load is gone no later than by the armed ramp.",
        "Nobody commands the rig any more; a load that creeps down stays on a lifter who may be failing.",
        "At expiry unload at your own ramp, or at the armed max_ramp_n_per_s if that is steeper; never in a step.",
        ("lease_expires",),
    ),
    Check(
        "armed_kept_by_unloads",
        "Armed and unloaded, the rig stays bound for as long as unloads of its nonce come.",
        "A lifter gets ready after the arming; with a binding that lapses meanwhile no set can ever start.",
        "Start the lease anew at every accepted command of the bound nonce with a new seq, unload included.",
        ("load_reached",),
    ),
    Check(
        "armed_and_silent_lapses",
        "Armed and then left alone, the rig gives the binding up after one lease, before any load.",
        "A controller that died after arming must not keep the rig bound.",
        "Start the lease when arm is accepted, not at the first load; at its end spend the nonce.",
        ("lease_expires_in_time", "refuses_spent_nonce"),
    ),
    Check(
        "armed_and_killed_is_free",
        "When a controller is killed between arming and starting, another one can arm after the lease.",
        "Otherwise somebody has to find out why the rig refuses everybody, and to restart it.",
        "At the end of a lease forget the binding whole; wait for no release and no unload.",
        ("armed_and_silent_lapses",),
    ),
)
