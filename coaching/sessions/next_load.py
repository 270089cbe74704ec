"""The start load of the next set, brought up to date from the sets before, with a sentence that says why.

The plan gives a start load for a lifter who is fresh and as strong as the profile says. Two things change it: the 1RM
of the day, where its interval excludes the planned 1RM, and the fatigue that is left of the sets before, in the same
exercise or in one that shares muscles with it. It always stays between the bounds that the coach set and the rig's own.
Estimates with wide ranges; a person arms the set and may change it. Pure functions of what is passed in.
"""

from __future__ import annotations

import datetime
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Final, Protocol

from ebbset.coaching.next_set import loss_after
from ebbset.coaching.profile_update import DAY_CV, DRIFT_PER_WEEK
from ebbset.coaching.sessions.session_events import DayStrength
from ebbset.coaching.sessions.session_steps import SessionStep
from ebbset.models.contract import formatting
from ebbset.models.contract.constants import Z_INTERVAL
from ebbset.models.contract.prescription import Prescription
from ebbset.models.contract.profile import Uncertain
from ebbset.models.contract.study_mark import mark_of
from ebbset.models.physiology.exercise_muscles import overlap
from ebbset.simulators.load_scaling import started_at

LEAST_TOLD: Final = 0.01
"""A loss of capacity below this is not worth a sentence; judgement."""


@dataclass(frozen=True, slots=True)
class PastSet:
    """A set of this session, as far as the next one depends on it.

    Attributes:
        exercise: what was lifted.
        start_n: load that it started with, N per cable.
        begun_s: when it was started, s.
        ended_s: when it ended, s.
        strength_n: estimated 1RM of the day with the ends of its interval, N per cable: low, middle, high.
        loss: share of capacity that it cost, 0 to 1; None when nothing was estimated.
    """

    exercise: str
    start_n: float
    begun_s: float
    ended_s: float
    strength_n: tuple[float, float, float] | None
    loss: float | None


@dataclass(frozen=True, slots=True)
class StartLoad:
    """A start load, N per cable, and why it is this one."""

    start_n: float
    why: str


@dataclass(frozen=True, slots=True)
class _Strength:
    """A 1RM with its interval, N per cable, and where it is from."""

    low_n: float
    middle_n: float
    high_n: float
    source: str


class Estimated(Protocol):
    """A repetition with its estimates, as recorded or as reported over the wire."""

    @property
    def cable(self) -> int | None:
        """Which cable."""

    @property
    def one_rm_n(self) -> float | None:
        """Estimated 1RM of the day, N."""

    @property
    def one_rm_low_n(self) -> float | None:
        """Lower end of its interval, N."""

    @property
    def one_rm_high_n(self) -> float | None:
        """Upper end of its interval, N."""


def strength_of(repetitions: Sequence[Estimated]) -> tuple[float, float, float] | None:
    """The last estimate of the 1RM of the day, of the cable where it is smaller: low, middle, high, N per cable.

    Args:
        repetitions: of one set, in order.
    """
    last: dict[int | None, tuple[float, float, float]] = {}
    for one in repetitions:
        if one.one_rm_n is not None and one.one_rm_low_n is not None and one.one_rm_high_n is not None:
            last[one.cable] = (one.one_rm_low_n, one.one_rm_n, one.one_rm_high_n)
    return min(last.values(), key=lambda found: found[1], default=None)


def loss_left(exercise: str, done: Sequence[PastSet], at_s: float) -> tuple[float, float]:
    """Least and greatest loss of capacity that earlier sets leave for an exercise, 0 to 1.

    Each set adds what it cost, times the part of the muscle work that the two exercises share; in between the loss
    fades by the two half-times of `next_set`. Two exercises of which ebbset does not know one count as sharing nothing.

    Args:
        exercise: what is lifted next.
        done: the sets before, oldest first.
        at_s: when the next set begins, s.
    """
    least = most = 0.0
    from_s = done[0].begun_s if done else at_s
    for one in done:
        shared = overlap(one.exercise, exercise) or 0.0
        # Nobody recovers from a set while it lasts; from another exercise's set that shares nothing, one does.
        until_s = one.begun_s if shared else one.ended_s
        least, most = _faded(least, most, until_s - from_s)
        cost = shared * (one.loss or 0.0)
        least, most = 1.0 - (1.0 - least) * (1.0 - cost), 1.0 - (1.0 - most) * (1.0 - cost)
        from_s = one.ended_s
    return _faded(least, most, at_s - from_s)


def _faded(least: float, most: float, rest_s: float) -> tuple[float, float]:
    return loss_after(least, max(rest_s, 0.0))[0], loss_after(most, max(rest_s, 0.0))[1]


def start_load(
    step: SessionStep,
    done: Sequence[PastSet],
    at_s: float,
    *,
    last: DayStrength | None = None,
    rig_n: tuple[float, float] | None = None,
) -> StartLoad:
    """The start load of a step, brought up to date.

    Args:
        step: the step; one that belongs to a study keeps its load.
        done: the sets of the session before it, oldest first.
        at_s: when it begins, UTC seconds.
        last: what earlier sessions taught of this exercise.
        rig_n: least and greatest load that the rig can hold, N per cable.
    """
    unit, planned_n = step.prescription.units, step.prescription.load.start_n
    if mark_of(step.prescription.notes) is not None:
        return StartLoad(planned_n, "As planned: a session of a study keeps its loads.")
    reasons: list[str] = []
    strength = _strength(step, done, last, at_s)
    factor = _day_factor(step, strength, reasons)
    least, most = loss_left(step.exercise, done, at_s)
    left = (least + most) / 2.0
    if left >= LEAST_TOLD:
        reasons.append(
            f"about {formatting.part(left)} of capacity ({formatting.part(least)} to {formatting.part(most)}) is still "
            "lost to the sets before"
        )
        factor *= 1.0 - left
    wanted_n = planned_n * factor
    bounded_n, bound = _within(step, wanted_n, rig_n)
    told = formatting.load(planned_n, unit)
    why = f"Planned {told}; {' and '.join(reasons)}." if reasons else f"As planned, {told}."
    if bound:
        why += f" {bound}"
    return StartLoad(round(bounded_n, 1), why)


def _within(step: SessionStep, wanted_n: float, rig_n: tuple[float, float] | None) -> tuple[float, str]:
    """The load within the coach's bounds and the rig's, and a sentence if one of them holds it."""
    unit = step.prescription.units
    low_n, high_n = step.bounds_n
    if rig_n is not None and rig_n[1] < high_n:
        high_n, low_n = rig_n[1], min(low_n, rig_n[1])
    if rig_n is not None and low_n < rig_n[0] <= high_n:
        low_n = rig_n[0]
    if wanted_n > high_n:
        return high_n, f"Held at {formatting.load(high_n, unit)}, the most that is allowed."
    if wanted_n < low_n:
        return low_n, f"Held at {formatting.load(low_n, unit)}, the least that is allowed."
    return wanted_n, ""


def fresh_strength(exercise: str, done: Sequence[PastSet]) -> tuple[float, float, float] | None:
    """The 1RM of the day from the set of an exercise that was begun the freshest: low, middle, high, N per cable.

    What the controller takes for fresh is what the set began with, so the loss that it began with is added back.

    Args:
        exercise: which.
        done: the sets of the session, oldest first.
    """
    best: tuple[float, tuple[float, float, float]] | None = None
    for k, one in enumerate(done):
        if one.exercise != exercise or one.strength_n is None:
            continue
        least, most = loss_left(exercise, done[:k], one.begun_s)
        if most >= 1.0 or (best is not None and most >= best[0]):
            continue
        low_n, middle_n, high_n = one.strength_n
        best = most, (low_n / (1.0 - least), middle_n / (1.0 - (least + most) / 2.0), high_n / (1.0 - most))
    return None if best is None else best[1]


def _strength(step: SessionStep, done: Sequence[PastSet], last: DayStrength | None, at_s: float) -> _Strength | None:
    """The 1RM of the day: from this session, else from an earlier one."""
    today_n = fresh_strength(step.exercise, done)
    if today_n is not None:
        return _Strength(*today_n, "today's estimate")
    profile = step.profile
    if last is None or (profile is not None and last.date <= profile.date):
        return None
    today = strength_today(last, _date(at_s))
    reach_n = Z_INTERVAL * today.sd
    return _Strength(today.mean - reach_n, today.mean, today.mean + reach_n, f"the estimate of {last.date}")


def strength_today(last: DayStrength, date: datetime.date) -> Uncertain:
    """What the 1RM of an earlier day says about today: the same, and less surely the longer ago it was, N per cable.

    Args:
        last: the earlier day.
        date: today.
    """
    weeks = max((date - last.date).days, 0) / 7.0
    sd_n = math.hypot(
        (last.one_rm_high_n - last.one_rm_low_n) / (2.0 * Z_INTERVAL),
        last.one_rm_n * math.hypot(DAY_CV, DRIFT_PER_WEEK * math.sqrt(weeks)),
    )
    return Uncertain(mean=last.one_rm_n, sd=sd_n)


def _date(at_s: float) -> datetime.date:
    return datetime.datetime.fromtimestamp(at_s, datetime.UTC).date()


def _day_factor(step: SessionStep, strength: _Strength | None, reasons: list[str]) -> float:
    """By how much the planned load changes with the 1RM of the day, which must differ beyond its interval.

    Down to what the estimate says; up only as far as its low end is sure of.
    """
    planned = None if step.profile is None else step.profile.one_rm_n
    if planned is None or strength is None or strength.low_n <= planned.mean <= strength.high_n:
        return 1.0
    unit = step.prescription.units
    factor = (strength.low_n if strength.low_n > planned.mean else strength.middle_n) / planned.mean
    reasons.append(
        f"{strength.source} of the 1RM is {formatting.load(strength.middle_n, unit)} "
        f"({formatting.load(strength.low_n, unit)} to {formatting.load(strength.high_n, unit)}) and not the "
        f"{formatting.load(planned.mean, unit)} of the profile"
    )
    return factor


def with_start(prescription: Prescription, start_n: float) -> Prescription:
    """The prescription started at another load: all its loads move with it, but none under its floor load.

    Args:
        prescription: as planned.
        start_n: N per cable, at least the floor load.
    """
    if start_n == prescription.load.start_n:
        return prescription
    floor_n = prescription.load.floor_n
    moved = started_at(prescription, max(start_n, floor_n))
    load = moved.load.model_copy(
        update={"floor_n": max(moved.load.floor_n, floor_n), "start_n": max(moved.load.start_n, floor_n)}
    )
    bouts = tuple(
        bout if bout.load_n is None else bout.model_copy(update={"load_n": max(bout.load_n, load.floor_n)})
        for bout in moved.bouts
    )
    return moved.model_copy(update={"load": load, "bouts": bouts})


def last_of(exercise: str, known: Sequence[DayStrength]) -> DayStrength | None:
    """The newest of what earlier sessions taught of an exercise.

    Args:
        exercise: the exercise.
        known: what the store gave, in any order.
    """
    return max((one for one in known if one.exercise == exercise), key=lambda one: one.date, default=None)


RigLoads = Mapping[str, tuple[float, float]]
"""Rig -> least and greatest load that it can hold, N per cable."""
