"""How many people: the interval is that of statsmodels, and people drawn with that correlation get it.

The interval is held against `statsmodels.stats.proportion.proportion_confint`, the design effect against people drawn
from a beta distribution, whose intraclass correlation is 1 / (a + b + 1).
"""

from __future__ import annotations

import re
from pathlib import Path

import numpy as np
import pytest
from statsmodels.stats.proportion import proportion_confint

from ebbset.simulators.evaluation.labelled.labels import format_table
from ebbset.simulators.evaluation.labelled.people_needed import (
    design_effect,
    half_width,
    people_needed,
    planning_table,
    wilson,
)

PAGE = Path(__file__).parents[3] / "docs" / "measuring-people.md"


@pytest.mark.parametrize("level", [0.8, 0.95])
@pytest.mark.parametrize(("hits", "trials"), [(0, 7), (1, 40), (18, 20), (300, 315), (12, 12)])
def test_the_interval_is_that_of_statsmodels(hits: int, trials: int, level: float) -> None:
    expected = proportion_confint(hits, trials, alpha=1.0 - level, method="wilson")
    assert wilson(hits / trials, trials, level=level) == pytest.approx(expected, abs=1e-12)


@pytest.mark.parametrize("correlation", [0.0, 0.1, 0.3])
@pytest.mark.parametrize(("part", "half", "per_person"), [(0.02, 0.01, 30), (0.92, 0.05, 4), (0.8, 0.1, 1)])
def test_one_person_fewer_would_not_do(part: float, half: float, per_person: int, correlation: float) -> None:
    people = people_needed(part, half, per_person=per_person, correlation=correlation)
    trials = people * per_person / design_effect(per_person, correlation)
    low, high = proportion_confint(part * trials, trials, alpha=0.05, method="wilson")
    assert (high - low) / 2.0 <= half
    assert half_width(part, people - 1, per_person, correlation, level=0.95) > half


@pytest.mark.parametrize("correlation", [0.1, 0.3])
def test_the_interval_over_alike_attempts_holds_the_truth_as_often_as_it_says(correlation: float) -> None:
    """4000 studies: 95 % ± 2 %, some six standard errors of so many draws, since Wilson's is not exact."""
    part, per_person, people = 0.8, 10, 40
    size = 1.0 / correlation - 1.0
    rng = np.random.default_rng(5)
    each = rng.beta(part * size, (1.0 - part) * size, (4000, people))
    found = rng.binomial(per_person, each).sum(axis=1) / (per_person * people)
    trials = people * per_person / design_effect(per_person, correlation)
    inside = [low <= part <= high for low, high in (wilson(float(p), trials, level=0.95) for p in found)]
    assert np.mean(inside) == pytest.approx(0.95, abs=0.02)
    naive = [low <= part <= high for low, high in (wilson(float(p), people * per_person, level=0.95) for p in found)]
    assert np.mean(naive) < 0.88


def test_what_is_not_allowed_is_named() -> None:
    for changes, said in (
        ({"correlation": 1.5}, "correlation is 1.5; allowed: 0 to 1"),
        ({"per_person": 0.0}, "per_person is 0.0; allowed: 1 to"),
        ({"level": 1.0}, "level is 1.0; allowed: 0.5 to"),
    ):
        with pytest.raises(ValueError, match=re.escape(said)):
            people_needed(0.5, 0.1, **({"per_person": 1.0, "correlation": 0.0} | changes))
    with pytest.raises(ValueError, match="a million people"):
        people_needed(0.5, 1e-4, per_person=1, correlation=0.0)


def test_the_tables_on_the_page_are_those_of_the_code() -> None:
    page = PAGE.read_text()
    assert planning_table() in page, "stale; planning_table() has the new table"
    assert format_table() in page, "stale; format_table() has the new table"
