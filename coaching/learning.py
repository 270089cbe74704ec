"""What recorded sets teach about a lifter: the profile before and after, and why each set counts or does not.

Decides which sets take part, orders them by time, and writes remarks for people; the arithmetic is in `profile_update`.
Reads and writes no files.
"""

from __future__ import annotations

import datetime
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from statistics import fmean, median
from typing import Final

from ebbset.coaching.profile_update import (
    STALE_AFTER_DAYS,
    SetObservation,
    observe_set,
    profile_is_old,
    update_profile,
)
from ebbset.coaching.set_review import review_set
from ebbset.controller.estimation.capacity import CapacityEstimator
from ebbset.controller.recording.recorded_set import RecordedSet
from ebbset.controller.recording.selection import counted_once
from ebbset.controller.regulation.armed_set import LONGEST_CARRIED_US
from ebbset.models.contract import formatting
from ebbset.models.contract.problems import UnusableFileError
from ebbset.models.contract.profile import LifterProfile, ProfileSet, Uncertain
from ebbset.models.contract.rig_messages import RepetitionOutcome

FIGURES: Final[dict[str, tuple[str, int]]] = {
    "one_rm_n": ("1RM, N per cable", 0),
    "velocity_at_1rm_m_s": ("velocity at 1RM, m/s", 3),
    "velocity_at_zero_m_s": ("velocity at no load, m/s", 3),
    "rom_m": ("ROM, m", 3),
}
"""Figures of a profile that sets can change: a label for people, and the number of decimals shown."""


@dataclass(frozen=True, slots=True)
class Learned:
    """The outcome.

    Attributes:
        before: profile before the sets.
        after: profile after them.
        taken: each set that counted, or sets done in one sitting, with what it showed.
        stale: whether the profile was found to be stale.
        remarks: sentences for people.
    """

    before: LifterProfile
    after: LifterProfile
    taken: tuple[tuple[str, SetObservation], ...]
    stale: bool
    remarks: tuple[str, ...]


def learn(
    profile: LifterProfile, sets: Sequence[RecordedSet], *, today: datetime.date, date: datetime.date | None = None
) -> Learned:
    """The profile after these sets.

    Args:
        profile: the profile so far.
        sets: sets of this lifter on this exercise, in any order.
        today: date by which the age of the profile is judged.
        date: date of all sets; None to take each recording's own.

    Raises:
        UnusableFileError: a set belongs to another lifter or exercise, has no date, or is simulated and others are not.
    """
    remarks: list[str]
    sets, remarks = counted_once(sets)
    for item in sets:
        _belongs(item, profile, date)
    refuse_mixed(sets)
    taken: list[tuple[str, SetObservation]] = []
    after = profile
    for sitting in _sittings([item for item in sets if _counts(item, profile, date, remarks)]):
        cables: tuple[CapacityEstimator, ...] = ()
        for k, item in enumerate(sitting):
            rest_s = _rest_s(sitting[k - 1], item) if k else 0.0
            cables = review_set(
                item.outputs, prescription=item.prescription, profile=after, before=cables, rest_s=rest_s or 0.0
            )
        seen = _observed(cables, sitting[-1], date)
        names = " and ".join(dict.fromkeys(item.source for item in sitting))
        if seen is None:
            remarks.append(f"{names}: fewer than two velocities or stalls to learn from; left out")
            continue
        if seen.doubted and after.one_rm_n is not None:
            remarks.append(
                f"{names}: the profile is stale: its 1RM of {formatting.load(after.one_rm_n.mean, 'kg')} does not fit "
                f"what was lifted; replaced by {formatting.load(seen.one_rm_n.mean, 'kg')}, not averaged"
            )
        after = update_profile(after, [seen])
        after = after.model_copy(update={"sets_used": after.sets_used + len(sitting) - 1})
        after = after.with_sets(profile_set(item, _day(item, date)) for item in sitting)
        taken.append((names, seen))
    after = _rounded(after)
    stale = any(seen.doubted for _, seen in taken) or _old(profile, after, today, bool(taken), remarks)
    if any(item.simulated for item in sets):
        remarks.append("simulated: these figures come from a simulated rig and lifter, not from a person")
    return Learned(before=profile, after=after, taken=tuple(taken), stale=stale, remarks=tuple(remarks))


def changes(learned: Learned) -> Iterator[tuple[str, Uncertain | None, Uncertain | None]]:
    """Each figure of `FIGURES` with its value before and after."""
    for name in FIGURES:
        yield name, getattr(learned.before, name), getattr(learned.after, name)


def _belongs(item: RecordedSet, profile: LifterProfile, date: datetime.date | None) -> None:
    refuse_other_people(item, profile.lifter)
    exercise = item.prescription.exercise
    if exercise != profile.exercise:
        raise UnusableFileError(
            f"{item.source}: exercise is {exercise!r}; allowed: {profile.exercise!r}, as in the profile"
        )
    if profile.sets and item.simulated is not profile.simulated:
        one, other = ("simulated", "a person's") if item.simulated else ("a person's", "simulated")
        raise UnusableFileError(f"{item.source}: a set is {one}; allowed: {other} sets, as in the profile")
    if item.begun_at is None and date is None:
        raise UnusableFileError(f"{item.source}: has no date; allowed: a recording with a date, or --date")


def refuse_other_people(item: RecordedSet, lifter: str) -> None:
    """Refuse a set that is not this lifter's alone, by its profile or by the mark of a study.

    Args:
        item: the recorded set; one that names nobody passes.
        lifter: pseudonym.

    Raises:
        UnusableFileError: names the set, whose it is, and what is allowed.
    """
    for name in sorted(item.people - {lifter}):
        by = "armed with the profile" if name == item.lifter else "a session"
        raise UnusableFileError(f"{item.source}: {by} of {name!r}; allowed: sets of {lifter!r}")


def refuse_mixed(sets: Sequence[RecordedSet]) -> None:
    """Refuse simulated sets and a person's sets together, since one profile cannot describe both.

    Raises:
        UnusableFileError: names a set of either kind.
    """
    for item in sets:
        if item.simulated is not sets[0].simulated:
            one, other = (item, sets[0]) if item.simulated else (sets[0], item)
            raise UnusableFileError(
                f"{one.source}: simulated, and {other.source} is not; allowed: only simulated sets, or none"
            )


def profile_set(item: RecordedSet, day: datetime.date) -> ProfileSet:
    """What a profile keeps of a recorded set that it was made from.

    Args:
        item: the recorded set.
        day: its date.
    """
    return ProfileSet(origin="simulated" if item.simulated else "person", date=day, nonce=item.nonce)


def _day(item: RecordedSet, date: datetime.date | None) -> datetime.date:
    if date is not None or item.begun_at is None:
        return date or datetime.date.min
    return item.begun_at.date()


def _counts(item: RecordedSet, profile: LifterProfile, date: datetime.date | None, remarks: list[str]) -> bool:
    day = _day(item, date)
    if day < profile.date:
        remarks.append(f"{item.source}: from {day}, before the profile's {profile.date}; left out")
        return False
    if item.nonce in {one.nonce for one in profile.sets}:
        remarks.append(f"{item.source}: the profile was already made from this set; it counts once")
        return False
    if item.person is None:
        remarks.append(f"{item.source}: names no lifter; taken as a set of {profile.lifter}")
    if day == profile.date and not profile.sets:
        remarks.append(f"{item.source}: from the day of the profile; if the profile was made from it, it counts twice")
    return True


def _sittings(sets: Sequence[RecordedSet]) -> Iterator[list[RecordedSet]]:
    """Group sets that follow each other before fatigue has passed; each group counts as one observation."""
    sitting: list[RecordedSet] = []
    for item in sorted(sets, key=lambda one: 0.0 if one.begun_at is None else one.begun_at.timestamp()):
        if sitting and _rest_s(sitting[-1], item) is None:
            yield sitting
            sitting = []
        sitting.append(item)
    if sitting:
        yield sitting


def _rounded(profile: LifterProfile) -> LifterProfile:
    """Round to tenths of a newton and thousandths otherwise: readable, and far below every uncertainty in the file."""
    figures = {}
    for name in FIGURES:
        figure: Uncertain | None = getattr(profile, name)
        if figure is not None:
            places = 1 if name.endswith("_n") else 3
            figures[name] = Uncertain(mean=round(figure.mean, places), sd=round(figure.sd, places))
    return profile.model_copy(update=figures)


def _rest_s(before: RecordedSet, item: RecordedSet) -> float | None:
    """Rest between two sets, seconds; None when it is unknown or so long that nothing is left of the first."""
    if before.begun_at is None or item.begun_at is None:
        return None
    rest_s = item.begun_at.timestamp() - before.begun_at.timestamp() - before.duration_s
    return rest_s if 0.0 <= rest_s <= LONGEST_CARRIED_US / 1e6 else None


def _observed(
    cables: Sequence[CapacityEstimator], item: RecordedSet, date: datetime.date | None
) -> SetObservation | None:
    """What the cables showed, as one observation: a profile's figures are per cable and hold for both sides."""
    day = _day(item, date)
    whole = [r.rom_m for r in item.repetitions if r.outcome is RepetitionOutcome.COMPLETED]
    found = [observe_set(cable, date=day, rom_m=median(whole) if whole else None) for cable in cables]
    seen = [one for one in found if one is not None]
    if not seen:
        return None
    return replace(
        seen[0],
        one_rm_n=_mean([one.one_rm_n for one in seen]),
        velocity_at_zero_m_s=_mean([one.velocity_at_zero_m_s for one in seen]),
        velocity_at_1rm_m_s=_mean([one.velocity_at_1rm_m_s for one in seen]),
        doubted=all(one.doubted for one in seen),
    )


def _mean(figures: Sequence[Uncertain]) -> Uncertain:
    """The mean over both sides. Their errors go together, so the mean is no more certain than one of them."""
    return Uncertain(mean=fmean(f.mean for f in figures), sd=fmean(f.sd for f in figures))


def _old(before: LifterProfile, after: LifterProfile, today: datetime.date, anything: bool, remarks: list[str]) -> bool:
    """Whether the profile was, or still is, too old; adds remarks that say how old."""
    if anything and profile_is_old(before, after.date):
        days = formatting.plural((after.date - before.date).days, "day")
        remarks.append(f"the profile was {days} old when these sets were done, stale after {STALE_AFTER_DAYS}")
    if profile_is_old(after, today):
        days = formatting.plural((today - after.date).days, "day")
        remarks.append(f"the newest profile is {days} old, stale after {STALE_AFTER_DAYS}; a fresh set is needed")
        return True
    return profile_is_old(before, after.date)
