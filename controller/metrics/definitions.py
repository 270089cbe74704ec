"""Every metric: its name, kind, labels, and what it means and tells. Written once; the page of metrics is made from it.

Names and kinds follow the conventions of Prometheus: base units, counters end in ``_total``. Never here: counting.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from typing import Final

LATENCY_BUCKETS_S: Final = (0.000_25, 0.000_5, 0.001, 0.002, 0.005, 0.01, 0.02, 0.05, 0.1, 0.2, 0.5)
"""Up to the longest that telemetry may be silent by default (0.25 s), and one above."""
MARGIN_BUCKETS: Final = (0.0, 0.1, 0.2, 0.3, 0.4, 0.5, 0.6, 0.7, 0.8, 0.9)
"""A lease is renewed with three quarters left; with nothing left the rig has unloaded."""


class MetricKind(StrEnum):
    """Kinds of metric."""

    COUNTER = "counter"
    GAUGE = "gauge"
    HISTOGRAM = "histogram"


@dataclass(frozen=True, slots=True)
class Metric:
    """One metric.

    Attributes:
        name: as it is read.
        kind: counter, gauge or histogram.
        labels: names of its labels, in order.
        meaning: one sentence.
        tells: what to conclude from it.
        buckets: upper bounds of a histogram's buckets, without the last one, which has no bound.
    """

    name: str
    kind: MetricKind
    labels: tuple[str, ...]
    meaning: str
    tells: str
    buckets: tuple[float, ...] = ()


_RIG: Final = ("rig",)
SAMPLE_TO_COMMAND: Final = Metric(
    "ebbset_sample_to_command_seconds",
    MetricKind.HISTOGRAM,
    _RIG,
    "Time from the arrival of a frame to the hand-over of the load command that it led to.",
    "Rises when the machine is busy; near 0.1 s frames are thrown away as too late.",
    LATENCY_BUCKETS_S,
)
LEASE_MARGIN: Final = Metric(
    "ebbset_lease_margin_ratio",
    MetricKind.HISTOGRAM,
    _RIG,
    "Part of the lease that was left when it was renewed; 0 or less means that it had run out.",
    "Renewals below 0.5 are late: look for a busy machine, or for telemetry with gaps.",
    MARGIN_BUCKETS,
)
LINK_UP: Final = Metric(
    "ebbset_link_up", MetricKind.GAUGE, _RIG, "1 while the broker is connected.", "0: no set can be armed on this rig."
)
LINK_LOSSES: Final = Metric(
    "ebbset_link_losses_total",
    MetricKind.COUNTER,
    _RIG,
    "Connections to the broker that were lost.",
    "Each loss ends a set under way.",
)
RIG_ONLINE: Final = Metric(
    "ebbset_rig_online",
    MetricKind.GAUGE,
    _RIG,
    "1 while the rig has announced itself and nobody said that it is gone.",
    "0 with the link up: the rig is off, or its network is.",
)
RIG_LOSSES: Final = Metric(
    "ebbset_rig_losses_total",
    MetricKind.COUNTER,
    _RIG,
    "Times that the rig, or the broker in its name, said that it is offline.",
    "A rig that comes and goes has a bad network or a bad supply.",
)
RIG_BOOTS: Final = Metric(
    "ebbset_rig_boots_total",
    MetricKind.COUNTER,
    _RIG,
    "Boots of the rig that were seen.",
    "More than expected: its supply fails, or two rigs have one name.",
)
SET_ARMED: Final = Metric(
    "ebbset_set_armed", MetricKind.GAUGE, _RIG, "1 while a set is armed or under way.", "Leave such a rig alone."
)
SETS_ARMED: Final = Metric(
    "ebbset_sets_armed_total",
    MetricKind.COUNTER,
    _RIG,
    "Sets that were armed.",
    "All of them end: compare with the ended.",
)
SETS_ENDED: Final = Metric(
    "ebbset_sets_ended_total",
    MetricKind.COUNTER,
    ("rig", "reason"),
    "Sets that ended, by the reason of their end.",
    "Reasons about rig, link or telemetry, rather than the lifter, are faults.",
)
DROPS: Final = Metric(
    "ebbset_drops_total", MetricKind.COUNTER, _RIG, "Drops of the load.", "None in many sets is unusual."
)
REPETITIONS: Final = Metric(
    "ebbset_repetitions_total", MetricKind.COUNTER, _RIG, "Repetitions, per cable.", "How much a rig is used."
)
GUARD_REFUSALS: Final = Metric(
    "ebbset_guard_refusals_total",
    MetricKind.COUNTER,
    _RIG,
    "Commands that the guard withheld in sets that have ended.",
    "Any is a defect of ebbset: keep the recording and report it.",
)
COMMANDS_REFUSED: Final = Metric(
    "ebbset_commands_refused_total",
    MetricKind.COUNTER,
    ("rig", "refusal"),
    "Commands that the rig refused, by its reason; one that is not in the contract counts as other.",
    "Repeated or stale commands: the network repeats, delays or reorders messages.",
)
RIG_EVENTS: Final = Metric(
    "ebbset_rig_events_total",
    MetricKind.COUNTER,
    ("rig", "kind"),
    "Events that the rig reported, by kind.",
    "Emergency stops, expired leases, faults.",
)
INPUTS_REFUSED: Final = Metric(
    "ebbset_inputs_refused_total",
    MetricKind.COUNTER,
    ("rig", "code"),
    "Messages that could not be used, by what is wrong with them.",
    "A rig or a program that does not keep the contract; ebbset check-rig says where.",
)
REQUESTS_REFUSED: Final = Metric(
    "ebbset_requests_refused_total",
    MetricKind.COUNTER,
    ("rig", "code"),
    "Requests of people that the core refused, by the code of the answer.",
    "People try what the state of the rig does not allow.",
)
DROPPED: Final = Metric(
    "ebbset_dropped_total",
    MetricKind.COUNTER,
    ("rig", "queue"),
    "Messages dropped, by the queue or limit that dropped them.",
    "telemetry_full, telemetry_limit: the rig floods. telemetry_late: the machine is too slow. command_*: the link.",
)
RECORDER_WAITING: Final = Metric(
    "ebbset_recorder_waiting",
    MetricKind.GAUGE,
    _RIG,
    "Inputs that are handled and not yet on the disk.",
    "Grows when the disk is slow; at 20,000 inputs are lost from the recording.",
)
RECORDER_LAG: Final = Metric(
    "ebbset_recorder_lag_seconds",
    MetricKind.GAUGE,
    _RIG,
    "Time since everything handled was last on the disk; 0 while it is.",
    "Up to 0.5 s would be lost in a crash; more means a slow disk.",
)
RECORDER_LOST: Final = Metric(
    "ebbset_recorder_lost_total",
    MetricKind.COUNTER,
    _RIG,
    "Inputs that are missing from recordings.",
    "Any: the disk failed or was too slow; no set can be armed while the recording fails.",
)
RECORDING_FAILED: Final = Metric(
    "ebbset_recording_failed",
    MetricKind.GAUGE,
    _RIG,
    "1 while the open recording has failed.",
    "The next arming is refused.",
)
FREE_DISK: Final = Metric(
    "ebbset_free_disk_bytes",
    MetricKind.GAUGE,
    _RIG,
    "Space that is free for the rig's recordings.",
    "Below 32 MiB no set can be armed.",
)
BROKE_OFF: Final = Metric(
    "ebbset_runs_broken_off_total",
    MetricKind.COUNTER,
    _RIG,
    "Starts of the service that found a recording without an end.",
    "The program died during a set; the rig unloaded by its lease.",
)
RIG_RESTARTS: Final = Metric(
    "ebbset_rig_restarts_total",
    MetricKind.COUNTER,
    _RIG,
    "Times that the service of this rig died and was begun again, un-armed, while its worker went on.",
    "Any is a defect of ebbset or of an installed policy: see the log.",
)
RIGS: Final = Metric("ebbset_rigs", MetricKind.GAUGE, (), "Rigs in the settings.", "What was asked for.")
RIGS_SERVED: Final = Metric(
    "ebbset_rigs_served", MetricKind.GAUGE, (), "Rigs that a live worker serves.", "Fewer than asked for: see the log."
)
WORKER_UP: Final = Metric(
    "ebbset_worker_up",
    MetricKind.GAUGE,
    ("worker",),
    "1 while the worker process reports.",
    "0: its rigs have unloaded by their leases, and it is being started again.",
)
WORKER_RESTARTS: Final = Metric(
    "ebbset_worker_restarts_total",
    MetricKind.COUNTER,
    ("worker", "cause"),
    "Worker processes begun again, un-armed, by cause: died or hung.",
    "Any: see the log. Sets that it served ended by lease.",
)
LOOP_LAG: Final = Metric(
    "ebbset_worker_loop_lag_seconds",
    MetricKind.GAUGE,
    ("worker",),
    "How late a worker last was in its own timing, at most, since the figures before.",
    "Tens of milliseconds: too many rigs for this machine.",
)
SETTINGS_REFUSED: Final = Metric(
    "ebbset_settings_refused_total",
    MetricKind.COUNTER,
    (),
    "Changes of the settings file that could not be used; the settings before stay in force.",
    "The log names the field.",
)

METRICS: Final = (
    *(SAMPLE_TO_COMMAND, LEASE_MARGIN, LINK_UP, LINK_LOSSES, RIG_ONLINE, RIG_LOSSES, RIG_BOOTS),
    *(SET_ARMED, SETS_ARMED, SETS_ENDED, DROPS, REPETITIONS, GUARD_REFUSALS, COMMANDS_REFUSED, RIG_EVENTS),
    *(INPUTS_REFUSED, REQUESTS_REFUSED, DROPPED, RECORDER_WAITING, RECORDER_LAG, RECORDER_LOST, RECORDING_FAILED),
    *(FREE_DISK, BROKE_OFF, RIG_RESTARTS, RIGS, RIGS_SERVED, WORKER_UP, WORKER_RESTARTS, LOOP_LAG, SETTINGS_REFUSED),
)
"""In the order in which they are shown."""


def as_markdown() -> str:
    """The page ``docs/metrics.md``, which `make docs` writes."""
    lines = [
        "# Metrics",
        "",
        "Made by `make docs` from `controller/metrics/definitions.py`. [site.md](site.md) says how to have them;",
        "`examples/prometheus` has alert rules and a dashboard. A rig's counters begin at zero with its worker.",
        "",
        "| metric | kind | labels | meaning | what it tells |",
        "|---|---|---|---|---|",
    ]
    for metric in METRICS:
        cells = (f"`{metric.name}`", metric.kind.value, ", ".join(metric.labels) or "–", metric.meaning, metric.tells)
        lines.append("| " + " | ".join(cells) + " |")
    lines += ["", "## Buckets", ""]
    for metric in METRICS:
        if metric.buckets:
            lines.append(f"- `{metric.name}`: {', '.join(f'{bound:g}' for bound in metric.buckets)}")
    return "\n".join(lines) + "\n"
