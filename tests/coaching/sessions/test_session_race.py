"""Which sessions are run on which twins, and what of it is told, with outcomes made up instead of simulated."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterable, Iterator
from dataclasses import replace
from functools import cache
from typing import Any

import numpy as np
import pytest

from ebbset.coaching.assumptions import report_draws
from ebbset.coaching.sessions.session_drops import DropsAlone
from ebbset.coaching.sessions.session_options import options
from ebbset.coaching.sessions.session_plan import (
    DROPS_ON,
    KEPT,
    RACED_ON,
    SCREENED_ON,
    PlannedSession,
    SessionTwins,
    plan_session,
)
from ebbset.coaching.sessions.session_reasons import reasons
from ebbset.coaching.sessions.session_steps import SessionStep
from ebbset.coaching.sessions.session_trial import SessionTrial, SetOutcome
from ebbset.models.physiology.stimulus import Done
from ebbset.simulators.plant.rig_parameters import RigParameters
from tests.coaching.sessions.test_session_plan import profile, session
from tests.support.session_plans import BEGAN_S

RIG = RigParameters()
TWINS = 12
Worth = Callable[[SessionStep, int, int], tuple[float, float]]
"""Repetitions at failure and duration, s, of a set: the step, its place in the session, the twin."""


def drops(step: SessionStep) -> bool:
    return step.prescription.bouts[0].on_stall == "drop"


def as_usual(step: SessionStep, place: int, _twin: int) -> tuple[float, float]:
    """A dropping set does twice as much in twice the time, and each later set a little less."""
    return (16.0 if drops(step) else 8.0) * 0.95**place, 80.0 if drops(step) else 40.0


def outcome(step: SessionStep, place: int, twin: int, does: Worth) -> SetOutcome:
    amount, duration_s = does(step, place, twin)
    ones = np.ones(max(round(amount), 1))
    done = Done(0.0 * ones, 0.3 * ones, 0.1 * ones, 0.02 * ones, ones.astype(bool))
    return SetOutcome(
        exercise=step.exercise,
        done=done,
        rest_s=step.rest_before_s if place else 0.0,
        duration_s=duration_s,
        repetitions=ones.size,
        drops=3 * drops(step),
        start_n=step.prescription.load.start_n,
        fatigue_left=0.3,
        breaches=0,
    )


@cache
def planned(
    does: Worth = as_usual, *, minutes: float = 9.0, wish: str = "worth"
) -> tuple[PlannedSession, Counter[tuple[int, tuple[str, ...]]]]:
    """A plan on twelve twins of nobody, and how often each twin did each session."""
    of = session(
        {"exercise": "row", "sets": 3, "wish": wish},
        {"exercise": "curl", "sets": 2, "wish": wish, "may_leave_out": True},
        minutes=minutes,
        any_order=True,
    )
    times: Counter[tuple[int, tuple[str, ...]]] = Counter()

    def run(_: Callable[[Any], Any], trials: Iterable[SessionTrial]) -> Iterator[list[tuple[SetOutcome, ...]]]:
        for trial in trials:
            for route in trial.routes:
                times[trial.number, tuple(f"{s.title} {s.rest_before_s:g}" for s in route)] += 1
            yield [
                tuple(outcome(step, place, trial.number, does) for place, step in enumerate(route))
                for route in trial.routes
            ]

    nobody: Any = object()
    twins = SessionTwins({name: [nobody] * TWINS for name in ("row", "curl")}, RIG, 3, BEGAN_S)
    found = [options(of, k, profile(one.exercise), RIG) for k, one in enumerate(of.exercises)]
    return plan_session(of, found, twins, report_draws(50), mapper=run), times


def test_what_few_twins_rule_out_is_not_run_on_the_others() -> None:
    found, times = planned()
    whole = {twin: sum(of == twin for of, _ in times) for twin in range(TWINS)}
    assert whole[0] == max(whole.values())
    assert whole[SCREENED_ON] > whole[DROPS_ON] >= 1
    assert whole[DROPS_ON] == whole[TWINS - 1] <= KEPT + 2
    aside = [one for one in found.plan.judged if len(one.outcomes) < TWINS]
    assert aside
    assert all(len(one.outcomes) == RACED_ON for one in aside)
    assert all(any("set aside after 3 twins" in said or "takes" in said for said in one.obstacles) for one in aside)
    assert found.plan.level
    assert all(len(one.outcomes) == TWINS for one in found.plan.level)
    assert found.drops_on == DROPS_ON
    assert max(times.values()) <= 2, "what is run whole is run on a twin once, beside the first round"


def test_what_was_ruled_out_is_run_on_all_when_the_others_turn_out_too_long() -> None:
    """All twins but the first ones take twice as long."""

    def does(step: SessionStep, place: int, twin: int) -> tuple[float, float]:
        amount, duration_s = as_usual(step, place, twin)
        return amount, duration_s * (2.0 if twin >= RACED_ON else 1.0)

    quick, slow = planned(wish="straight")[0].plan, planned(does, wish="straight")[0].plan
    assert all(len(one.outcomes) == TWINS for one in slow.judged)
    assert quick.suggestion is not None
    assert slow.suggestion is not None
    assert slow.suggestion.minutes.middle <= 9.0
    ruled_out = next(one for one in quick.judged if one.steps == slow.suggestion.steps)
    assert len(ruled_out.outcomes) == RACED_ON


@pytest.mark.parametrize(
    ("as_first", "says"), [(0.4, "first set: a set that keeps dropping does not belong"), (1.6, "belongs there")]
)
def test_a_dropping_set_that_is_first_is_held_against_the_same_one_done_last(as_first: float, says: str) -> None:
    """Where it takes from what comes after it, it does not belong first."""

    def does(step: SessionStep, place: int, twin: int) -> tuple[float, float]:
        amount, duration_s = as_usual(step, place, twin)
        return amount * (as_first if drops(step) and not place else 1.0), duration_s

    found, _ = planned(does, wish="straight")
    first = next(text for text in reasons(found) if "the first set" in text)
    assert says in first
    assert "Against the same set done last" in first


@pytest.mark.parametrize(
    ("changes", "says"),
    [
        ({}, "It belongs there when time is short; where there is time for 3 straight sets it does not belong"),
        ({"ahead": 0.5}, "cannot be told"),
        ({"ahead": 0.95}, "It does more in 95% of the pairs, so it can take their place."),
        ({"minutes": 5.0}, "It saves no time, and where there is time for 3 straight sets it does not belong"),
        ({"share": 0.2}, "It saves no time"),
    ],
)
def test_a_dropping_set_by_itself_is_for_when_time_is_short(changes: dict[str, Any], says: str) -> None:
    one = DropsAlone("row", minutes=1.5, straight_minutes=5.0, sets=3, share=0.8, ahead=0.04)
    found, _ = planned()
    said = list(reasons(replace(found, alone=(replace(one, **changes),))))
    assert says in next(text for text in said if text.startswith("Row, by itself"))
