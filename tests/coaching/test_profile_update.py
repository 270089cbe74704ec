"""A profile moves with what sets show, never gets surer than a day allows, and a stale one is replaced."""

from __future__ import annotations

import datetime

import pytest

from ebbset.coaching.profile_update import DAY_CV, SetObservation, observe_set, profile_is_old, update_profile
from ebbset.controller.estimation.capacity import CapacityEstimator
from ebbset.models.contract.profile import LifterProfile, Uncertain
from ebbset.models.contract.rig_messages import RepetitionOutcome
from ebbset.models.physiology.load_velocity import LoadVelocityLine

DAY = datetime.date(2026, 3, 2)
LINE = LoadVelocityLine(1.75, 0.05, 0.18, 0.025, 0.03)
PROFILE = LifterProfile(
    lifter="L1",
    exercise="bench_press",
    date=datetime.date(2026, 2, 1),
    one_rm_n=Uncertain(mean=1000.0, sd=40.0),
    velocity_at_zero_m_s=Uncertain(mean=1.75, sd=0.05),
    velocity_at_1rm_m_s=Uncertain(mean=0.18, sd=0.025),
    residual_sd_m_s=0.03,
)


def after_a_set(true_1rm_n: float, profile: LifterProfile = PROFILE) -> SetObservation:
    it = CapacityEstimator(line=LINE, one_rm_n=profile.one_rm_n)
    capacity_n, load_n = true_1rm_n, 0.72 * true_1rm_n
    for _ in range(7):
        it.repetition(
            load_n=load_n,
            mean_velocity_m_s=LINE.velocity_m_s(load_n / capacity_n),
            outcome=RepetitionOutcome.COMPLETED,
            load_changed=False,
        )
        capacity_n *= 0.965
    seen = observe_set(it, date=DAY, rom_m=0.41)
    assert seen is not None
    return seen


def test_nothing_seen_changes_nothing() -> None:
    assert observe_set(CapacityEstimator(line=LINE, one_rm_n=None), date=DAY) is None
    assert update_profile(PROFILE, []) == PROFILE


def test_it_moves_toward_what_was_seen() -> None:
    new = update_profile(PROFILE, [after_a_set(1060.0)])
    assert new.one_rm_n is not None
    assert 1010.0 < new.one_rm_n.mean < 1065.0
    assert new.date == DAY
    assert new.sets_used == 1
    assert new.rom_m is not None
    assert new.rom_m.mean == pytest.approx(0.41)


def test_it_never_gets_surer_than_a_day_allows() -> None:
    new = update_profile(PROFILE, [after_a_set(1000.0)] * 20)
    assert new.one_rm_n is not None
    assert new.one_rm_n.sd >= DAY_CV * 0.9 * new.one_rm_n.mean
    assert new.sets_used == 20


def test_a_stale_one_is_replaced() -> None:
    seen = after_a_set(760.0)
    assert seen.doubted
    new = update_profile(PROFILE, [seen])
    assert new.one_rm_n is not None
    assert new.one_rm_n.mean == pytest.approx(760.0, rel=0.05)


def test_sets_from_before_the_profile_are_left_out_and_age_is_said() -> None:
    old = SetObservation(
        date=datetime.date(2026, 1, 1),
        one_rm_n=Uncertain(mean=500.0, sd=10.0),
        velocity_at_zero_m_s=Uncertain(mean=1.7, sd=0.05),
        velocity_at_1rm_m_s=Uncertain(mean=0.2, sd=0.02),
    )
    assert update_profile(PROFILE, [old]) == PROFILE
    assert not profile_is_old(PROFILE, DAY)
    assert profile_is_old(PROFILE, datetime.date(2026, 8, 1))


@pytest.mark.parametrize(
    ("one_rm", "zero", "at_1rm", "kept"),
    [
        ((0.5, 0.1), (1.7, 0.05), (0.2, 0.02), "all"),
        ((900.0, 10.0), (1.7, 0.05), (0.004, 0.02), "line"),
        ((900.0, 10.0), (1.7, 0.05), (1.68, 0.02), "line"),
        ((900.0, 10.0), (1.7, 3.0), (0.2, 0.02), "line"),
    ],
)
def test_what_no_profile_can_hold_is_left_out_of_it(
    one_rm: tuple[float, float], zero: tuple[float, float], at_1rm: tuple[float, float], kept: str
) -> None:
    figures = [Uncertain(mean=mean, sd=sd) for mean, sd in (one_rm, zero, at_1rm)]
    seen = SetObservation(
        date=DAY, one_rm_n=figures[0], velocity_at_zero_m_s=figures[1], velocity_at_1rm_m_s=figures[2]
    )
    new = update_profile(PROFILE, [seen])
    if kept == "all":
        assert new == PROFILE
    else:
        assert new.velocity_at_zero_m_s == PROFILE.velocity_at_zero_m_s
        assert new.velocity_at_1rm_m_s == PROFILE.velocity_at_1rm_m_s
        assert new.one_rm_n != PROFILE.one_rm_n
