"""The checks of the rig conformance kit: what each tests, why it matters and how to fix a rig that fails it.

Text only. `procedures` carries the checks out, and `kit` makes a report of the results. ``needs`` names the checks
that must pass first; otherwise this one is reported as not done.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final


@dataclass(frozen=True, slots=True)
class Check:
    """One named check. ``frames_only`` marks those that do not apply to a rig without sample frames."""

    name: str
    asks: str
    why: str
    fix: str
    needs: tuple[str, ...] = ()
    frames_only: bool = False


_T: Final = "clock_in_microseconds"
_A: Final = "acknowledges"

CATALOGUE: Final[tuple[Check, ...]] = (
    # announcement
    Check(
        "identity_retained",
        "A late subscriber still receives the rig's identity.",
        "A controller that restarts, or starts after the rig, would never find it.",
        "Publish rig/identity with retain set and QoS 1 after every connection.",
    ),
    Check(
        "identity_valid",
        "The announcement fits its schema.",
        "Limits that cannot be read cannot be kept.",
        "Validate your message against contract/rig_identity.schema.json.",
    ),
    Check(
        "messages_valid",
        "Every frame, summary, event and acknowledgement fits its schema.",
        "A message that does not fit is refused whole: its telemetry is lost, and a set under way ends.",
        "Validate the message that the detail names against its schema in contract/; mend a member that it does not "
        "name, since a controller ignores it.",
    ),
    Check(
        "will_says_offline",
        "When the connection breaks, the broker reports the rig offline.",
        "Otherwise the controller notices only the silence, and new subscribers still see a rig that is gone.",
        "Connect with a last will on rig/identity: the same message with online false, retained, QoS 1.",
        ("identity_retained",),
    ),
    # telemetry at rest
    Check(
        "sample_rate",
        "As many samples arrive as the rig announced, within 10 %.",
        "Detection times, filters and estimates are set by the announced rate.",
        "Announce the rate at which samples are sent, or send them all.",
        ("messages_valid",),
        frames_only=True,
    ),
    Check(
        "clock_in_microseconds",
        "The rig's clock advances by one second per second.",
        "Citations and leases are judged by this clock; in another unit every command looks stale or never does.",
        "Send t_us in microseconds since the rig booted.",
        ("messages_valid",),
    ),
    Check(
        "time_increases",
        "No sample is older than one sent before it.",
        "Telemetry that goes back in time is refused, and a set under way ends for lack of it.",
        "Stamp samples from a monotonic clock; do not set it while running.",
        ("messages_valid",),
        frames_only=True,
    ),
    Check(
        "sequence_without_gaps",
        "Sequence numbers of frames count up by one.",
        "A gap says that telemetry was lost; a counter that skips hides real loss.",
        "Count every frame once, when it is made.",
        ("messages_valid",),
        frames_only=True,
    ),
    Check(
        "sequence_without_repeats",
        "No frame repeats a sequence number.",
        "A repeated number looks like a replayed frame and is refused.",
        "Count up for every frame; never reset the counter without a new boot_id.",
        ("messages_valid",),
        frames_only=True,
    ),
    Check(
        "sampling_regular",
        "Samples are evenly spaced, within 25 % of their mean interval.",
        "Velocities and stall times are computed from these intervals.",
        "Sample from a timer, and stamp the moment of sampling, not of sending.",
        ("time_increases",),
        frames_only=True,
    ),
    Check(
        "force_in_every_frame",
        "A rig that announces force sends it for every cable in every frame.",
        "A frame without it is not usable: the set ends as if telemetry were lost.",
        "Send force_n in every frame, or announce has_force false.",
        ("messages_valid",),
        frames_only=True,
    ),
    Check(
        "rest_is_rest",
        "Untouched in the dock, the rig reports docked, unloaded, unbound and not moving.",
        "These are the conditions under which a load may come on.",
        "Check dock switch, zero of position and velocity, and that applied_n is the load applied, not friction.",
        ("messages_valid",),
    ),
    Check(
        "force_zero",
        "With no load, force reads less than 25 N either way.",
        "An offset makes a lifter look stronger or weaker than they are, and sizes drops wrongly.",
        "Tare the force cell with the handle docked and unloaded.",
        ("rest_is_rest",),
        frames_only=True,
    ),
    # acknowledgements and arming
    Check(
        "acknowledges",
        "Commands are acknowledged.",
        "Without it nobody knows whether a command was obeyed.",
        "Answer every command on rig/ack with its nonce and seq, accepted or not.",
    ),
    Check(
        "acknowledges_in_time",
        "19 of 20 acknowledgements come within 250 ms.",
        "An answer must arrive well before the lease runs out, or a refusal is noticed too late.",
        "Answer when the command is judged, not when the load has been reached.",
        (_A,),
    ),
    Check(
        "survives_nonsense",
        "Bytes that are not a command change nothing, and the rig keeps listening.",
        "Anybody on the network can send nonsense by mistake.",
        "Validate before acting; answer bad_message if a nonce and seq can be read, otherwise do not answer.",
        (_A,),
    ),
    Check(
        "arming_loads_nothing",
        "Arming binds the rig and applies no load.",
        "A load that comes with arming meets a lifter who has not asked for it yet.",
        "Keep the motors unloaded until a load command is accepted.",
        (_A,),
    ),
    Check(
        "binding_shown",
        "Frames carry the nonce that the rig is bound to.",
        "It shows the controller that the rig serves this set and no other.",
        "Put the bound nonce into every frame, and null when none is bound.",
        ("arming_loads_nothing", "messages_valid"),
        frames_only=True,
    ),
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
    # dock and signs, with a hand on the empty handle
    Check(
        "dock_is_true",
        "docked is false with the handle pulled out, true with it back.",
        "Loads may only rise at the dock; a stuck switch lets them rise in somebody's hands.",
        "Repair the dock sensor; it must need both the handle in the dock and the cable wound in.",
        ("rest_is_rest",),
    ),
    Check(
        "dock_reported",
        "Leaving the dock and coming back are reported as events.",
        "A rig without frames has no other way to report it between commands.",
        "Send the events undocked and docked on every change.",
        ("dock_is_true",),
    ),
    Check(
        "position_grows_outward",
        "Position grows as the cable is pulled out.",
        "It identifies the concentric.",
        "Reverse the sign of position; zero is the docked handle.",
        ("rest_is_rest",),
        frames_only=True,
    ),
    Check(
        "position_in_metres",
        "With the handle pulled out as far as asked, position reads about that many metres.",
        "ROM and work are computed from it.",
        "Send metres of cable paid out at the handle; mind pulley ratios.",
        ("rest_is_rest",),
        frames_only=True,
    ),
    Check(
        "velocity_positive_outward",
        "Velocity is positive while the cable is pulled out.",
        "A stall is a lack of velocity; a reversed sign drops the load in the wrong phase.",
        "Reverse the sign of velocity.",
        ("rest_is_rest", _T, "time_increases"),
        frames_only=True,
    ),
    Check(
        "velocity_fits_position",
        "Velocity summed over time gives the distance covered, within a quarter.",
        "With a velocity in another unit, or filtered too much, every stall is detected at the wrong time.",
        "Send metres per second at the handle, with less than 50 ms of filter delay.",
        ("position_in_metres", _T, "time_increases"),
        frames_only=True,
    ),
    Check(
        "refuses_rise_undocked",
        "With the handle out of the dock a load is refused.",
        "A load must never rise in somebody's hands.",
        "Refuse with rise_while_undocked every target above the present one while the handle is out.",
        ("dock_is_true", _T, "arming_loads_nothing"),
    ),
    Check(
        "taken_early_unloads",
        "If the handle leaves the dock while a load is coming on, the load rises no further and the rig unloads.",
        "A load must never rise in somebody's hands, and the load applied so far may be below the floor.",
        "When the handle leaves the dock before the load is fully on, unload, spend the nonce and report fault.",
        ("dock_is_true", "load_reached"),
    ),
    # emergency stop
    Check(
        "stop_unloads",
        "The rig's emergency stop takes the load off, at once.",
        "It is the lifter's last resort.",
        "Wire the stop to the drive's own safety function; see safety.md on controlled take-down.",
        ("load_reached",),
    ),
    Check(
        "stop_reported",
        "The stop is reported.",
        "The controller ends the set when it hears of the stop; otherwise it would go on as if nothing had happened.",
        "Send the event emergency_stop.",
        ("load_reached",),
    ),
    Check(
        "stop_latched",
        "Until the stop is reset, arming and loads are refused.",
        "A stop that releases itself does not stop anything.",
        "Latch the stop; refuse with stopped until a person resets it at the rig.",
        ("load_reached",),
    ),
    Check(
        "reset_loads_nothing",
        "Resetting the stop loads nothing.",
        "A reset is not a command to start (ISO 13850).",
        "After a reset stay unloaded and unbound until a new arming.",
        ("load_reached",),
    ),
    # reboot
    Check(
        "reboot_unloads",
        "After power comes back the rig is unloaded and stays so.",
        "Nothing may start by itself when power returns (ISO 14118).",
        "Start unbound and unloaded.",
        ("load_reached",),
    ),
    Check(
        "boot_id_changes",
        "Every boot has a boot_id of its own.",
        "It tells the controller that clock and counters have started again, so that it ends the set.",
        "Draw boot_id at random at every boot.",
        ("load_reached",),
    ),
    Check(
        "reboot_forgets_binding",
        "A load under the nonce from before the reboot is refused.",
        "A set must not survive a restart of the rig.",
        "Do not keep a binding across a reboot.",
        ("refuses_foreign_nonce",),
    ),
)

BY_NAME: Final[dict[str, Check]] = {check.name: check for check in CATALOGUE}
