"""A plan for a whole session: every exercise's forms, orders and minutes, weighed on simulated twins of the lifter.

All of it together is far too much to simulate, so it goes in two rounds. First each form of each exercise is run by
itself on a few twins, which says about what it does and how long it takes. The combinations that promise most and fit
into the minutes are then run whole on all twins, with the fatigue that one exercise leaves in the next, and compared by
the rule of `coaching.plan`. Where a set that keeps dropping belongs is looked at by running the best one with and
without it. The figures are simulated, relative and estimated.
"""

from __future__ import annotations

import itertools
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from ebbset.coaching.plan import Plan, recommend
from ebbset.coaching.sessions.session_file import SessionFile
from ebbset.coaching.sessions.session_judge import JudgedSession, Measure, judged_session
from ebbset.coaching.sessions.session_options import DROPS, ExerciseOption, dropping_first
from ebbset.coaching.sessions.session_steps import SessionPlanFile, SessionStep
from ebbset.coaching.sessions.session_trial import Route, SessionTrial, SetOutcome, run_routes
from ebbset.coaching.sessions.weekly_dose import bounded
from ebbset.models.physiology.exercise_muscles import overlap
from ebbset.models.physiology.stimulus import Draws, worth
from ebbset.simulators.closed_loop.parallel import Mapper
from ebbset.simulators.lifter.lifter import LifterParameters
from ebbset.simulators.plant.rig_parameters import RigParameters

SCREENED_ON: Final = 3
"""Twins of the first round; it only chooses what the second one runs."""
COMBINATIONS: Final = 4
"""Combinations that are run whole, beside those that answer where a dropping set belongs."""
REORDERED: Final = 2
"""Of so many of them, the order that the overlap table prefers is run as well, where the order is free."""
MARGIN: Final = 1.03
"""A combination may be this much too long by the first round, which simulates each exercise begun fresh."""
Ways = tuple[ExerciseOption, ...]


@dataclass(frozen=True, slots=True)
class SessionTwins:
    """The twins of a plan.

    Attributes:
        bodies: exercise -> body of each twin on it; as many for each, twin by twin the same person's.
        rig: the rig.
        seed: of all runs.
        began_s: when the session begins, UTC seconds.
    """

    bodies: Mapping[str, Sequence[LifterParameters]]
    rig: RigParameters
    seed: int
    began_s: float

    @property
    def count(self) -> int:
        """How many twins there are of every exercise."""
        return min(len(of) for of in self.bodies.values())

    def trials(self, routes: Sequence[Route], twins: int) -> list[SessionTrial]:
        """One trial of all the routes for each twin.

        Args:
            routes: the sessions.
            twins: for the first so many twins.
        """
        return [
            SessionTrial(
                tuple(routes),
                tuple((exercise, of[k]) for exercise, of in self.bodies.items()),
                self.rig,
                self.seed,
                k,
                self.began_s,
            )
            for k in range(twins)
        ]


@dataclass(frozen=True, slots=True)
class DropsCompared:
    """The best session with a set of one exercise that keeps dropping, against the same with a straight one there.

    Attributes:
        exercise: which.
        place: "last" or "first" of its sets, or "only" for an exercise of one set.
        followed: whether another exercise that shares muscles comes after it.
        ahead: share of the pairs of twin and draw in which the dropping set does more for the session.
        gain: what it adds to the session on average, as a share of it.
        others: what it adds to the other exercises on average, as a share of what they do.
        minutes: what it adds to the session's minutes, median over the twins.
    """

    exercise: str
    place: str
    followed: bool
    ahead: float
    gain: float
    others: float
    minutes: float


@dataclass(frozen=True, slots=True)
class PlannedSession:
    """A plan and what was found on the way to it.

    Attributes:
        plan: the sessions compared, and the recommendation.
        drops: where a set that keeps dropping was tried.
        alone: exercise -> (minutes of a dropping set alone, minutes of straight sets, how many sets, share of their
            stimulus that the dropping set does); medians over the twins of the first round.
        measure: by what the sessions were judged.
    """

    plan: Plan[JudgedSession]
    drops: tuple[DropsCompared, ...]
    alone: Mapping[str, tuple[float, float, int, float]]
    measure: Measure


@dataclass(frozen=True, slots=True)
class _Screened:
    """An option as the first round saw it."""

    option: ExerciseOption
    value: float
    minutes: float


def plan_session(
    session: SessionFile,
    found: Sequence[Sequence[ExerciseOption]],
    twins: SessionTwins,
    draws: Draws,
    *,
    mapper: Mapper = map,
) -> PlannedSession:
    """Weigh the whole session.

    Args:
        session: what a coach wrote.
        found: the options of each exercise, in the order of the file.
        twins: simulated twins of the lifter.
        draws: draws of the assumptions.
        mapper: `map`, or a parallel version that keeps the order.

    Raises:
        ValueError: an exercise without options, or no twins.
    """
    if not all(found) or twins.count < 1:
        raise ValueError(f"twins are {twins.count}; allowed: one or more, and a form for every exercise")

    def ran(routes: Sequence[Route], count: int) -> list[list[tuple[SetOutcome, ...]]]:
        return list(mapper(run_routes, twins.trials(routes, count)))

    wished = [[option for option in of if option.wished] for of in found]
    flat = [option for of in wished for option in of if option.steps]
    screened_on = min(SCREENED_ON, twins.count)
    first = ran([option.steps for option in flat], screened_on)
    screened, alone = _screened(session, wished, flat, first, draws)
    ways = _promising(session, screened)
    tried = _with_drops(ways[0], found)
    singles = [_one_fresh_set(of) for of in wished]
    routes = [_steps(one) for one in ways] + [_steps(one) for _, _, one in tried] + [(step,) for step in singles]
    second = ran(routes, twins.count)
    measure = Measure(
        session.minutes,
        session.times_a_week,
        {step.exercise: [of[len(routes) - len(singles) + k][0] for of in second] for k, step in enumerate(singles)},
        draws,
    )
    every = [*ways, *(one for _, _, one in tried)]
    judged = [judged_session(one, routes[k], [of[k] for of in second], measure) for k, one in enumerate(every)]
    # A set that drops first, or that nobody wished for, is run to see what it costs; it is never a candidate.
    allowed = [
        k
        for k, one in enumerate(every)
        if all(way.wished for way in one) and (k < len(ways) or tried[k - len(ways)][1] != "first")
    ]
    plan = recommend([judged[k] for k in allowed if every[k] not in every[:k]], twins.count)
    compared = _drops_compared(judged, ways, tried)
    return PlannedSession(plan, compared, alone, measure)


def _steps(ways: Ways) -> Route:
    """The sets of a combination, numbered in order."""
    steps = [step for way in ways for step in way.steps]
    return tuple(
        step.model_copy(update={"step": k + 1, "rest_before_s": step.rest_before_s if k else 0.0})
        for k, step in enumerate(steps)
    )


def _one_fresh_set(of: Sequence[ExerciseOption]) -> SessionStep:
    """The first straight set of an exercise; the first set of whatever there is where no form has one."""
    with_steps = [option for option in of if option.steps]
    straight = [option for option in with_steps if option.key.startswith(("straight", "finisher"))]
    return (straight or with_steps)[0].steps[0].model_copy(update={"step": 1, "rest_before_s": 0.0})


def _screened(
    session: SessionFile,
    found: Sequence[Sequence[ExerciseOption]],
    flat: Sequence[ExerciseOption],
    results: Sequence[Sequence[tuple[SetOutcome, ...]]],
    draws: Draws,
) -> tuple[list[list[_Screened]], dict[str, tuple[float, float, int, float]]]:
    """What the first round says of each option, and of dropping sets alone."""
    stimuli = {
        id(option): np.stack([sum(worth(draws, one.done).sum(axis=1) for one in of[k]) for of in results])
        for k, option in enumerate(flat)
    }
    minutes = {
        id(option): float(np.median([sum(one.rest_s + one.duration_s for one in of[k]) for of in results])) / 60.0
        for k, option in enumerate(flat)
    }
    firsts = {}
    for number, of in enumerate(found):
        single = _one_fresh_set(of)
        k, option = next(
            (k, o)
            for k, o in enumerate(flat)
            if o.exercise == number and o.steps[0].prescription == single.prescription
        )
        firsts[number] = np.stack([worth(draws, result[k][0].done).sum(axis=1) for result in results])
        del option
    screened = []
    alone: dict[str, tuple[float, float, int, float]] = {}
    for number, of in enumerate(found):
        mine = []
        for option in of:
            if not option.steps:
                mine.append(_Screened(option, 0.0, 0.0))
                continue
            value = float(np.mean(bounded(stimuli[id(option)], firsts[number], session.times_a_week)))
            change = option.steps[0].rest_before_s / 60.0
            mine.append(_Screened(option, value, minutes[id(option)] + change))
        screened.append(mine)
        dropping = next((o for o in of if o.key == DROPS), None)
        straight = max((o for o in of if o.key.startswith("straight")), key=lambda o: len(o.steps), default=None)
        if dropping is not None and straight is not None:
            share = float(np.median(stimuli[id(dropping)] / np.maximum(stimuli[id(straight)], 1e-9)))
            alone[dropping.steps[0].exercise] = (
                minutes[id(dropping)],
                minutes[id(straight)],
                len(straight.steps),
                share,
            )
    return screened, alone


def _promising(session: SessionFile, screened: Sequence[Sequence[_Screened]]) -> list[Ways]:
    """The combinations that promise most within the minutes, most promising first; the shortest if none fits."""
    ranked = []
    for combination in itertools.product(*screened):
        if not any(one.option.steps for one in combination):
            continue
        change_s = next(one.option.steps[0].rest_before_s for one in combination if one.option.steps)
        # No change of exercise comes before the first set.
        minutes = sum(one.minutes for one in combination) - change_s / 60.0
        ranked.append((minutes, -sum(one.value for one in combination), combination))
    fitting = sorted((one for one in ranked if one[0] <= MARGIN * session.minutes), key=lambda one: (one[1], one[0]))
    chosen = fitting[:COMBINATIONS] or [min(ranked, key=lambda one: one[0])]
    found: list[Ways] = []
    for place, (_, _, combination) in enumerate(chosen):
        ways = tuple(one.option for one in combination)
        found.append(ways)
        if session.any_order and place < REORDERED:
            found.append(_least_shared(ways))
    return [ways for k, ways in enumerate(found) if ways not in found[:k]]


def _least_shared(ways: Ways) -> Ways:
    """The order in which exercises take the least from one another, by the overlap table; sets and forms unchanged."""

    def taken(order: Ways) -> float:
        names = [way.steps[0].exercise for way in order if way.steps]
        return sum(overlap(a, b) or 0.0 for k, a in enumerate(names) for b in names[k + 1 :])

    return min(itertools.permutations(ways), key=taken)


def _with_drops(ways: Ways, found: Sequence[Sequence[ExerciseOption]]) -> list[tuple[str, str, Ways]]:
    """The best combination with one set made a dropping one, and with a straight one there: exercise, place, ways.

    Tried for one exercise whose muscles are needed again later, and for the last one.
    """
    done = [k for k, way in enumerate(ways) if way.steps and not way.key.startswith("rest-pause")]
    needed = [k for k in done if _is_followed(ways, k)] or done
    tried = []
    for k in dict.fromkeys((*needed[:1], *done[-1:])):
        way, count = ways[k], len(ways[k].steps)
        of = found[way.exercise]
        dropping = _like(of, DROPS if count == 1 else f"finisher-{count}")
        straight = _like(of, "straight" if count == 1 else f"straight-{count}")
        if dropping is None or straight is None:
            continue
        places = {"straight": straight, "only" if count == 1 else "last": dropping}
        if count > 1:
            places["first"] = dropping_first(dropping)
        tried += [(way.steps[0].exercise, place, (*ways[:k], other, *ways[k + 1 :])) for place, other in places.items()]
    return tried


def _is_followed(ways: Ways, place: int) -> bool:
    """Whether an exercise that comes later needs muscles of the one at this place."""
    exercise = ways[place].steps[0].exercise
    return any((overlap(exercise, way.steps[0].exercise) or 0.0) > 0.0 for way in ways[place + 1 :] if way.steps)


def _like(of: Sequence[ExerciseOption], key: str) -> ExerciseOption | None:
    return next((option for option in of if option.key == key), None)


def _drops_compared(
    judged: Sequence[JudgedSession], ways: Sequence[Ways], tried: Sequence[tuple[str, str, Ways]]
) -> tuple[DropsCompared, ...]:
    of = {(exercise, place): judged[len(ways) + k] for k, (exercise, place, _) in enumerate(tried)}
    found = []
    for (exercise, place), dropping in of.items():
        if place == "straight":
            continue
        straight = of[exercise, "straight"]
        names = [way.steps[0].exercise for way in dropping.ways if way.steps]
        place_of = next(k for k, way in enumerate(dropping.ways) if way.steps and way.steps[0].exercise == exercise)
        found.append(
            DropsCompared(
                exercise=exercise,
                place=place,
                followed=_is_followed(dropping.ways, place_of),
                ahead=float(np.mean(dropping.net_pairs > straight.net_pairs)),
                gain=_more(dropping.mean_net(*names), straight.mean_net(*names)),
                others=_more(*(one.mean_net(*(n for n in names if n != exercise)) for one in (dropping, straight))),
                minutes=dropping.minutes.middle - straight.minutes.middle,
            )
        )
    return tuple(found)


def _more(one: float, other: float) -> float:
    """By what share one figure is more than another; 0 where there is nothing."""
    return one / other - 1.0 if other > 1e-9 else 0.0


def planned_file(session: SessionFile, chosen: JudgedSession, why: Sequence[str]) -> SessionPlanFile:
    """The plan as it can be run.

    Args:
        session: what a coach wrote.
        chosen: which of the sessions.
        why: sentences that explain it.
    """
    steps = [
        step.model_copy(update={"expected_s": round(expected_s, 1)})
        for step, expected_s in zip(chosen.steps, chosen.expected_s, strict=True)
    ]
    return SessionPlanFile(
        name=session.name,
        lifter=session.lifter,
        minutes=session.minutes,
        units=session.units,
        why=tuple(why),
        steps=tuple(steps),
    )
