"""What the sets of one lifter come to over weeks: strength, hard repetitions by muscle, changes, profiles, adherence.

Pure: rows and the date of today come in. Estimates of single sets are the controller's; here they are only put side by
side, and a change is called one only where it is greater than the error of measurement.
"""

from __future__ import annotations

import datetime
from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from math import sqrt
from typing import Final

from ebbset.coaching.history.adherence import SessionAdherence, session_adherence
from ebbset.coaching.history.fresh_sets import by_day, freshest, past_set
from ebbset.coaching.history.rows.history_rows import SessionRow, SetRow
from ebbset.coaching.profile_update import DAY_CV, STALE_AFTER_DAYS, profile_is_old
from ebbset.coaching.sessions.next_load import fresh_strength
from ebbset.models.contract import formatting
from ebbset.models.contract.constants import Z_INTERVAL
from ebbset.models.contract.profile import LifterProfile, Uncertain
from ebbset.models.contract.units import LoadUnit
from ebbset.models.physiology.exercise_muscles import muscle_shares

Z_CHANGE: Final = 1.959964
"""A change counts beyond its 95 % error, the minimal detectable change: Weir 2005 JSCR 19:231-240, from memory."""
SMALLEST_WORTHWHILE: Final = (0.02, 0.04)
"""Smallest worthwhile difference of a 1RM, as a share of it, in bench press, squat and curl: Nascimento et al. 2017
Biol Sport 34:279-285, 10.5114/biolsport.2017.67854, abstract (detrained women)."""
TEST_CV: Final = 0.042
"""Median CV of a tested 1RM between days: Grgic et al. 2020 Sports Med Open 6:31, 10.1186/s40798-020-00260-z, abstract,
32 studies. Shown beside our own error, which is that of an estimate, not of a test."""
WINDOW_DAYS: Final = 14
"""Days at either end of a span that are taken together; our judgement."""
RECENT_DAYS: Final = 42
"""The recent span; our judgement. Training shows in weeks: +9.3 % in six (González-Badillo & Sánchez-Medina 2010)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class DayEstimate:
    """1RM of one day in one exercise, newtons per cable, with its 80 % interval: that of the freshest of its sets."""

    date: datetime.date
    one_rm_n: float
    low_n: float
    high_n: float
    sets: int

    @property
    def sd_n(self) -> float:
        """Standard deviation that the interval stands for."""
        return (self.high_n - self.low_n) / (2.0 * Z_INTERVAL)


@dataclass(frozen=True, slots=True, kw_only=True)
class MuscleWeek:
    """Hard repetitions that count for one muscle in the week that begins on ``monday``."""

    monday: datetime.date
    muscle: str
    fresh: float
    in_fatigue: float

    @property
    def total(self) -> float:
        """Both together."""
        return self.fresh + self.in_fatigue


@dataclass(frozen=True, slots=True, kw_only=True)
class Change:
    """One figure at both ends of a span, in its own unit.

    Attributes:
        exercise: of which.
        figure: name of the figure, with its unit at the end.
        since: first day of the span.
        until: last day of it.
        before: the figure at its beginning.
        after: the figure at its end.
        error: a difference up to this may be error of measurement and of the day alone.
    """

    exercise: str
    figure: str
    since: datetime.date
    until: datetime.date
    before: float
    after: float
    error: float

    @property
    def difference(self) -> float:
        """After less before."""
        return self.after - self.before

    @property
    def beyond_error(self) -> bool:
        """The difference is greater than the error."""
        return abs(self.difference) > self.error

    @property
    def verdict(self) -> str:
        """What can be said, in a few words."""
        if not self.beyond_error:
            return "within the error"
        least, most = SMALLEST_WORTHWHILE
        word = "more" if self.difference > 0.0 else "less"
        if self.figure != "one_rm_n":
            return f"{word}, beyond the error"
        share = abs(self.difference) / self.before
        if share < least:
            return f"{word}, beyond the error; too little to matter"
        return f"{word}, beyond the error" + ("; may be worthwhile" if share < most else "; worthwhile")


@dataclass(frozen=True, slots=True, kw_only=True)
class ProfileState:
    """The newest profile of one exercise: its date, None without one, and why it is stale, None while it is not."""

    exercise: str
    date: datetime.date | None
    stale_because: str | None


@dataclass(frozen=True, slots=True, kw_only=True)
class LifterHistory:
    """The history of one lifter.

    Attributes:
        lifter: pseudonym.
        today: date by which ages are judged.
        sets: how many sets it is made from.
        undated: how many of them have no date, and count for no week.
        simulated: how many of them are simulated.
        blinded: how many sets of blinded sessions are left out.
        units: in which loads are shown: those of the newest set.
        strength: exercise -> days, the oldest first.
        weeks: hard repetitions, by week and muscle.
        uncounted: exercises whose muscles ebbset does not know.
        changes: over the whole time and the recent one.
        profiles: state of the profile of each exercise.
        sessions: adherence, the oldest first.
    """

    lifter: str
    today: datetime.date
    sets: int
    undated: int
    simulated: int
    blinded: int
    units: LoadUnit
    strength: Mapping[str, tuple[DayEstimate, ...]]
    weeks: tuple[MuscleWeek, ...]
    uncounted: tuple[str, ...]
    changes: tuple[Change, ...]
    profiles: tuple[ProfileState, ...]
    sessions: tuple[SessionAdherence, ...]


def lifter_history(
    lifter: str,
    rows: Sequence[SetRow],
    profiles: Sequence[LifterProfile],
    today: datetime.date,
    *,
    sessions: Sequence[SessionRow] = (),
    blinded: int = 0,
) -> LifterHistory:
    """The history of a lifter from what a store holds.

    Args:
        lifter: pseudonym.
        rows: the lifter's sets, those of blinded sessions left out, the oldest first.
        profiles: every version of the lifter's profiles, by exercise, the oldest first.
        today: date by which ages are judged.
        sessions: the lifter's sessions, those of studies left out.
        blinded: how many sets of blinded sessions were left out.
    """
    strength = strength_by_exercise(rows)
    exercises = sorted({row.exercise for row in rows})
    return LifterHistory(
        lifter=lifter,
        today=today,
        sets=len(rows),
        undated=sum(row.date is None for row in rows),
        simulated=sum(row.simulated for row in rows),
        blinded=blinded,
        units=rows[-1].units if rows else "kg",
        strength=strength,
        weeks=muscle_weeks(rows),
        uncounted=tuple(name for name in exercises if not muscle_shares(name)),
        changes=(*strength_changes(strength), *profile_changes(profiles)),
        profiles=profile_states(rows, profiles, today),
        sessions=tuple(session_adherence(one) for one in sessions),
    )


def strength_by_exercise(rows: Iterable[SetRow]) -> dict[str, tuple[DayEstimate, ...]]:
    """1RM of each day on which one was estimated, by exercise, the oldest first.

    Sets of one day share profile and lifter, so their errors go together and are not averaged: the one that was begun
    the freshest counts, with what the sets before it cost added back.

    Args:
        rows: sets; those without date or estimate are left out.
    """
    found: dict[str, list[DayEstimate]] = defaultdict(list)
    for date, day in by_day(rows).items():
        done = [past_set(row) for row in day]
        for exercise in dict.fromkeys(row.exercise for row in day):
            strength = fresh_strength(exercise, done)
            if strength is not None:
                low_n, middle_n, high_n = strength
                sets = sum(one.exercise == exercise and one.strength_n is not None for one in done)
                found[exercise].append(DayEstimate(date=date, one_rm_n=middle_n, low_n=low_n, high_n=high_n, sets=sets))
    return {exercise: tuple(found[exercise]) for exercise in sorted(found)}


def muscle_weeks(rows: Iterable[SetRow]) -> tuple[MuscleWeek, ...]:
    """Hard repetitions by week and muscle, each counted with the muscle's share in the exercise.

    Args:
        rows: sets; those without date, and exercises whose muscles are not known, are left out.
    """
    found: dict[tuple[datetime.date, str], tuple[float, float]] = defaultdict(lambda: (0.0, 0.0))
    for row in rows:
        if row.date is None:
            continue
        for muscle, share in muscle_shares(row.exercise).items():
            fresh, in_fatigue = found[monday_of(row.date), muscle]
            found[monday_of(row.date), muscle] = (
                fresh + share * row.hard_fresh,
                in_fatigue + share * row.hard_in_fatigue,
            )
    return tuple(
        MuscleWeek(monday=monday, muscle=muscle, fresh=fresh, in_fatigue=in_fatigue)
        for (monday, muscle), (fresh, in_fatigue) in sorted(found.items())
    )


def monday_of(date: datetime.date) -> datetime.date:
    """First day of the week of a date."""
    return date - datetime.timedelta(days=date.weekday())


def strength_changes(strength: Mapping[str, Sequence[DayEstimate]]) -> tuple[Change, ...]:
    """Changes of the 1RM of the day over the whole time and, where that is longer, over the recent weeks.

    Args:
        strength: from `strength_by_exercise`.
    """
    found = []
    for exercise, days in sorted(strength.items()):
        recent = [day for day in days if (days[-1].date - day.date).days <= RECENT_DAYS]
        for span in (list(days), recent) if len(recent) < len(days) else (list(days),):
            change = _strength_change(exercise, span)
            if change is not None:
                found.append(change)
    return tuple(found)


def _strength_change(exercise: str, days: Sequence[DayEstimate]) -> Change | None:
    if len(days) < 2:
        return None
    since, until = days[0].date, days[-1].date
    # Less than half of the span, so that no day stands at both ends.
    window = min(WINDOW_DAYS, ((until - since).days - 1) // 2)
    before = _level([day for day in days if (day.date - since).days <= window])
    after = _level([day for day in days if (until - day.date).days <= window])
    return Change(
        exercise=exercise,
        figure="one_rm_n",
        since=since,
        until=until,
        before=before.mean,
        after=after.mean,
        error=Z_CHANGE * sqrt(before.sd**2 + after.sd**2),
    )


def _level(days: Sequence[DayEstimate]) -> Uncertain:
    """Strength over some days. The day's own variation averages out, the error of the estimates, which share a profile,
    does not.
    """
    spreads = [(day.sd_n, DAY_CV * day.one_rm_n) for day in days]
    weights = [1.0 / max(own**2 + of_day**2, 1e-9) for own, of_day in spreads]
    mean = sum(w * day.one_rm_n for w, day in zip(weights, days, strict=True)) / sum(weights)
    own_sd = min(own for own, _ in spreads)
    return Uncertain(mean=mean, sd=sqrt(own_sd**2 + (DAY_CV * mean) ** 2 / len(days)))


PROFILE_FIGURES: Final = ("velocity_at_1rm_m_s", "velocity_at_zero_m_s", "rom_m")
"""Figures of a profile whose change is told; that of the 1RM is told from the days."""


def profile_changes(profiles: Iterable[LifterProfile]) -> tuple[Change, ...]:
    """Changes of the other figures of the profiles, from the first version of an exercise to the newest.

    Args:
        profiles: every version, the oldest first.
    """
    versions: dict[str, list[LifterProfile]] = defaultdict(list)
    for profile in profiles:
        versions[profile.exercise].append(profile)
    found = []
    for exercise, history in sorted(versions.items()):
        first, last = history[0], history[-1]
        for figure in PROFILE_FIGURES if first.date < last.date else ():
            before, after = getattr(first, figure), getattr(last, figure)
            if before is not None and after is not None:
                found.append(
                    Change(
                        exercise=exercise,
                        figure=figure,
                        since=first.date,
                        until=last.date,
                        before=before.mean,
                        after=after.mean,
                        error=Z_CHANGE * sqrt(before.sd**2 + after.sd**2),
                    )
                )
    return tuple(found)


def profile_states(
    rows: Sequence[SetRow], profiles: Iterable[LifterProfile], today: datetime.date
) -> tuple[ProfileState, ...]:
    """The newest profile of each exercise that was done or has one, and whether it is stale.

    Args:
        rows: sets, the oldest first.
        profiles: every version, the oldest first.
        today: date by which its age is judged.
    """
    newest = {profile.exercise: profile for profile in profiles}
    # A set that was begun tired shows less than the profile without one being wrong.
    last_set = {row.exercise: row for row in rows if row.date is None}
    for day in by_day(rows).values():
        last_set |= {name: one for name in {row.exercise for row in day} if (one := freshest(name, day)) is not None}
    found = []
    for exercise in sorted(newest.keys() | last_set.keys()):
        profile, row = newest.get(exercise), last_set.get(exercise)
        because = None
        if profile is None:
            because = "there is none"
        elif profile_is_old(profile, today):
            because = f"{formatting.plural((today - profile.date).days, 'day')} old, stale after {STALE_AFTER_DAYS}"
        elif row is not None and row.profile_doubted and (row.date is None or row.date >= profile.date):
            because = "its 1RM does not fit the freshest set of the newest day"
        date = None if profile is None else profile.date
        found.append(ProfileState(exercise=exercise, date=date, stale_because=because))
    return tuple(found)
