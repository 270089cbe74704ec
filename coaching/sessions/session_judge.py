"""What a whole session is worth, over all twins and draws, from the outcomes of its sets: relative and estimated."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from ebbset.coaching.sessions.session_options import ExerciseOption
from ebbset.coaching.sessions.session_steps import SessionStep
from ebbset.coaching.sessions.session_trial import SetOutcome
from ebbset.coaching.worth import Range
from ebbset.models.physiology.stimulus import Draws, FloatArray, moved_by, worth
from ebbset.models.physiology.weekly_dose import bounded

Outcomes = Sequence[Sequence[SetOutcome]]
"""For each twin, the outcome of each set of a session."""


@dataclass(frozen=True, slots=True)
class JudgedSession:
    """One way to do a session, over all twins and draws.

    Attributes:
        ways: one for each exercise, in the order in which they are done.
        steps: its sets, in order.
        minutes: duration, rests and changes included; range over the twins.
        fatigue_left: greatest loss of capacity of any exercise at its end, 0 to 1; range over the twins.
        repetitions: completed repetitions, range over the twins.
        net: stimulus, bounded by the published weekly dose; range over twins and draws.
        net_pairs: the same for every pair, shape (twins, draws).
        by_exercise: exercise -> its part of it for every pair, shape (twins, draws).
        unbounded: stimulus without that bound.
        expected_s: how long each set takes, median over the twins, s.
        obstacles: sentences that say why it does not fit; empty when it does.
        breaches: broken invariants in all its runs; 0 if the system is sound.
        outcomes: for each twin, the outcome of each set.
    """

    ways: tuple[ExerciseOption, ...]
    steps: tuple[SessionStep, ...]
    minutes: Range
    fatigue_left: Range
    repetitions: Range
    net: Range
    net_pairs: FloatArray
    by_exercise: Mapping[str, FloatArray]
    unbounded: Range
    expected_s: tuple[float, ...]
    obstacles: tuple[str, ...]
    breaches: int
    outcomes: Outcomes

    @property
    def title(self) -> str:
        """Its exercises and forms in order, without commas."""
        return " then ".join(way.title for way in self.ways if way.steps) or "nothing"

    def mean_net(self, *exercises: str) -> float:
        """What some of its exercises do together, averaged over twins and draws.

        Args:
            *exercises: which.
        """
        return float(sum(np.mean(self.by_exercise[exercise]) for exercise in exercises))


@dataclass(frozen=True, slots=True)
class Measure:
    """By what sessions are judged.

    Attributes:
        minutes: time available.
        times_a_week: how often a session like this is done in a week.
        first_sets: exercise -> outcome of one straight set begun fresh, for each twin.
        draws: draws of the assumptions.
    """

    minutes: float
    times_a_week: float
    first_sets: Mapping[str, Sequence[SetOutcome]]
    draws: Draws

    def stimulus(self, outcomes: Outcomes, exercise: str, draws: Draws) -> FloatArray:
        """Stimulus of one exercise of a session for every pair, shape (twins, draws).

        Args:
            outcomes: of each set, for each twin.
            exercise: which.
            draws: draws of the assumptions.
        """
        return np.stack(
            [
                np.sum([worth(draws, one.done).sum(axis=1) for one in of if one.exercise == exercise], axis=0)
                + np.zeros(draws.size)
                for of in outcomes
            ]
        )

    def net(self, outcomes: Outcomes, exercise: str, draws: Draws) -> FloatArray:
        """The same with what more sets can add bounded by the published weekly dose, shape (twins, draws).

        Args:
            outcomes: of each set, for each twin.
            exercise: which.
            draws: draws of the assumptions.
        """
        first = np.stack([worth(draws, one.done).sum(axis=1) for one in self.first_sets[exercise]])
        return bounded(self.stimulus(outcomes, exercise, draws), first, self.times_a_week)


def judged_session(
    ways: tuple[ExerciseOption, ...], steps: tuple[SessionStep, ...], outcomes: Outcomes, measure: Measure
) -> JudgedSession:
    """Judge one way to do a session by its outcomes.

    Args:
        ways: one for each exercise.
        steps: its sets, in order; one at least.
        outcomes: of each set, for each twin.
        measure: by what it is judged.
    """
    exercises = tuple(measure.first_sets)
    nets = {exercise: measure.net(outcomes, exercise, measure.draws) for exercise in exercises}
    whole = np.sum([measure.stimulus(outcomes, exercise, measure.draws) for exercise in exercises], axis=0)
    pairs = np.asarray(np.sum(list(nets.values()), axis=0), dtype=np.float64)
    minutes = Range.over(np.array([sum(one.rest_s + one.duration_s for one in of) / 60.0 for of in outcomes]))
    lasts = [{one.exercise: one.fatigue_left for one in of} for of in outcomes]
    return JudgedSession(
        ways=ways,
        steps=steps,
        minutes=minutes,
        fatigue_left=Range.over(np.array([max(last.values()) for last in lasts])),
        repetitions=Range.over(np.array([sum(one.repetitions for one in of) for of in outcomes], dtype=np.float64)),
        net=Range.over(pairs.ravel()),
        net_pairs=pairs,
        by_exercise=nets,
        unbounded=Range.over(whole.ravel()),
        expected_s=tuple(float(np.median([of[k].duration_s for of in outcomes])) for k in range(len(steps))),
        obstacles=tuple(_obstacles(minutes, measure.minutes)),
        breaches=sum(one.breaches for of in outcomes for one in of),
        outcomes=outcomes,
    )


def _obstacles(minutes: Range, available: float) -> Iterator[str]:
    if minutes.middle > available:
        yield f"takes {minutes.middle:.1f} min; {available:g} are available"


def doubt_between(one: JudgedSession, other: JudgedSession, measure: Measure) -> tuple[float, dict[str, float]]:
    """What the doubt which of two sessions does more comes from.

    Args:
        one: a session.
        other: another one, on the same twins under the same draws.
        measure: by what both were judged.

    Returns:
        The share of the variance of their difference that the choice of the twin explains, and for each assumption its
        share of the rest, for the middle twin, largest first.
    """
    apart = one.net_pairs - other.net_pairs
    total = float(np.var(apart))
    twins = float(np.var(np.mean(apart, axis=1))) / total if total > 1e-15 else 0.0
    middle = int(np.argsort(np.mean(apart, axis=1))[apart.shape[0] // 2])
    held = Measure(
        measure.minutes,
        measure.times_a_week,
        {exercise: (of[middle],) for exercise, of in measure.first_sets.items()},
        measure.draws,
    )

    def difference(draws: Draws) -> FloatArray:
        return np.asarray(
            np.sum(
                [
                    held.net([one.outcomes[middle]], exercise, draws)[0]
                    - held.net([other.outcomes[middle]], exercise, draws)[0]
                    for exercise in held.first_sets
                ],
                axis=0,
            ),
            dtype=np.float64,
        )

    return twins, moved_by(measure.draws, difference)
