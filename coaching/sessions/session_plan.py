"""A plan for a whole session: every exercise's forms, orders and minutes, weighed on simulated twins of the lifter.

All of it together is far too much to simulate, so it goes in three rounds. First each form of each exercise is run by
itself on a few twins, which says about what it does and how long it takes. The combinations that promise most and fit
into the minutes are then run whole on a few twins, with the fatigue that one exercise leaves in the next. Those that
this does not rule out are run on all twins and compared by the rule of `coaching.plan`. Where a set that keeps dropping
belongs is looked at in `session_drops`. The figures are simulated, relative and estimated.
"""

from __future__ import annotations

import itertools
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from ebbset.coaching.plan import Plan, recommend, rules_out
from ebbset.coaching.sessions.session_drops import DropsAlone, DropsCompared, Ways, drops_compared, drops_to_try
from ebbset.coaching.sessions.session_file import SessionFile
from ebbset.coaching.sessions.session_judge import JudgedSession, Measure, judged_session
from ebbset.coaching.sessions.session_options import DROPS, ExerciseOption
from ebbset.coaching.sessions.session_steps import SessionPlanFile, SessionStep
from ebbset.coaching.sessions.session_trial import Route, SessionTrial, SetOutcome, run_routes
from ebbset.models.contract import formatting
from ebbset.models.physiology.exercise_muscles import overlap
from ebbset.models.physiology.stimulus import Draws, worth
from ebbset.models.physiology.weekly_dose import bounded
from ebbset.simulators.closed_loop.parallel import Mapper
from ebbset.simulators.lifter.lifter import LifterParameters
from ebbset.simulators.plant.rig_parameters import RigParameters

SCREENED_ON: Final = 3
"""Twins of the first round; it only chooses what the second one runs."""
COMBINATIONS: Final = 4
"""Combinations that are run whole, beside those that answer where a dropping set belongs."""
REORDERED: Final = 2
"""Of so many of them, the order that the overlap table prefers is run as well, where the order is free."""
RACED_ON: Final = 3
"""Twins of the second round; what it clearly rules out is not run on the others."""
KEPT: Final = 3
"""Combinations at most that are run on all twins."""
DROPS_ON: Final = 6
"""Twins on which a dropping set is tried at other places; it says what they cost, and chooses nothing."""
MARGIN: Final = 1.03
"""A combination may be this much too long by the first rounds, which run on few twins."""


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

    def trials(self, routes: Sequence[Route], numbers: range) -> list[SessionTrial]:
        """One trial of all the routes for each twin.

        Args:
            routes: the sessions.
            numbers: of the twins.
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
            for k in numbers
        ]


@dataclass(frozen=True, slots=True)
class PlannedSession:
    """A plan and what was found on the way to it.

    Attributes:
        plan: the sessions compared, and the recommendation.
        drops: where a set that keeps dropping was tried.
        drops_on: number of twins that it was tried on.
        alone: a set that keeps dropping by itself, against straight sets; on the twins of the first round.
        measure: by what the sessions were judged.
    """

    plan: Plan[JudgedSession]
    drops: tuple[DropsCompared, ...]
    drops_on: int
    alone: tuple[DropsAlone, ...]
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

    def ran(routes: Sequence[Route], numbers: range) -> list[list[tuple[SetOutcome, ...]]]:
        return list(mapper(run_routes, twins.trials(routes, numbers)))

    wished = [[option for option in of if option.wished] for of in found]
    flat = [option for of in wished for option in of if option.steps]
    first = ran([option.steps for option in flat], range(min(SCREENED_ON, twins.count)))
    screened, alone = _screened(session, wished, flat, first, draws)
    ways = _promising(session, screened)
    tried = tuple(drops_to_try(ways[0], found))
    every = [*ways, *(one.ways for one in tried)]
    singles = {of[0].steps[0].exercise: _one_fresh_set(of) for of in wished}
    race = _Race(session, every, singles, draws, ran)
    raced_on, drops_on = min(RACED_ON, twins.count), min(DROPS_ON, twins.count)
    race.run(range(len(every)), raced_on)
    # A set that drops first, or that nobody wished for, is run to see what it costs; it is never a candidate.
    allowed = [
        k
        for k, one in enumerate(every)
        if one not in every[:k]
        and all(way.wished for way in one)
        and (k < len(ways) or tried[k - len(ways)].place != "first")
    ]
    kept = _kept({k: race.judged(k, raced_on) for k in allowed}, session.minutes)
    of_drops = range(len(ways), len(every))
    race.run({*kept, *of_drops}, drops_on)
    race.run(kept, twins.count)
    if all(race.judged(k, twins.count).obstacles for k in kept):
        # What was ruled out may fit all the same.
        kept = allowed
        race.run(kept, twins.count)
    aside = [_set_aside(race.judged(k, raced_on), raced_on) for k in allowed if k not in kept]
    plan = recommend([*(race.judged(k, twins.count) for k in kept), *aside], twins.count)
    compared = tuple(drops_compared(tried, [race.judged(k, drops_on) for k in of_drops]))
    return PlannedSession(plan, compared, drops_on, alone, race.measure(twins.count))


class _Race:
    """Sessions run on more and more twins, each on every twin at most once.

    Args:
        session: what a coach wrote.
        every: the sessions.
        singles: exercise -> one straight set of it, by which stimulus is bounded; run on every twin.
        draws: draws of the assumptions.
        ran: runs routes on twins.
    """

    def __init__(
        self,
        session: SessionFile,
        every: Sequence[Ways],
        singles: Mapping[str, SessionStep],
        draws: Draws,
        ran: Callable[[Sequence[Route], range], list[list[tuple[SetOutcome, ...]]]],
    ) -> None:
        self._session, self._every, self._singles, self._draws, self._ran = session, every, singles, draws, ran
        self._routes = [_steps(one) for one in every]
        self._outcomes: list[list[tuple[SetOutcome, ...]]] = [[] for _ in every]
        self._firsts: dict[str, list[SetOutcome]] = {exercise: [] for exercise in singles}

    def run(self, which: Iterable[int], count: int) -> None:
        """Run sessions on the first so many twins, where they were not yet."""
        wanted = [k for k in sorted(which) if len(self._outcomes[k]) < count]
        for begun in sorted({len(self._outcomes[k]) for k in wanted}):
            now = [k for k in wanted if len(self._outcomes[k]) == begun]
            behind = [exercise for exercise, of in self._firsts.items() if len(of) == begun]
            routes = [*(self._routes[k] for k in now), *((self._singles[exercise],) for exercise in behind)]
            for of in self._ran(routes, range(begun, count)):
                for k, outcome in zip(now, of, strict=False):
                    self._outcomes[k].append(outcome)
                for exercise, outcome in zip(behind, of[len(now) :], strict=True):
                    self._firsts[exercise].append(outcome[0])

    def measure(self, count: int) -> Measure:
        """By what sessions are judged, on the first so many twins."""
        firsts = {exercise: of[:count] for exercise, of in self._firsts.items()}
        return Measure(self._session.minutes, self._session.times_a_week, firsts, self._draws)

    def judged(self, number: int, count: int) -> JudgedSession:
        """One session by its outcomes on the first so many twins."""
        outcomes = self._outcomes[number][:count]
        return judged_session(self._every[number], self._routes[number], outcomes, self.measure(count))


def _kept(judged: Mapping[int, JudgedSession], minutes: float) -> list[int]:
    """Those that few twins do not rule out, best first: too long, or less than the best."""
    near = [k for k, one in judged.items() if one.minutes.middle <= MARGIN * minutes]
    if not near:
        return [min(judged, key=lambda k: judged[k].minutes.middle)]
    near.sort(key=lambda k: -float(np.mean(judged[k].net_pairs)))
    # The best that fits for sure rules out; one that may turn out too long does not.
    best = next((k for k in near if not judged[k].obstacles), near[0])
    others = [k for k in near if k != best and not rules_out(judged[best], judged[k])]
    return [best, *others][:KEPT]


def _set_aside(one: JudgedSession, twins: int) -> JudgedSession:
    """One that was not run on all twins, which says so."""
    why = f"set aside after {formatting.plural(twins, 'twin')}: others do more"
    return one if one.obstacles else replace(one, obstacles=(why,))


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
) -> tuple[list[list[_Screened]], tuple[DropsAlone, ...]]:
    """What the first round says of each option, and of dropping sets alone."""
    stimuli = {
        id(option): np.stack([sum(worth(draws, one.done).sum(axis=1) for one in of[k]) for of in results])
        for k, option in enumerate(flat)
    }
    minutes = {
        id(option): float(np.median([sum(one.rest_s + one.duration_s for one in of[k]) for of in results])) / 60.0
        for k, option in enumerate(flat)
    }
    screened = []
    alone = []
    for number, of in enumerate(found):
        single = _one_fresh_set(of)
        k = next(
            k for k, o in enumerate(flat) if o.exercise == number and o.steps[0].prescription == single.prescription
        )
        first = np.stack([worth(draws, result[k][0].done).sum(axis=1) for result in results])
        values = {id(o): bounded(stimuli[id(o)], first, session.times_a_week) for o in of if o.steps}
        mine = []
        for option in of:
            if not option.steps:
                mine.append(_Screened(option, 0.0, 0.0))
                continue
            change = option.steps[0].rest_before_s / 60.0
            mine.append(_Screened(option, float(np.mean(values[id(option)])), minutes[id(option)] + change))
        screened.append(mine)
        dropping = next((o for o in of if o.key == DROPS), None)
        straight = max((o for o in of if o.key.startswith("straight")), key=lambda o: len(o.steps), default=None)
        if dropping is not None and straight is not None:
            both = (id(dropping), id(straight))
            alone.append(
                DropsAlone.of(
                    dropping,
                    straight,
                    minutes=(minutes[both[0]], minutes[both[1]]),
                    worth=(values[both[0]], values[both[1]]),
                )
            )
    return screened, tuple(alone)


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
