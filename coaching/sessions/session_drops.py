"""Where a set that keeps dropping belongs in a session, and where it does not, from sessions with and without it.

Looked at in the combination that promises most: with a straight set, with a last set that keeps dropping, and with a
first one, on the same twins under the same assumptions. And by itself, against straight sets that take longer.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np

from ebbset.coaching.sessions.session_judge import JudgedSession
from ebbset.coaching.sessions.session_options import DROPS, ExerciseOption, dropping_first
from ebbset.models.physiology.exercise_muscles import overlap
from ebbset.models.physiology.stimulus import FloatArray

Ways = tuple[ExerciseOption, ...]
Place = Literal["straight", "last", "first", "only"]
_COMPARED_WITH: Mapping[Place, Place] = {"last": "straight", "only": "straight", "first": "last"}


@dataclass(frozen=True, slots=True)
class DropsTried:
    """A session that is run to see what a set that keeps dropping does to it.

    Attributes:
        exercise: which exercise drops.
        place: "last" or "first" of its sets, or "only" for an exercise of one set; "straight": none of them drops.
        ways: the session.
    """

    exercise: str
    place: Place
    ways: Ways


@dataclass(frozen=True, slots=True)
class DropsCompared:
    """A session with a set of one exercise that keeps dropping, against the same with a straight one there.

    A dropping set that is the first is held against the same set done last.

    Attributes:
        exercise: which.
        place: "last" or "first" of its sets, or "only" for an exercise of one set.
        followed: whether another exercise that shares muscles comes after it.
        ahead: share of the pairs of twin and draw in which it does more for the session than what it is held against.
        gain: what it adds to the session on average, as a share of it.
        others: what it adds to the other exercises on average, as a share of what they do.
        minutes: what it adds to the session's minutes, median over the twins.
    """

    exercise: str
    place: Place
    followed: bool
    ahead: float
    gain: float
    others: float
    minutes: float


@dataclass(frozen=True, slots=True)
class DropsAlone:
    """One set that keeps dropping against all straight sets of the exercise, begun fresh.

    Attributes:
        exercise: which.
        minutes: of the dropping set, median over the twins.
        straight_minutes: of the straight sets, rests included.
        sets: how many straight sets.
        share: what the dropping set does, as a share of what the straight sets do; median over the pairs.
        ahead: share of the pairs of twin and draw in which it does more than they do.
    """

    exercise: str
    minutes: float
    straight_minutes: float
    sets: int
    share: float
    ahead: float

    @classmethod
    def of(
        cls,
        dropping: ExerciseOption,
        straight: ExerciseOption,
        *,
        minutes: tuple[float, float],
        worth: tuple[FloatArray, FloatArray],
    ) -> DropsAlone:
        """Compare them.

        Args:
            dropping: the form that is one set that keeps dropping.
            straight: straight sets.
            minutes: of both.
            worth: stimulus of both, bounded by the weekly dose, shape (twins, draws).
        """
        mine, theirs = worth
        return cls(
            exercise=dropping.steps[0].exercise,
            minutes=minutes[0],
            straight_minutes=minutes[1],
            sets=len(straight.steps),
            share=float(np.median(mine / np.maximum(theirs, 1e-9))),
            ahead=float(np.mean(mine > theirs)),
        )


def drops_to_try(ways: Ways, found: Sequence[Sequence[ExerciseOption]]) -> Iterator[DropsTried]:
    """A session with one set made a dropping one, and with a straight one there.

    Tried for one exercise whose muscles are needed again later, and for the last one.

    Args:
        ways: the session that promises most.
        found: the options of each exercise.
    """
    done = [k for k, way in enumerate(ways) if way.steps and not way.key.startswith("rest-pause")]
    needed = [k for k in done if _is_followed(ways, k)] or done
    for k in dict.fromkeys((*needed[:1], *done[-1:])):
        way, count = ways[k], len(ways[k].steps)
        of = found[way.exercise]
        dropping = _like(of, DROPS if count == 1 else f"finisher-{count}")
        straight = _like(of, "straight" if count == 1 else f"straight-{count}")
        if dropping is None or straight is None:
            continue
        places: dict[Place, ExerciseOption] = {"straight": straight, "only" if count == 1 else "last": dropping}
        if count > 1:
            places["first"] = dropping_first(dropping)
        for place, other in places.items():
            yield DropsTried(way.steps[0].exercise, place, (*ways[:k], other, *ways[k + 1 :]))


def drops_compared(tried: Sequence[DropsTried], judged: Sequence[JudgedSession]) -> Iterator[DropsCompared]:
    """What a set that keeps dropping does to the session, for each place that was tried.

    Args:
        tried: from `drops_to_try`.
        judged: each of them, on the same twins under the same draws.
    """
    of = {(one.exercise, one.place): session for one, session in zip(tried, judged, strict=True)}
    for (exercise, place), dropping in of.items():
        if place == "straight":
            continue
        other = of[exercise, _COMPARED_WITH[place]]
        names = [way.steps[0].exercise for way in dropping.ways if way.steps]
        place_of = next(k for k, way in enumerate(dropping.ways) if way.steps and way.steps[0].exercise == exercise)
        yield DropsCompared(
            exercise=exercise,
            place=place,
            followed=_is_followed(dropping.ways, place_of),
            ahead=float(np.mean(dropping.net_pairs > other.net_pairs)),
            gain=_more(dropping.mean_net(*names), other.mean_net(*names)),
            others=_more(*(one.mean_net(*(n for n in names if n != exercise)) for one in (dropping, other))),
            minutes=dropping.minutes.middle - other.minutes.middle,
        )


def _is_followed(ways: Ways, place: int) -> bool:
    """Whether an exercise that comes later needs muscles of the one at this place."""
    exercise = ways[place].steps[0].exercise
    return any((overlap(exercise, way.steps[0].exercise) or 0.0) > 0.0 for way in ways[place + 1 :] if way.steps)


def _like(of: Sequence[ExerciseOption], key: str) -> ExerciseOption | None:
    return next((option for option in of if option.key == key), None)


def _more(one: float, other: float) -> float:
    """By what share one figure is more than another; 0 where there is nothing."""
    return one / other - 1.0 if other > 1e-9 else 0.0
