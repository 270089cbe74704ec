"""Hard repetitions counted with the fatigue they were done in, and the worth of one more."""

from __future__ import annotations

import numpy as np
import pytest

from ebbset.controller.estimation.effort import WORTH_PER_RESERVE, Effort
from ebbset.controller.messages.reasons import Reason
from ebbset.controller.regulation.cable import Cable
from ebbset.controller.regulation.stop_rules import SideStrikes, after_repetition
from ebbset.models.contract.prescription import example
from ebbset.models.physiology import stimulus


def test_easy_and_unknown_repetitions_count_for_nothing() -> None:
    effort = Effort()
    effort.repetition(reserve=9.0, spent=0.1)
    effort.repetition(reserve=None, spent=None)
    assert effort.hard_repetitions == 0.0
    assert effort.marginal is None


def test_hard_ones_count_less_in_fatigue() -> None:
    effort = Effort()
    effort.repetition(reserve=2.0, spent=0.0)
    assert effort.hard_repetitions == 1.0
    assert effort.marginal == 1.0
    effort.repetition(reserve=2.0, spent=0.36)
    assert effort.hard_repetitions == pytest.approx(1.0 + 0.64**1.5)
    assert effort.marginal == pytest.approx(0.64**1.5)


def test_the_weights_are_the_middles_of_the_published_assumptions() -> None:
    a = stimulus.ASSUMPTIONS
    kept = 1.0 - a["failure_advantage"].a / a["growth"].a
    reserve = 0.5 * (a["compared_reserve"].a + a["compared_reserve"].b)
    assert pytest.approx(-np.log(kept) / reserve, abs=0.01) == WORTH_PER_RESERVE
    assert 0.5 * (a["fatigue_exponent"].a + a["fatigue_exponent"].b) == 1.5


@pytest.mark.parametrize(
    ("budget", "spent", "quantity"),
    [
        ({"hard_repetitions": 2.0}, 0.05, "hard_repetitions"),
        ({"least_marginal_worth": 0.6}, 0.5, "least_marginal_worth"),
    ],
)
def test_both_end_a_set(budget: dict[str, float], spent: float, quantity: str) -> None:
    order = example(budget=budget)
    cable = Cable(order, None, has_force=False)
    assert after_repetition(order, [cable], 0, SideStrikes()) is None
    cable.effort.repetition(reserve=3.0, spent=0.0)
    assert after_repetition(order, [cable], 0, SideStrikes()) is None
    cable.effort.repetition(reserve=1.0, spent=spent)
    cable.effort.repetition(reserve=1.0, spent=spent)
    finding = after_repetition(order, [cable], 0, SideStrikes())
    assert finding is not None
    assert finding.reason is Reason.BUDGET_SPENT
    assert [name for name, _ in finding.thresholds] == [quantity]
