"""Intervals of the rates of a stall rule."""

from __future__ import annotations

import numpy as np
import pytest

from ebbset.models.contract.constants import INTERVAL_COVERAGE
from ebbset.simulators.evaluation.labelled.people_needed import wilson
from ebbset.simulators.evaluation.stall_rules import rate_interval

RATE = 0.3
SETS = 60
EACH = 10


def test_an_interval_of_independent_attempts_is_wilsons() -> None:
    """Wilson 1927, doi:10.1080/01621459.1927.10502953: where attempts of a set are no more alike than others."""
    rng = np.random.default_rng(5)
    hits, trials = rng.binomial(EACH, RATE, SETS), np.full(SETS, EACH)
    low, high = rate_interval(hits, trials)
    expected = wilson(float(hits.sum() / trials.sum()), SETS * EACH, level=INTERVAL_COVERAGE)
    assert (low, high) == pytest.approx(expected, abs=0.008)


def test_an_interval_of_sets_that_are_alike_within_is_as_wide_as_sets_are_few() -> None:
    hits = np.array([EACH] * round(RATE * SETS) + [0] * round((1.0 - RATE) * SETS))
    low, high = rate_interval(hits, np.full(SETS, EACH))
    assert (low, high) == pytest.approx(wilson(RATE, SETS, level=INTERVAL_COVERAGE), abs=0.015)


def test_an_interval_holds_the_truth_as_often_as_it_says() -> None:
    rng = np.random.default_rng(7)
    inside = 0
    for _ in range(200):
        own = rng.beta(2.0, 2.0 * (1.0 - RATE) / RATE, SETS)
        low, high = rate_interval(rng.binomial(EACH, own), np.full(SETS, EACH))
        inside += low <= RATE <= high
    # three standard errors of a share of 200
    assert inside / 200 == pytest.approx(INTERVAL_COVERAGE, abs=0.085)


@pytest.mark.parametrize("hits", [0, EACH])
def test_a_rate_that_does_not_vary_is_not_known_for_certain(hits: int) -> None:
    low, high = rate_interval(np.full(SETS, hits), np.full(SETS, EACH))
    assert low < high
    assert low <= hits / EACH <= high
