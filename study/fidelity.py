"""Was the protocol followed? What was prescribed, what was done, and the difference in milliseconds and newtons.

What was done is worked out from the recording alone: loads from what the rig says it applied, times on the rig's clock.
What was prescribed is the schedule's own prescription of the session, never the one that happened to be armed; without
a study there is only that. Rules of the set are not judged again here; where several things were allowed (a stall
foreseen, a set stopped by a person) there is no deviation to speak of and no line. `departures` says in words what is
not as the study orders.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from statistics import median
from typing import Literal

import numpy as np

from ebbset.controller.messages.reasons import Reason
from ebbset.controller.recording.recorded_set import FloatArray, LoadStep, RecordedSet
from ebbset.models.contract.prescription import Prescription
from ebbset.models.contract.study_mark import mark_of
from ebbset.study.departures import departures_in
from ebbset.study.study_file import Study

Unit = Literal["ms", "N", ""]
_SETTLED_N = 1.0
_SETTLED_SHARE = 0.02
_SMOOTH_S = 0.1


@dataclass(frozen=True, slots=True)
class Deviation:
    """One thing prescribed and what was done, in ``unit``."""

    what: str
    place: str
    prescribed: float
    done: float
    unit: Unit

    @property
    def deviation(self) -> float:
        """Done less prescribed."""
        return self.done - self.prescribed


@dataclass(frozen=True, slots=True)
class SetFidelity:
    """One recorded set against its study.

    Attributes:
        source: recording it comes from.
        nonce: the set.
        participant: pseudonym, None for a set that belongs to no study.
        period: session number, from 1.
        condition: condition code of the schedule, None if there is none.
        departures: sentences about what is not as the study orders; empty when all is.
        deviations: times and loads.
    """

    source: str
    nonce: str
    participant: str | None
    period: int | None
    condition: str | None
    departures: tuple[str, ...]
    deviations: tuple[Deviation, ...]


@dataclass(frozen=True, slots=True)
class Summary:
    """One kind of deviation over all sets: how many, the middle one, and the one furthest off."""

    what: str
    unit: Unit
    count: int
    median: float
    worst: float


def fidelity_of(item: RecordedSet, study: Study | None) -> SetFidelity:
    """One set compared with its prescription and, if there is one, its study.

    Args:
        item: the recorded set.
        study: its study; ``None``: none.
    """
    mark = mark_of(item.prescription.notes)
    participant = mark.participant if mark is not None else None
    period = mark.period if mark is not None else None
    session = None
    if study is not None and mark is not None and mark.study == study.hash:
        session = study.session(mark.participant, mark.period)
    order = item.prescription if study is None or session is None else study.order_of(session)
    return SetFidelity(
        source=item.source,
        nonce=item.nonce,
        participant=participant,
        period=period,
        condition=session.condition if session is not None else None,
        departures=tuple(departures_in(item, study)),
        deviations=(*_loads(item, order), *_rests(item, order), *_changes(item, order), *_stalls(item, order)),
    )


def summary_of(sets: Sequence[SetFidelity]) -> list[Summary]:
    """Deviations of all sets by kind, in order of first appearance."""
    kinds: dict[tuple[str, Unit], list[float]] = {}
    for item in sets:
        for one in item.deviations:
            kinds.setdefault((one.what, one.unit), []).append(one.deviation)
    return [
        Summary(what, unit, len(values), median(values), max(values, key=abs)) for (what, unit), values in kinds.items()
    ]


def _bout_starts(item: RecordedSet) -> list[tuple[LoadStep, LoadStep | None]]:
    """Load put on for each bout, and the unloading before it."""
    found: list[tuple[LoadStep, LoadStep | None]] = []
    before: LoadStep | None = None
    for step in item.steps:
        if any(step.target_n) and (before is None or not any(before.target_n)):
            found.append((step, before))
        before = step
    return found


def _loads(item: RecordedSet, order: Prescription) -> list[Deviation]:
    trace = item.trace
    found = []
    for bout, (step, _) in enumerate(_bout_starts(item)):
        if bout >= len(order.bouts):
            break
        prescribed = order.bout_load_n(bout)
        place = f"bout {bout + 1}"
        found.append(Deviation("start load commanded", place, prescribed, max(step.target_n), "N"))
        applied = _plateau_n(item, step)
        if applied is not None:
            found.append(Deviation("start load applied", place, prescribed, applied, "N"))
    lowest = min((min(step.target_n) for step in item.steps if any(step.target_n)), default=None)
    if lowest is not None and lowest < order.load.floor_n:
        found.append(Deviation("load under the floor", "set", order.load.floor_n, lowest, "N"))
    if trace.applied_n.size:
        highest = float(np.nanmax(trace.applied_n))
        if highest > order.load.start_n:
            found.append(Deviation("load above the start load", "set", order.load.start_n, highest, "N"))
    return found


def _plateau_n(item: RecordedSet, step: LoadStep) -> float | None:
    """Median load applied under one target, from when it was reached until the next target."""
    later = [other.t_s for other in item.steps if other.t_s > step.t_s]
    until = later[0] if later else float("inf")
    trace, target = item.trace, np.array(step.target_n)
    here = (trace.t_s >= step.t_s) & (trace.t_s < until)
    near = np.all(np.abs(trace.applied_n - target) <= np.maximum(_SETTLED_N, _SETTLED_SHARE * target), axis=1)
    reached = np.flatnonzero(here & near)
    if reached.size == 0:
        return None
    span = here & (trace.t_s >= trace.t_s[reached[0]])
    return float(np.median(trace.applied_n[span].max(axis=1)))


def _rests(item: RecordedSet, order: Prescription) -> list[Deviation]:
    found = []
    for bout, (step, unloaded) in enumerate(_bout_starts(item)):
        if bout == 0 or bout >= len(order.bouts) or unloaded is None:
            continue
        prescribed = order.bouts[bout].rest_before_s
        found.append(
            Deviation("rest", f"before bout {bout + 1}", 1e3 * prescribed, 1e3 * (step.t_s - unloaded.t_s), "ms")
        )
    return found


def _within_frame_s(item: RecordedSet) -> float:
    """From the first to the last sample of a frame: a frame tells the applied load as it is at its last sample.

    While the load ramps every frame tells another load, so the shortest time between two changes is a frame's.
    """
    trace = item.trace
    if trace.t_s.size < 3:
        return 0.0
    changed = trace.t_s[1:][np.any(np.diff(trace.applied_n, axis=0) != 0.0, axis=1)]
    frame_s = float(np.min(np.diff(changed))) if changed.size > 1 else 0.0
    return max(frame_s - float(np.median(np.diff(trace.t_s))), 0.0)


def _changes(item: RecordedSet, order: Prescription) -> list[Deviation]:
    """Time from each drop's command to the load being there, against the time that the ramp takes; to one frame."""
    trace, ramp = item.trace, order.load.ramp_n_per_s
    late_s = _within_frame_s(item)
    found = []
    for number, (before, step) in enumerate(zip(item.steps, item.steps[1:], strict=False)):
        change = max(a - b for a, b in zip(before.target_n, step.target_n, strict=True))
        if not any(step.target_n) or change <= 0.0:
            continue
        there = np.all(np.abs(trace.applied_n - np.array(step.target_n)) <= _SETTLED_N, axis=1)
        reached = np.flatnonzero((trace.t_s >= step.t_s) & there)
        until = item.steps[number + 2].t_s if number + 2 < len(item.steps) else float("inf")
        if reached.size and trace.t_s[reached[0]] < until:
            took = float(trace.t_s[reached[0]]) + late_s - step.t_s
            found.append(Deviation("drop carried out", f"at {step.t_s:.1f} s", 1e3 * change / ramp, 1e3 * took, "ms"))
    return found


def _smoothed(velocity_m_s: FloatArray, t_s: FloatArray) -> FloatArray:
    """Mean over `_SMOOTH_S` around each sample, so that one noisy sample does not count as movement."""
    width = max(round(_SMOOTH_S / float(np.median(np.diff(t_s)))), 1) if t_s.size > 1 else 1
    return np.convolve(velocity_m_s, np.full(width, 1.0 / width), mode="same")


def _stalls(item: RecordedSet, order: Prescription) -> list[Deviation]:
    """How long the handle stood still before the load dropped, against dwell and grind, where a dwell is ordered."""
    trace = item.trace
    if order.stall.rule != "dwell" or trace.t_s.size == 0:
        return []
    prescribed = order.stall.dwell_s + order.stall.grind_s
    found = []
    for moment in item.moments:
        decision = moment.decision
        if decision.reason is not Reason.STALL_IN_CONCENTRIC or decision.cable is None:
            continue
        velocity = _smoothed(trace.velocity_m_s[:, decision.cable], trace.t_s)
        moving = np.flatnonzero((trace.t_s < moment.t_s) & (velocity >= order.stall.velocity_m_s))
        if moving.size:
            still = moment.t_s - float(trace.t_s[moving[-1]])
            found.append(
                Deviation("stall before the drop", f"at {moment.t_s:.1f} s", 1e3 * prescribed, 1e3 * still, "ms")
            )
    return found
