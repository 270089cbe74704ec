"""Figures over people with intervals: the statistics of simulated sets, over labelled ones, people drawn anew.

Sets of one person are alike, so that an interval that took them for independent would be too narrow. People are
therefore drawn with replacement, each with all their sets (the cluster bootstrap: Field & Welsh 2007,
doi:10.1111/j.1467-9868.2007.00593.x, from memory), and an interval runs between quantiles of the figure over the draws.

A part that is 0 or 1 in everybody does not vary over draws. Its interval is Wilson's with each person counted as one
trial, which is wider than it has to be.
"""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Callable, Sequence
from dataclasses import dataclass, fields
from typing import Final, Literal

import numpy as np

from ebbset.models.contract.constants import INTERVAL_COVERAGE
from ebbset.simulators.evaluation.estimates import EstimateErrors
from ebbset.simulators.evaluation.labelled.judging import SetJudgement
from ebbset.simulators.evaluation.labelled.people_needed import wilson
from ebbset.simulators.evaluation.sizing import SizingRun, sizing_summary
from ebbset.simulators.evaluation.stalls import summary

Statistic = Callable[[Sequence[SetJudgement]], dict[str, float]]
Kind = Literal["part", "seconds", "number"]
DRAWS: Final = 1000
FEW_PEOPLE: Final = 10
"""Below this the bootstrap's intervals are told to be too narrow (Cameron, Gelbach & Miller 2008,
doi:10.1162/rest.90.3.414, from memory, find it with few clusters; the limit itself is judgement)."""


@dataclass(frozen=True, slots=True)
class FigureKind:
    """One figure of the report.

    Attributes:
        key: among the statistics.
        label: for people.
        kind: part of trials, seconds, or another number.
        trials: key of how many it rests on.
    """

    key: str
    label: str
    kind: Kind
    trials: str


STALLS: Final = (
    FigureKind("false_rate", "false drops per completed repetition", "part", "came_through"),
    FigureKind("called_in_attempt", "stalls called before the attempt was given up", "part", "stalls"),
    FigureKind("missed_at_all", "stalls never called", "part", "stalls"),
    FigureKind("median_latency_s", "latency when called, median", "seconds", "called"),
    FigureKind("slowest_tenth_s", "latency when called, slowest tenth from", "seconds", "called"),
    FigureKind("foreseen", "called before motion ended", "part", "stalls"),
)
STEPS: Final = (
    FigureKind("within_1", "steps within ±1 repetition of the wish", "part", "steps"),
    FigureKind("none_at_all", "steps without any repetition", "part", "steps"),
)
ESTIMATES: Final = (
    FigureKind("one_rm_median_error", "1RM of the day: median error, part of it", "number", "one_rm"),
    FigureKind("one_rm_in_80", "1RM of the day: inside the 80 % interval", "part", "one_rm"),
    FigureKind("capacity_median_error", "momentary 1RM: median error, part of it", "number", "capacity"),
    FigureKind("capacity_in_80", "momentary 1RM: inside", "part", "capacity"),
    FigureKind("budget_median_error", "budget spent: median error", "number", "budget"),
    FigureKind("budget_in_80", "budget spent: inside", "part", "budget"),
    FigureKind("reserve_mean_error", "repetitions in reserve: mean error", "number", "reserve"),
    FigureKind("reserve_in_80", "repetitions in reserve: inside", "part", "reserve"),
    FigureKind("own_reserve_mean_error", "… the lifter's own call: mean error", "number", "own_reserve"),
)
REPETITIONS: Final = (
    FigureKind("repetitions_missed", "completed repetitions that ebbset did not count", "part", "completed"),
    FigureKind("repetitions_more", "repetitions that ebbset counted too much, per completed", "part", "completed"),
)


@dataclass(frozen=True, slots=True)
class PeopleFigure:
    """A figure with its interval; NaN ends where one person cannot tell."""

    name: str
    label: str
    kind: Kind
    value: float
    low: float
    high: float
    trials: int


def statistics(judged: Sequence[SetJudgement]) -> dict[str, float]:
    """Every statistic of some sets, by the functions that judge simulated ones.

    Args:
        judged: sets.
    """
    scores = summary([one.score for one in judged])
    errors = EstimateErrors()
    for one in judged:
        for column in fields(EstimateErrors):
            getattr(errors, column.name).extend(getattr(one.errors, column.name))
    own = [abs(error) for one in judged for error in one.own_reserve]
    completed = sum(row.counted and not row.stalled for one in judged for row in one.score.rows)
    steps = sizing_summary([SizingRun(one.steps, False, 0, "") for one in judged])
    return {
        **errors.summary(),
        **steps,
        **scores,
        "called": scores["stalls"] * scores.get("called_in_attempt", 0.0),
        "one_rm": float(len(errors.fresh)),
        "capacity": float(len(errors.capacity)),
        "budget": float(len(errors.budget)),
        "reserve": float(len(errors.reserve)),
        "own_reserve": float(len(own)),
        "own_reserve_mean_error": float(np.mean(own)) if own else math.nan,
        "completed": float(completed),
        "repetitions_missed": sum(one.repetitions_missed for one in judged) / max(1, completed),
        "repetitions_more": sum(one.repetitions_more for one in judged) / max(1, completed),
    }


def over_people(
    judged: Sequence[SetJudgement],
    kinds: Sequence[FigureKind],
    rng: np.random.Generator,
    *,
    draws: int = DRAWS,
    statistic: Statistic = statistics,
) -> list[PeopleFigure]:
    """Figures with intervals of `INTERVAL_COVERAGE`; those that rest on nothing are left out.

    Args:
        judged: sets.
        kinds: figures wanted.
        rng: draws people anew.
        draws: how often.
        statistic: of some sets.
    """
    by_person: dict[str, list[SetJudgement]] = defaultdict(list)
    for one in judged:
        by_person[one.person].append(one)
    people = list(by_person.values())
    found = statistic(judged)
    drawn: dict[str, list[float]] = {kind.key: [] for kind in kinds}
    for _ in range(draws if len(people) > 1 else 0):
        again = [one for k in rng.integers(len(people), size=len(people)) for one in people[int(k)]]
        values = statistic(again)
        for kind in kinds:
            drawn[kind.key].append(values.get(kind.key, math.nan))
    out = []
    for kind in kinds:
        value, trials = found.get(kind.key, math.nan), found.get(kind.trials, 0.0)
        if trials > 0 and math.isfinite(value):
            low, high = _interval(kind, value, drawn[kind.key], len(people))
            out.append(PeopleFigure(kind.key, kind.label, kind.kind, value, low, high, round(trials)))
    return out


def _interval(kind: FigureKind, value: float, drawn: Sequence[float], people: int) -> tuple[float, float]:
    values = np.array([one for one in drawn if math.isfinite(one)])
    if people < 2 or not len(values):
        return math.nan, math.nan
    if kind.kind == "part" and value in (0.0, 1.0):
        return wilson(value, people, level=INTERVAL_COVERAGE)
    tail = (1.0 - INTERVAL_COVERAGE) / 2.0
    return float(np.quantile(values, tail)), float(np.quantile(values, 1.0 - tail))
