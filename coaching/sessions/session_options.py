"""The ways in which each exercise of a session could be done, as steps that could be armed as they are.

What a coach asked for is in every one of them: the wish, the sets, the rests, the bounds of the start load, and each
limit. Nothing is simulated or judged here; that is the business of `session_trial` and `session_plan`.
"""

from __future__ import annotations

import datetime
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from typing import Final

from ebbset.coaching.candidates import Wishes, candidates
from ebbset.coaching.sessions.next_load import strength_today, with_start
from ebbset.coaching.sessions.remaining import shortest_rest_s
from ebbset.coaching.sessions.session_events import DayStrength
from ebbset.coaching.sessions.session_file import SessionExercise, SessionFile, Wish, within_limits
from ebbset.coaching.sessions.session_steps import SessionStep
from ebbset.models.contract import formatting
from ebbset.models.contract.constants import Z_INTERVAL
from ebbset.models.contract.prescription import Bout, Prescription
from ebbset.models.contract.profile import LifterProfile
from ebbset.models.contract.units import LoadUnit
from ebbset.simulators.load_scaling import started_at
from ebbset.simulators.plant.rig_parameters import RigParameters

STRAIGHT_SET_S: Final = 120.0
"""Time limit of a straight set; common practice, no source."""
_SHARE_OF_MINUTES: Final = (1.5, 60.0)
DROPS: Final = "drops"
"""Key of the form that is one set that keeps dropping."""


@dataclass(frozen=True, slots=True)
class ExerciseOption:
    """One way to do one exercise.

    Attributes:
        exercise: its number in the session file, from 0.
        key: short name of the form.
        title: description that a coach would use; without commas, since it stands in lists.
        steps: its sets, in order; numbered from 1, the first one rested for a change of exercise. Empty: left out.
        wished: it is one of the ways that the wish allows; others are only run to be compared with.
    """

    exercise: int
    key: str
    title: str
    steps: tuple[SessionStep, ...]
    wished: bool = True


def with_last_session(
    profile: LifterProfile, last: DayStrength | None, today: datetime.date
) -> tuple[LifterProfile, str]:
    """The profile with the 1RM that the last sessions taught, where they exclude that of the profile, and a sentence.

    Args:
        profile: of the lifter on this exercise.
        last: newest 1RM of a day that earlier sessions left; None for none.
        today: the day of the session.
    """
    if last is None or profile.one_rm_n is None or last.date <= profile.date:
        return profile, ""
    found = strength_today(last, today)
    if abs(found.mean - profile.one_rm_n.mean) <= Z_INTERVAL * found.sd:
        return profile, ""
    newer = profile.model_copy(update={"one_rm_n": found, "date": last.date})
    kept = f"{formatting.load(profile.one_rm_n.mean, 'kg')}"
    return newer, (
        f"{profile.exercise}: the sets of {last.date} showed a 1RM of {formatting.load(found.mean, 'kg')}, and not the "
        f"{kept} of the profile of {profile.date}, so loads are planned from it."
    )


def options(
    session: SessionFile,
    number: int,
    profile: LifterProfile,
    rig: RigParameters,
    *,
    prescription: Prescription | None = None,
) -> list[ExerciseOption]:
    """Every way in which one exercise may be done, as its wish and its leave allow.

    Of an exercise with a wish there are also straight sets and sets that keep dropping that nobody wished for, so that
    it can be said what they would do.

    Args:
        session: what a coach wrote.
        number: of the exercise, from 0.
        profile: of the lifter on it.
        rig: the rig.
        prescription: the prescription that the exercise names; None for one with a wish.

    Raises:
        ValueError: no 1RM in the profile, or loads, bounds and limits that do not fit together.
    """
    asked = session.exercises[number]
    forms = _Forms(session, asked, profile, rig, prescription)
    found = list(forms.ways(number, asked.wish or "straight"))
    if asked.wish is not None:
        keys = {option.key for option in found}
        found += [replace(one, wished=False) for one in forms.ways(number, "worth") if one.key not in keys]
    if asked.may_leave_out:
        found.append(ExerciseOption(number, "none", f"no {forms.name}", ()))
    return found


class _Forms:
    """Makes the options of one exercise."""

    def __init__(
        self,
        session: SessionFile,
        asked: SessionExercise,
        profile: LifterProfile,
        rig: RigParameters,
        fixed: Prescription | None,
    ) -> None:
        self.asked, self.profile = asked, profile
        self.name = asked.exercise.replace("_", " ")
        self.straight = self.pauses = self.drops = fixed
        if fixed is not None:
            self.straight = self._bounded(fixed, with_start(fixed, self._start_n(fixed)))
            return
        share = min(max(session.minutes / len(session.exercises), _SHARE_OF_MINUTES[0]), _SHARE_OF_MINUTES[1])
        made = {
            one.key: self._own(one.prescription)
            for one in candidates(profile, Wishes(minutes=share), rig, units=session.units)
        }
        self.pauses, self.drops = made["rest-pause"], made["auto"]
        stop = self.pauses.stop.model_copy(
            update={"max_duration_s": min(STRAIGHT_SET_S, asked.limits.max_duration_s or STRAIGHT_SET_S)}
        )
        self.straight = self.pauses.model_copy(
            update={"name": "Straight set", "bouts": (Bout(on_stall="end"),), "stop": stop}
        )

    def ways(self, number: int, wish: Wish) -> Iterator[ExerciseOption]:
        """Every form that a wish allows.

        Args:
            number: of the exercise.
            wish: its own or another one.
        """
        asked = self.asked
        counts = range(1, asked.sets + 1) if asked.may_shorten else range(asked.sets, asked.sets + 1)
        may_hurry = shortest_rest_s(self._step(1, self.straight, "", asked.rest_s)) < asked.rest_s
        if wish in ("straight", "worth"):
            for count in counts:
                yield self._way(number, "straight", [self.straight] * count, False)
                if count > 1 and may_hurry:
                    yield self._way(number, "straight", [self.straight] * count, True)
        if wish in ("rest_pause", "worth"):
            yield self._way(number, "rest-pause", [self.pauses], False)
        if wish in ("drops", "worth"):
            yield self._way(number, DROPS, [self.drops], False)
            for count in counts:
                if count > 1:
                    yield self._way(number, "finisher", [self.straight] * (count - 1) + [self.drops], False)

    def _way(self, number: int, form: str, sets: Sequence[Prescription | None], short: bool) -> ExerciseOption:
        count = len(sets)
        rest_s = self.asked.rest_s
        if short:
            rest_s = shortest_rest_s(self._step(1, sets[0], "", rest_s))
        steps = tuple(
            self._step(k + 1, one, _set_title(self.name, one, k, count), rest_s if k else self.asked.change_s)
            for k, one in enumerate(sets)
        )
        rests = f" with {rest_s:.0f} s rest" if count > 1 else ""
        what = {
            "straight": "1 set" if count == 1 else f"{count} sets",
            "rest-pause": "a rest-pause set",
            DROPS: "a set that keeps dropping",
            "finisher": f"{formatting.plural(count - 1, 'set')} and a last one that keeps dropping",
        }[form]
        key = form if count == 1 else f"{form}-{count}{'-short' if short else ''}"
        return ExerciseOption(number, key, f"{self.name}: {what}{rests}", steps)

    def _step(self, number: int, order: Prescription | None, title: str, rest_s: float) -> SessionStep:
        asked = self.asked
        return SessionStep.model_validate(
            {
                "step": number,
                "exercise": asked.exercise,
                "rig": asked.rig,
                "title": title or self.name,
                "rest_before_s": rest_s,
                "may_shorten": asked.may_shorten,
                "may_leave_out": asked.may_leave_out or (asked.may_shorten and number > 1),
                "start_low_n": asked.start_low,
                "start_high_n": asked.start_high,
                "prescription": order,
                "profile": self.profile,
            }
        )

    def _start_n(self, order: Prescription) -> float:
        """The planned start load, within the coach's bounds."""
        low_n, high_n = self.asked.start_low or 0.0, self.asked.start_high or order.load.start_n
        return min(max(order.load.start_n, low_n), max(high_n, low_n))

    def _own(self, order: Prescription) -> Prescription:
        """A prescription of a candidate, whose loads move together, within bounds and limits."""
        return self._bounded(order, started_at(order, self._start_n(order)))

    def _bounded(self, order: Prescription, moved: Prescription) -> Prescription:
        made = within_limits(moved, self.asked.limits)
        high_n = self.asked.start_high
        if high_n is not None and made.load.floor_n > high_n:
            unit: LoadUnit = order.units
            raise ValueError(
                f"start_high is {formatting.load(high_n, unit)}; allowed: at least the floor load, "
                f"{formatting.load(made.load.floor_n, unit)}"
            )
        return made


def _set_title(name: str, order: Prescription | None, k: int, count: int) -> str:
    what = "set" if order is None else order.name
    return f"{name}, {what[0].lower()}{what[1:]}" + (f" ({k + 1} of {count})" if count > 1 else "")


def dropping_first(option: ExerciseOption) -> ExerciseOption:
    """The same sets with the one that keeps dropping done first, to see what that costs.

    Args:
        option: one whose last set keeps dropping, of two sets or more.
    """
    last, *others = option.steps[-1:] + option.steps[:-1]
    steps = tuple(
        one.model_copy(update={"step": k + 1, "rest_before_s": option.steps[k].rest_before_s})
        for k, one in enumerate((last, *others))
    )
    return ExerciseOption(
        option.exercise, f"{option.key}-first", option.title.replace("a last one", "a first one"), steps
    )
