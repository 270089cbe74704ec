"""Figures fitted without a family: there for every family that the shipped ones saw, and never replaced by those."""

from __future__ import annotations

import pytest

from ebbset.controller.detection.evidence.habit_figures import HABIT_FEATURES, SHIPPED
from ebbset.controller.detection.evidence.stall_habits_figures import FITTED_ON
from ebbset.simulators.evaluation.stall_figures import FiguresMissingError, figures_without, left_out_name
from ebbset.simulators.evaluation.stall_rules import unseen_figures
from ebbset.simulators.population.families import family_names


def test_every_installed_family_was_fitted_on_and_left_out() -> None:
    assert set(FITTED_ON) == set(family_names())
    for family in FITTED_ON:
        figures = figures_without(family)
        assert len(figures.ranges) == len(HABIT_FEATURES)
        assert figures.patience["quick"] <= figures.patience["balanced"] <= figures.patience["patient"]
        assert figures.ranges != SHIPPED.ranges
        assert unseen_figures(family) is figures


def test_a_family_without_figures_is_an_error_and_not_judged_by_those_that_saw_it() -> None:
    with pytest.raises(FiguresMissingError, match=left_out_name("nobody")):
        figures_without("nobody")


def test_a_family_that_no_fit_has_seen_is_left_out_by_the_figures_shipped() -> None:
    assert unseen_figures("examples.own_lifter:draw") is SHIPPED
