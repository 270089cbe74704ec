"""Counting what happens to one rig: an observer beside the core, and a reading of the queues around it.

An observer is called after the commands are out, adds to plain numbers and nothing else; a reading is made when
somebody wants one. Labels come from closed lists, so that no rig can make them grow. Never here: how figures are shown.
"""

from __future__ import annotations

from bisect import bisect_left
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any, Final, Protocol

from ebbset.controller.messages.actions import Answer, Decision, Output, RepetitionRecord, SendArm, SendLoad, SetResult
from ebbset.controller.messages.events import (
    Acknowledged,
    BadInput,
    Event,
    LinkDown,
    LinkUp,
    RigAnnounced,
    RigLost,
    RigReported,
    Samples,
)
from ebbset.controller.messages.reasons import Action, State
from ebbset.controller.metrics import definitions as d
from ebbset.controller.recording.writer import Recorder
from ebbset.models.contract.rig_messages import Refusal

_PLAIN_COUNTERS: Final = tuple(
    m for m in d.METRICS if m.kind is d.MetricKind.COUNTER and m.labels == ("rig",) and m is not d.RECORDER_LOST
)
"""Counted here and without further labels, so that they are told from zero on."""
_UNARMED: Final = frozenset({State.OFFLINE, State.IDLE, State.ENDED})
_REFUSALS: Final = frozenset(Refusal)
OTHER: Final = "other"
Labels = tuple[str, ...]
"""Values of a metric's labels after the first, which is the rig."""


@dataclass(slots=True)
class HistogramCounts:
    """Counts by bucket, not cumulated, the last one without a bound; and the sum of the values."""

    buckets: tuple[float, ...]
    counts: list[int] = field(init=False)
    total: float = 0.0

    def __post_init__(self) -> None:
        self.counts = [0] * (len(self.buckets) + 1)

    def add(self, value: float) -> None:
        """Count one value."""
        self.counts[bisect_left(self.buckets, value)] += 1
        self.total += value


class WatchedService(Protocol):
    """What is read of a rig's service (`ebbset.controller.service.serve.Served`)."""

    command_sent_us: int
    broke_off: bool

    @property
    def state(self) -> State:
        """State of the set."""

    @property
    def recorder(self) -> Recorder:
        """The open recording."""

    @property
    def dropped(self) -> Counter[str]:
        """Messages dropped so far, by queue."""


class RigMetrics:
    """The figures of one rig; `observe` is the observer of its service.

    Attributes:
        free_bytes: free for its recordings; None while unknown.
    """

    def __init__(self) -> None:
        self._counts: Counter[tuple[str, Labels]] = Counter()
        self._delay = HistogramCounts(d.SAMPLE_TO_COMMAND.buckets)
        self._margin = HistogramCounts(d.LEASE_MARGIN.buckets)
        self._watched: WatchedService | None = None
        self._leased: tuple[str, int] | None = None
        self._boot_id = ""
        self._online = self._up = False
        self._recorder: Recorder | None = None
        self._lost_before = 0
        self.free_bytes: int | None = None
        self._seen: dict[type, Callable[[Any], None]] = {
            LinkUp: self._link_up,
            LinkDown: self._link_down,
            RigAnnounced: self._announced,
            RigLost: self._rig_lost,
            RigReported: self._reported,
            Acknowledged: self._acknowledged,
            BadInput: self._bad_input,
        }
        self._noted: dict[type, Callable[[Event, Any], None]] = {
            SendArm: self._arm_sent,
            SendLoad: self._load_sent,
            SetResult: self._ended,
            Decision: self._decided,
            RepetitionRecord: self._repetition,
            Answer: self._answered,
        }

    def watch(self, service: WatchedService) -> None:
        """Read the queues of this service from now on; a second one counts as begun again."""
        self._counts[d.RIG_RESTARTS.name, ()] += self._watched is not None
        self._watched = service
        self._counts[d.BROKE_OFF.name, ()] += service.broke_off

    # --- beside the core ------------------------------------------------------------------------------------------

    def observe(self, event: Event, outputs: tuple[Output, ...]) -> None:
        """Take note of one handled input.

        Args:
            event: the input.
            outputs: what it led to.
        """
        see = self._seen.get(type(event))
        if see is not None:
            see(event)
        for output in outputs:
            note = self._noted.get(type(output))
            if note is not None:
                note(event, output)

    def _add(self, metric: d.Metric, *labels: str) -> None:
        self._counts[metric.name, labels] += 1

    def _link_up(self, _event: LinkUp) -> None:
        self._up = True

    def _link_down(self, _event: LinkDown) -> None:
        self._up = self._online = False
        self._add(d.LINK_LOSSES)

    def _announced(self, event: RigAnnounced) -> None:
        self._online = True
        if event.boot_id != self._boot_id:
            self._boot_id = event.boot_id
            self._add(d.RIG_BOOTS)

    def _rig_lost(self, _event: RigLost) -> None:
        self._online = False
        self._add(d.RIG_LOSSES)

    def _reported(self, event: RigReported) -> None:
        self._add(d.RIG_EVENTS, event.kind.value)

    def _acknowledged(self, event: Acknowledged) -> None:
        if not event.accepted:
            self._add(d.COMMANDS_REFUSED, str(event.refusal) if event.refusal in _REFUSALS else OTHER)

    def _bad_input(self, event: BadInput) -> None:
        self._add(d.INPUTS_REFUSED, str(event.code))

    def _arm_sent(self, _event: Event, _output: SendArm) -> None:
        self._add(d.SETS_ARMED)
        self._leased = None

    def _load_sent(self, event: Event, output: SendLoad) -> None:
        sent_us = event.now_us if self._watched is None else self._watched.command_sent_us
        if isinstance(event, Samples):
            self._delay.add((sent_us - event.now_us) / 1e6)
        if self._leased is not None and self._leased[0] == output.nonce:
            self._margin.add(1.0 - (sent_us - self._leased[1]) / (output.lease_ms * 1_000))
        self._leased = output.nonce, sent_us

    def _ended(self, _event: Event, output: SetResult) -> None:
        self._add(d.SETS_ENDED, output.reason.value)
        self._counts[d.GUARD_REFUSALS.name, ()] += output.guard_refusals

    def _decided(self, _event: Event, output: Decision) -> None:
        if output.action == Action.DROP:
            self._add(d.DROPS)

    def _repetition(self, _event: Event, _output: RepetitionRecord) -> None:
        self._add(d.REPETITIONS)

    def _answered(self, _event: Event, output: Answer) -> None:
        if not output.accepted:
            self._add(d.REQUESTS_REFUSED, str(output.code))

    # --- when somebody asks ---------------------------------------------------------------------------------------

    def reading(self) -> dict[str, Any]:
        """All figures of this rig now, as JSON can hold them.

        Returns:
            ``values``: a list of metric name, label values after the rig, and number; ``histograms``: metric name to
            counts by bucket and the sum.
        """
        values: list[tuple[str, Labels, float]] = [
            (d.LINK_UP.name, (), int(self._up)),
            (d.RIG_ONLINE.name, (), int(self._online)),
        ]
        watched = self._watched
        if watched is not None:
            values.append((d.SET_ARMED.name, (), int(watched.state not in _UNARMED)))
            values += [(d.DROPPED.name, (queue,), count) for queue, count in watched.dropped.items()]
            values += self._of_recorder(watched.recorder)
        if self.free_bytes is not None:
            values.append((d.FREE_DISK.name, (), self.free_bytes))
        for metric in _PLAIN_COUNTERS:
            self._counts.setdefault((metric.name, ()), 0)
        values += [(name, labels, count) for (name, labels), count in self._counts.items()]
        histograms = {
            metric.name: (counts.counts, counts.total)
            for metric, counts in ((d.SAMPLE_TO_COMMAND, self._delay), (d.LEASE_MARGIN, self._margin))
        }
        return {"values": values, "histograms": histograms}

    def _of_recorder(self, recorder: Recorder) -> list[tuple[str, Labels, float]]:
        if self._recorder is not recorder:
            if self._recorder is not None:
                self._lost_before += self._recorder.lost
            self._recorder = recorder
        return [
            (d.RECORDER_WAITING.name, (), recorder.waiting),
            (d.RECORDER_LAG.name, (), recorder.lag_s),
            (d.RECORDER_LOST.name, (), self._lost_before + recorder.lost),
            (d.RECORDING_FAILED.name, (), int(recorder.failure is not None)),
        ]
