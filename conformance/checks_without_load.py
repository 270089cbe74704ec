"""Checks of what a rig says at rest, how it answers and what arming does, before any load. Text only."""

from __future__ import annotations

from typing import Final

from ebbset.conformance.check import Check

_A: Final = "acknowledges"

WITHOUT_LOAD: Final[tuple[Check, ...]] = (
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
)
