"""Checks of the dock, the signs, the stop and a restart, for which somebody acts at the rig. Text only."""

from __future__ import annotations

from typing import Final

from ebbset.conformance.check import Check

_T: Final = "clock_in_microseconds"

BY_HAND: Final[tuple[Check, ...]] = (
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
