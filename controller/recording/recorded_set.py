"""A recorded set as the report needs it: traces, load steps, repetitions, decisions, on one time axis.

Time zero is when the first load was commanded. The axis is the rig's clock where the rig sends frames, because
positions and repetitions are timed by it. This module arranges the record and judges nothing: every figure and reason
comes from the outputs of the core.
"""

from __future__ import annotations

import datetime
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

from ebbset.controller.messages.actions import (
    Decision,
    Output,
    RepetitionRecord,
    SendArm,
    SendLoad,
    SendUnload,
    SetResult,
    StateChanged,
)
from ebbset.controller.messages.endings import BUDGETS, spent_budget
from ebbset.controller.messages.events import Acknowledged, Event, RepetitionSeen, Requested, RigAnnounced, Samples
from ebbset.controller.messages.reasons import Reason
from ebbset.controller.recording.attempts import Attempts, attempts_of
from ebbset.controller.recording.clocks import ClockPairs, SetClocks, wall_clock
from ebbset.models.contract.operator_messages import RequestAction
from ebbset.models.contract.prescription import Prescription
from ebbset.models.contract.profile import LifterProfile
from ebbset.models.contract.study_mark import mark_of

FloatArray = npt.NDArray[np.float64]

STALLS = frozenset(
    {
        Reason.STALL_IN_CONCENTRIC,
        Reason.STALL_FORESEEN,
        Reason.REVERSAL,
        Reason.FAILED_START,
        Reason.REPORTED_FAILURE,
    }
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Trace:
    """What the rig measured; rows are samples, columns are cables; NaN for what the rig does not measure."""

    t_s: FloatArray
    position_m: FloatArray
    velocity_m_s: FloatArray
    force_n: FloatArray
    applied_n: FloatArray

    @property
    def cables(self) -> int:
        """One or two."""
        return int(self.position_m.shape[1])


@dataclass(frozen=True, slots=True, kw_only=True)
class LoadStep:
    """A commanded load, newtons per cable, and the time from which it applied."""

    t_s: float
    target_n: tuple[float, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Moment:
    """A decision and its time on the report's axis."""

    t_s: float
    decision: Decision

    @property
    def is_stall(self) -> bool:
        """The decision answers a stall."""
        return self.decision.reason in STALLS


@dataclass(frozen=True, slots=True, kw_only=True)
class RecordedSet:
    """One armed set. ``outputs`` holds every output of the core during it, in order, with the core's time in µs."""

    source: str
    rig: str
    nonce: str
    prescription: Prescription
    profile: LifterProfile | None
    begun_at: datetime.datetime | None
    trace: Trace
    steps: tuple[LoadStep, ...]
    repetitions: tuple[RepetitionRecord, ...]
    repetition_spans_s: tuple[tuple[float, float], ...]
    moments: tuple[Moment, ...]
    result: SetResult | None
    states: tuple[tuple[float, StateChanged], ...]
    outputs: tuple[tuple[int, Output], ...]
    simulated: bool
    clocks: SetClocks

    @property
    def lifter(self) -> str | None:
        """Pseudonym in the profile that the set was armed with; None without a profile."""
        return None if self.profile is None else self.profile.lifter

    @property
    def people(self) -> frozenset[str]:
        """Everybody whose set this says it is: by its profile, and by the mark of a study's session."""
        mark = mark_of(self.prescription.notes)
        named = (self.lifter, None if mark is None else mark.participant)
        return frozenset(name for name in named if name is not None)

    @property
    def person(self) -> str | None:
        """Whose set it is: the participant of its study, else the lifter of its profile; None where neither says."""
        mark = mark_of(self.prescription.notes)
        return self.lifter if mark is None else mark.participant

    @property
    def spent_budget(self) -> str | None:
        """Field of the prescription's budget that ended the set; None when none did."""
        ends = [moment.decision for moment in self.moments if moment.decision.action == "end"]
        return spent_budget(ends[-1].reason, (name for name, _ in ends[-1].thresholds)) if ends else None

    @property
    def ended_because(self) -> str | None:
        """Why the set ended, in words; None when the recording ends before the set."""
        if self.result is None:
            return None
        budget = self.spent_budget
        return self.result.text if budget is None else BUDGETS[budget]

    @property
    def attempts(self) -> Attempts:
        """The repetitions at the loads they were tried at, and which of them each decision answers."""
        return attempts_of(output for _, output in self.outputs)

    def fresh_n(self, cable: int = 0) -> float | None:
        """Last estimate of fresh capacity (1RM of the day), newtons: capacity over the share of it that was left."""
        for record in reversed(self.repetitions):
            if record.cable == cable and record.capacity_n is not None and record.budget_spent is not None:
                return record.capacity_n / (1.0 - record.budget_spent) if record.budget_spent < 1.0 else None
        return None

    def fresh_sd_n(self, cable: int = 0) -> float | None:
        """Standard deviation of `fresh_n`, newtons, as large a share of it as that of the last capacity."""
        last, fresh_n = self.last_known(cable), self.fresh_n(cable)
        if last is None or fresh_n is None or not last.capacity_n:
            return None
        return (last.capacity_sd_n or 0.0) / last.capacity_n * fresh_n

    def loss_at_end(self) -> float | None:
        """Estimated loss of capacity at the end of the set, from the result or else the last estimated repetition."""
        if self.result is not None and self.result.budget_spent is not None:
            return self.result.budget_spent
        last = self.last_known()
        return None if last is None else last.budget_spent

    def last_known(self, cable: int = 0) -> RepetitionRecord | None:
        """Last repetition of a cable with an estimate of capacity."""
        known = [r for r in self.repetitions if r.cable == cable and r.capacity_n is not None]
        return known[-1] if known else None

    @property
    def duration_s(self) -> float:
        """End of the last event, on the report's axis."""
        ends = [span[1] for span in self.repetition_spans_s] + [moment.t_s for moment in self.moments] + [1.0]
        return max(ends)


@dataclass(slots=True)
class _Open:
    """A set while its record is being read."""

    nonce: str
    prescription: Prescription
    profile: LifterProfile | None
    armed_us: int
    samples: list[Samples] = field(default_factory=list)
    outputs: list[tuple[int, int | None, Output]] = field(default_factory=list)
    clocks: ClockPairs = field(default_factory=ClockPairs)


def recorded_sets(
    handled: Iterable[tuple[Event, tuple[Output, ...]]],
    *,
    source: str,
    simulated: bool,
    rig: str = "",
    clock_zero: datetime.datetime | None = None,
    machine_zero_s: float | None = None,
) -> list[RecordedSet]:
    """Every armed set in a recording, in order.

    Args:
        handled: each input of the core with the outputs it led to, in the order handled.
        source: name of the recording, for people.
        simulated: whether something beside the inputs says that the set is simulated, as a recording's metadata do; an
            announcement among the inputs is seen here.
        rig: name of the rig, for a recording that holds no announcement.
        clock_zero: wall clock at ``now_us`` = 0, when known.
        machine_zero_s: monotonic clock of the controller's machine at ``now_us`` = 0, seconds, when known.

    Returns:
        The sets; one that the recording breaks off has no result.
    """
    reading = _Reading(rig=rig, simulated=simulated)
    for event, outputs in handled:
        reading.take_event(event)
        for output in outputs:
            reading.take_output(event.now_us, output)
    return [
        _arranged(
            item,
            source=source,
            rig=reading.rig,
            clock_zero=clock_zero,
            machine_zero_s=machine_zero_s,
            simulated=reading.simulated,
        )
        for item in reading.found
    ]


@dataclass(slots=True)
class _Reading:
    """What is known so far while a record is being read."""

    rig: str
    simulated: bool
    found: list[_Open] = field(default_factory=list)
    open_set: _Open | None = None
    boot_id: str = ""
    asked: Requested | None = None
    rig_us: int | None = None

    def take_event(self, event: Event) -> None:
        """Note what one input says about the rig, the request to arm and the samples."""
        if isinstance(event, RigAnnounced):
            self.rig = event.rig
            self.simulated = self.simulated or event.simulated
            if self.open_set is None:
                self.boot_id = event.boot_id
        elif isinstance(event, Requested) and event.action is RequestAction.ARM:
            self.asked = event
        elif isinstance(event, Samples | RepetitionSeen | Acknowledged) and event.boot_id == self.boot_id:
            # A rig that restarts during a set begins a new clock, which says nothing about this set.
            self.rig_us = max(self.rig_us or 0, _rig_time_us(event))
            if self.open_set is not None:
                self.open_set.clocks.note(_rig_time_us(event), event.now_us)
                if isinstance(event, Samples):
                    self.open_set.samples.append(event)

    def take_output(self, now_us: int, output: Output) -> None:
        """Begin a set, add to it or end it.

        Args:
            now_us: the core's time of the input that led to the output, microseconds.
            output: the output.
        """
        asked = self.asked
        if isinstance(output, SendArm) and asked is not None and asked.prescription is not None:
            self.open_set = _Open(output.nonce, asked.prescription, asked.profile, now_us)
            self.found.append(self.open_set)
        if self.open_set is not None:
            self.open_set.outputs.append((now_us, self.rig_us, output))
        if isinstance(output, SetResult):
            self.open_set = None
            self.rig_us = None


def _rig_time_us(event: Samples | RepetitionSeen | Acknowledged) -> int:
    if isinstance(event, Samples):
        return event.t_us[-1]
    return event.t_end_us if isinstance(event, RepetitionSeen) else event.t_us


def _arranged(
    item: _Open,
    *,
    source: str,
    rig: str,
    clock_zero: datetime.datetime | None,
    machine_zero_s: float | None,
    simulated: bool,
) -> RecordedSet:
    """Put everything of one set on the report's time axis.

    Args:
        item: the set as it was read.
        source: name of the recording, for people.
        rig: name of the rig.
        clock_zero: wall clock at ``now_us`` = 0, when known.
        machine_zero_s: monotonic clock of the controller's machine there, seconds, when known.
        simulated: whether the rig was a simulated one.
    """
    first = _first_load(item)
    begun_us = item.armed_us if first is None else first[0]
    repetitions = tuple(out for _, _, out in item.outputs if isinstance(out, RepetitionRecord))
    zero_rig_us = first[1].cites_t_us if first is not None else item.samples[0].t_us[-1] if item.samples else None

    def seconds(now_us: int, rig_us: int | None) -> float:
        if rig_us is not None and zero_rig_us is not None:
            return (rig_us - zero_rig_us) / 1e6
        return (now_us - begun_us) / 1e6

    zero = zero_rig_us or 0
    return RecordedSet(
        source=source,
        rig=rig,
        nonce=item.nonce,
        prescription=item.prescription,
        profile=item.profile,
        begun_at=wall_clock(clock_zero, begun_us),
        trace=_trace(item.samples, zero),
        steps=_steps(item, seconds),
        repetitions=repetitions,
        repetition_spans_s=tuple(((r.t_start_us - zero) / 1e6, (r.t_end_us - zero) / 1e6) for r in repetitions),
        moments=tuple(
            Moment(t_s=seconds(now, out.t_rig_us if out.t_rig_us is not None else rig_us), decision=out)
            for now, rig_us, out in item.outputs
            if isinstance(out, Decision)
        ),
        result=next((out for _, _, out in item.outputs if isinstance(out, SetResult)), None),
        states=tuple((seconds(now, rig_us), out) for now, rig_us, out in item.outputs if isinstance(out, StateChanged)),
        outputs=tuple((now, out) for now, _, out in item.outputs),
        simulated=simulated,
        clocks=item.clocks.at(zero_rig_us, machine_zero_s),
    )


def _first_load(item: _Open) -> tuple[int, SendLoad] | None:
    """The first command with a load in it, and when it was sent."""
    return next(((now, out) for now, _, out in item.outputs if isinstance(out, SendLoad) and any(out.target_n)), None)


def _steps(item: _Open, seconds: Callable[[int, int | None], float]) -> tuple[LoadStep, ...]:
    """Changes of the commanded load.

    Args:
        item: the set as it was read.
        seconds: from the core's time and the rig's time, if known, both in microseconds, to the report's axis.
    """
    steps: list[LoadStep] = []
    cables = next((len(out.target_n) for _, _, out in item.outputs if isinstance(out, SendLoad)), 1)
    for now, rig_us, out in item.outputs:
        at: int | None
        if isinstance(out, SendLoad):
            target, at = out.target_n, out.cites_t_us
        elif isinstance(out, SendUnload):
            target, at = (0.0,) * cables, rig_us
        else:
            continue
        if not steps or steps[-1].target_n != target:
            steps.append(LoadStep(t_s=seconds(now, at), target_n=target))
    return tuple(steps)


def _trace(samples: list[Samples], zero_us: int) -> Trace:
    """Samples as arrays, sorted by time.

    Args:
        samples: frames in the order received; frames with another number of cables than the first are left out.
        zero_us: the rig's time at the zero of the report's axis, microseconds.
    """
    cables = len(samples[0].position_m) if samples else 1
    samples = [frame for frame in samples if len(frame.position_m) == cables]
    counts = [len(frame.t_us) for frame in samples]
    n = sum(counts)

    def column(name: str) -> FloatArray:
        values = np.full((n, cables), np.nan)
        row = 0
        for frame, count in zip(samples, counts, strict=True):
            for k, series in enumerate(getattr(frame, name)):
                if series is not None:
                    values[row : row + count, k] = series
            row += count
        return values

    t_s = np.array([(t - zero_us) / 1e6 for frame in samples for t in frame.t_us], dtype=np.float64)
    order = np.argsort(t_s, kind="stable")
    applied = np.repeat(
        np.array([frame.applied_n for frame in samples], dtype=np.float64).reshape(-1, cables), counts, axis=0
    )
    return Trace(
        t_s=t_s[order],
        position_m=column("position_m")[order],
        velocity_m_s=column("velocity_m_s")[order],
        force_n=column("force_n")[order],
        applied_n=applied[order] if n else np.empty((0, cables)),
    )
