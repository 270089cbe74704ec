"""What steps cost is found again where it is known, and drops are drawn within their bounds."""

from __future__ import annotations

import numpy as np

from campaigns.fits.step_costs import LEAST_DROP, MOST_DROP, DrawnDrops, Step, row_of, steps_of
from ebbset.controller.estimation.step_figures import STEP_FIGURES
from ebbset.controller.policies.checker import check_policy


def test_a_cost_that_made_the_steps_is_found_again_and_so_is_how_alike_they_are() -> None:
    rng = np.random.default_rng(3)
    sets = []
    for _ in range(600):
        own = 0.05 * np.exp(0.4 * rng.standard_normal())
        costs = own * np.exp(0.4 * rng.standard_normal(4))
        sets.append([Step(float(cost) * (3 + STEP_FIGURES.beside), 3) for cost in costs])
    cells = [cell.strip() for cell in row_of("made", sets).strip("|").split("|")]
    assert cells[0] == "made"
    assert abs(float(cells[2].rstrip("%")) - 5.0) < 0.4
    # the smallest drops are left out, which takes a little off the spread and off the likeness
    assert 1.5 < float(cells[3]) < np.exp(np.hypot(0.4, 0.4)) + 0.05
    assert 0.35 < float(cells[4].split()[0]) < 0.6


def test_nothing_is_told_of_one_step() -> None:
    assert row_of("one", [[Step(0.1, 2)]]).endswith("| – |")


def test_the_drops_are_drawn_within_their_bounds_and_by_the_seed() -> None:
    assert check_policy(DrawnDrops, {"seed": 5}) == []
    steps = steps_of(("compiled_muscle", 501, 0))
    assert len(steps) >= 2
    assert all(LEAST_DROP - 0.001 <= step.drop <= MOST_DROP + 0.001 for step in steps)
    assert steps == steps_of(("compiled_muscle", 501, 0))
