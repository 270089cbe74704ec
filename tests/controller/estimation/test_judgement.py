"""How far estimates are trusted: the first version takes the filter at its word, and later ones only ever add doubt."""

from __future__ import annotations

import pytest

from ebbset.controller.estimation.capacity import CapacityEstimator, CapacityView
from ebbset.controller.estimation.exercise_prior_figures import EXERCISE_PRIORS
from ebbset.controller.estimation.exercise_priors import UNKNOWN
from ebbset.controller.estimation.first_prior_figures import FIRST_PRIORS
from ebbset.controller.estimation.judgement import FIRST, VERSION, Judgement, StructuralDoubt, with_doubt
from ebbset.controller.estimation.judgement_figures import CURRENT, JUDGEMENTS
from ebbset.controller.recording.older import judgement_of, unknown_judgement
from ebbset.models.contract.rig_messages import RepetitionOutcome
from ebbset.models.physiology.load_velocity import generic_line
from ebbset.simulators.evaluation.left_out_figures import LEFT_OUT

DOUBT = StructuralDoubt(one_rm=0.2, capacity=0.1, budget=0.5, reserve=0.3)


def told(judgement: Judgement, exercise: str = "bench_press") -> CapacityEstimator:
    one = CapacityEstimator(
        line=generic_line(exercise), one_rm_n=None, exercise=exercise, generic=True, judgement=judgement
    )
    for velocity_m_s in (0.6, 0.56, 0.53, 0.5):
        one.repetition(
            load_n=500.0,
            mean_velocity_m_s=velocity_m_s,
            outcome=RepetitionOutcome.COMPLETED,
            load_changed=False,
        )
    return one


def test_doubt_widens_every_interval_by_its_part_of_the_estimate_and_moves_no_estimate() -> None:
    plain, doubted = told(Judgement()), told(Judgement(generic=DOUBT))
    assert (doubted.fresh_n, doubted.capacity_n) == (plain.fresh_n, plain.capacity_n)
    assert (doubted.budget_spent, doubted.repetitions_in_reserve) == (
        plain.budget_spent,
        plain.repetitions_in_reserve,
    )
    pairs = (
        (plain.fresh_sd_n, doubted.fresh_sd_n, 0.2, plain.fresh_n),
        (plain.capacity_sd_n, doubted.capacity_sd_n, 0.1, plain.capacity_n),
        (plain.budget_sd, doubted.budget_sd, 0.5, plain.budget_spent),
    )
    for own, wider, part, value in pairs:
        assert own is not None
        assert wider is not None
        assert value is not None
        assert wider**2 - own**2 == pytest.approx((part * value) ** 2, rel=1e-6)
    before, after = plain.reserve_interval, doubted.reserve_interval
    assert before is not None
    assert after is not None
    assert after[1] > before[1]


def test_more_observations_cannot_remove_the_doubt() -> None:
    one = told(Judgement(generic=DOUBT))
    for _ in range(200):
        one.repetition(load_n=500.0, mean_velocity_m_s=0.5, outcome=RepetitionOutcome.COMPLETED, load_changed=False)
        one.rest(300.0)
    assert one.fresh_sd_n is not None
    assert one.fresh_n is not None
    assert one.fresh_sd_n >= 0.2 * one.fresh_n


def test_a_budget_counts_more_than_the_estimate_where_it_is_doubtful() -> None:
    assert CapacityView(500.0, 20.0, 600.0, 0.2, 0.1).budget_counted == 0.2
    assert CapacityView(500.0, 20.0, 600.0, 0.2, 0.1, 0.5).budget_counted == pytest.approx(0.25)
    assert CapacityView(None, None, None, None, None, 0.5).budget_counted is None


def test_an_exercise_that_nobody_described_has_its_prior_from_the_judgement_and_a_described_one_has_not() -> None:
    assert told(CURRENT, "sled_pull").fresh_n != told(Judgement(CURRENT.generic, CURRENT.profile), "sled_pull").fresh_n
    assert told(CURRENT).fresh_n == told(Judgement()).fresh_n
    assert FIRST.figures.priors is FIRST_PRIORS
    assert "sled_pull" not in EXERCISE_PRIORS
    assert FIRST.unknown is UNKNOWN


def test_what_a_recording_names_decides_and_one_that_names_nothing_is_the_first() -> None:
    assert judgement_of({}) is FIRST
    assert judgement_of({"judgement": VERSION}) is CURRENT
    assert unknown_judgement({"judgement": VERSION}) == () == unknown_judgement({})
    assert "'99'" in unknown_judgement({"judgement": "99"})[0]


def test_the_first_version_adds_nothing_to_the_last_bit() -> None:
    assert with_doubt(0.1, 0.0) == 0.1
    assert JUDGEMENTS["1"] == FIRST


def test_every_written_judgement_doubts_every_kind_of_estimate_and_ends_no_budget_late() -> None:
    for one in (CURRENT, *LEFT_OUT.values()):
        for doubt in (one.generic, one.profile):
            assert min(doubt.one_rm, doubt.capacity, doubt.budget, doubt.reserve) > 0.0
            assert doubt.early_sd >= 0.0
        # Who knows more never doubts more.
        for kind in ("one_rm", "capacity", "budget", "reserve"):
            assert getattr(one.generic, kind) >= getattr(one.profile, kind)
        assert one.generic.capacity > one.profile.capacity


def test_a_budget_ends_early_only_in_an_exercise_that_nobody_described() -> None:
    line = generic_line("bench_press")
    views = {}
    for exercise in ("bench_press", "sled_pull"):
        estimator = CapacityEstimator(line=line, one_rm_n=None, exercise=exercise, generic=True)
        for velocity_m_s in (0.45, 0.40, 0.35):
            estimator.repetition(
                load_n=600.0,
                mean_velocity_m_s=velocity_m_s,
                outcome=RepetitionOutcome.COMPLETED,
                load_changed=False,
            )
        views[exercise] = estimator.view()
    described, undescribed = views["bench_press"], views["sled_pull"]
    assert described.budget_counted == described.budget_spent
    assert undescribed.budget_spent is not None
    assert undescribed.budget_sd is not None
    assert undescribed.budget_counted == pytest.approx(
        undescribed.budget_spent + CURRENT.generic.early_sd * undescribed.budget_sd
    )
    assert CURRENT.generic.early_sd > 0.0
