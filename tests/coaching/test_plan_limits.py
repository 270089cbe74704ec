"""What a plan was asked for is in what it writes: the budget, and the minutes."""

from __future__ import annotations

import datetime

import pytest

from ebbset.coaching.assumptions import report_draws
from ebbset.coaching.candidates import Wishes, candidates
from ebbset.coaching.plan import CandidateTrial, judge, run_trial
from ebbset.controller.messages.reasons import Reason
from ebbset.models.contract.profile import LifterProfile, Uncertain
from ebbset.simulators.plant.rig_parameters import RigParameters
from ebbset.simulators.population.twin import draw_twins

RIG = RigParameters()
PROFILE = LifterProfile(
    lifter="a7",
    exercise="bench_press",
    date=datetime.date(2026, 11, 25),
    one_rm_n=Uncertain(mean=600.0, sd=25.0),
    # What `fit_profile` finds of the mean lifter from four loads: a line that nobody has is a twin that nobody is.
    velocity_at_zero_m_s=Uncertain(mean=1.70, sd=0.11),
    velocity_at_1rm_m_s=Uncertain(mean=0.25, sd=0.06),
    rom_m=Uncertain(mean=0.42, sd=0.02),
)


@pytest.mark.parametrize("asked", [None, 0.3, 0.7])
def test_the_fatigue_that_may_be_left_is_the_budget_of_every_candidate(asked: float | None) -> None:
    for candidate in candidates(PROFILE, Wishes(12.0, fatigue_left=asked), RIG):
        assert candidate.prescription.budget.capacity_loss == asked


def test_a_set_ends_when_its_budget_is_spent_and_still_fits() -> None:
    wishes = Wishes(4.0, fatigue_left=0.3)
    found = next(c for c in candidates(PROFILE, wishes, RIG) if c.key == "drop")
    twin = draw_twins(PROFILE, RIG, 3, 1)[0]
    done = run_trial(CandidateTrial(found, twin, PROFILE, RIG, 3, 0))
    assert done.ended_by == Reason.BUDGET_SPENT.value
    assert judge(found, [done], wishes, report_draws(10)).obstacles == ()


@pytest.mark.parametrize("minutes", [0.5, 1.0, 4.0, 12.0])
def test_every_candidate_can_be_unloaded_within_its_minutes(minutes: float) -> None:
    for candidate in candidates(PROFILE, Wishes(minutes), RIG):
        order = candidate.prescription
        unloading_s = order.load.start_n / order.load.ramp_n_per_s
        rests_s = (candidate.sets - 1) * candidate.rest_between_s
        assert candidate.sets * (order.stop.max_duration_s + unloading_s) + rests_s < 60.0 * minutes


@pytest.mark.parametrize("minutes", [0.5, 1.0])
def test_a_set_for_the_minutes_takes_no_longer_than_them(minutes: float) -> None:
    found = next(c for c in candidates(PROFILE, Wishes(minutes), RIG) if c.key == "auto")
    twin = draw_twins(PROFILE, RIG, 3, 1)[0]
    done = run_trial(CandidateTrial(found, twin, PROFILE, RIG, 3, 0))
    assert done.ended_by == Reason.DURATION_SPENT.value
    assert 0.9 * minutes < done.minutes <= minutes
