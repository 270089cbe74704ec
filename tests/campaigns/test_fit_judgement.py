"""The fit of how far estimates are trusted finds a doubt that it was given, in the family that needs it most too."""

from __future__ import annotations

import ast

import numpy as np
import pytest

from campaigns.fits.fit_judgement import Residual, fitted_part, fitted_parts
from campaigns.fits.judgement_modules import left_out_module, shipped_module
from ebbset.controller.estimation.judgement_figures import CURRENT
from ebbset.models.contract.constants import Z_INTERVAL

PART = 0.1


def rows(family: str, part: float, count: int, own_sd: float = 2.0) -> list[Residual]:
    rng = np.random.default_rng(len(family))
    return [
        Residual(family, float(error), own_sd, 100.0)
        for error in np.hypot(own_sd, part * 100.0) * rng.standard_normal(count)
    ]


def test_a_doubt_that_made_the_errors_is_found_again() -> None:
    assert fitted_part(rows("a", PART, 4000)) == pytest.approx(PART, rel=0.15)


def test_errors_that_the_filter_expects_need_next_to_no_doubt() -> None:
    assert fitted_part(rows("a", 0.0, 4000)) < 0.015


def test_a_family_of_few_sets_counts_as_much_as_one_of_many() -> None:
    both = [*rows("many", 0.02, 4000), *rows("few", 0.2, 400)]
    part = fitted_part(both)
    inside = {
        family: np.mean(
            [
                abs(row.error) <= Z_INTERVAL * np.hypot(row.own_sd, part * row.scale)
                for row in both
                if row.family == family
            ]
        )
        for family in ("many", "few")
    }
    assert inside["few"] > 0.55, "by weight of numbers it would be 0.2"
    assert inside["many"] > inside["few"]


def test_who_knows_more_never_doubts_more() -> None:
    wide, narrow = rows("a", 0.2, 4000), rows("a", 0.05, 4000)
    apart = fitted_parts(wide, narrow)
    assert apart == (fitted_part(wide), fitted_part(narrow))
    assert apart[0] > 2.0 * apart[1]
    both = fitted_parts(narrow, wide)
    assert both[0] == both[1]
    assert apart[1] < both[0] < apart[0]


def test_no_rows_give_no_doubt() -> None:
    assert fitted_part([]) == 0.0


def test_what_is_written_is_a_module_that_holds_the_same_figures() -> None:
    for source in (shipped_module(CURRENT), left_out_module({"a": CURRENT})):
        ast.parse(source)
        assert f"budget={CURRENT.generic.budget:.4g}," in source
