"""The covariance stays positive definite over 10,000 repetitions, for random profiles and in bad rounding."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from ebbset.controller.estimation.capacity import CapacityEstimator
from ebbset.controller.estimation.covariance import factors, is_covariance, updated
from ebbset.models.contract.profile import Uncertain
from ebbset.models.contract.rig_messages import RepetitionOutcome
from ebbset.models.physiology.load_velocity import LoadVelocityLine, generic_line

OUTCOMES = tuple(RepetitionOutcome)


def smallest_part(p: tuple[tuple[float, ...], ...] | list[list[float]]) -> float:
    """Smallest eigenvalue of the correlations, which is free of units."""
    matrix = np.asarray(p, dtype=float)
    scale = np.sqrt(np.maximum(np.diag(matrix), 1e-300))
    return float(np.linalg.eigvalsh(matrix / np.outer(scale, scale)).min())


def check(it: CapacityEstimator) -> None:
    state = it.state()
    assert all(math.isfinite(value) for value in state.z)
    assert all(math.isfinite(value) for row in state.p for value in row)
    assert min(state.p[k][k] for k in range(5)) >= 0.0
    assert smallest_part(state.p) >= -1e-9
    view = it.view()
    for value in (view.capacity_n, view.capacity_sd_n, view.fresh_n, view.budget_spent, view.budget_sd):
        assert value is None or math.isfinite(value)
    interval = it.reserve_interval
    assert interval is None or interval[0] <= interval[1]


def drive(it: CapacityEstimator, rng: np.random.Generator, count: int, load_n: float, every: int) -> None:
    for number in range(count):
        kind = rng.random()
        if kind < 0.08:
            it.stall(load_n=load_n * rng.uniform(0.3, 1.2))
        elif kind < 0.12:
            it.rest(rng.uniform(0.0, 300.0))
        else:
            outcome = OUTCOMES[int(rng.integers(len(OUTCOMES)))] if kind < 0.3 else RepetitionOutcome.COMPLETED
            v = float(abs(rng.normal(0.5, 0.4)))
            it.repetition(
                load_n=load_n * rng.uniform(0.3, 1.2), mean_velocity_m_s=v, outcome=outcome, load_changed=kind < 0.2
            )
        if number % every == 0:
            check(it)
    check(it)


@pytest.mark.parametrize("profile", [None, Uncertain(mean=800.0, sd=40.0), Uncertain(mean=800.0, sd=1e7)])
def test_ten_thousand_repetitions_leave_a_covariance(profile: Uncertain | None) -> None:
    it = CapacityEstimator(line=generic_line("bench_press"), one_rm_n=profile, exercise="bench_press")
    drive(it, np.random.default_rng(7), 10_000, 600.0, every=50)


def test_ten_thousand_failures_in_a_row_leave_some_capacity() -> None:
    it = CapacityEstimator(line=generic_line("row"), one_rm_n=Uncertain(mean=800.0, sd=40.0), exercise="row")
    for _ in range(10_000):
        it.repetition(load_n=600.0, mean_velocity_m_s=0.1, outcome=RepetitionOutcome.FAILED, load_changed=False)
    check(it)
    assert it.capacity_n is not None
    assert it.capacity_n > 0.0


SIZES = st.one_of(st.floats(0.0, 2.0), st.sampled_from([0.0, 1e-30, 1e3, 1e7, 1e160]))


@settings(max_examples=80, deadline=None)
@given(
    mean=st.one_of(st.floats(20.0, 3_000.0), st.sampled_from([1e-30, 1e-300, 1e30])),
    sd=st.one_of(st.floats(0.0, 500.0), st.sampled_from([1e7, 1e160])),
    v0=st.floats(0.3, 6.0),
    part=st.floats(0.001, 0.99),
    v0_sd=SIZES,
    v1_sd=SIZES,
    residual=st.sampled_from([1e-300, 1e-9, 0.04, 0.3]),
    load_n=st.floats(10.0, 3_000.0),
    seed=st.integers(0, 1_000),
)
def test_any_profile_that_the_types_allow_leaves_a_covariance(
    mean: float,
    sd: float,
    v0: float,
    part: float,
    v0_sd: float,
    v1_sd: float,
    residual: float,
    load_n: float,
    seed: int,
) -> None:
    line = LoadVelocityLine(v0, v0_sd, part * v0, v1_sd, residual)
    it = CapacityEstimator(line=line, one_rm_n=Uncertain(mean=mean, sd=sd), exercise="row")
    drive(it, np.random.default_rng(seed), 60, load_n, every=1)


def test_the_short_form_is_let_go_where_rounding_would_make_a_variance_negative() -> None:
    """A direction seen to 10^-12 of its unit: the short form cancels all digits that it had left."""
    p = [[1.0, 0.0843], [0.0843, 10_000.0]]
    h = [1.0, 1.3]
    variance = 1e-12
    _, gain, after = updated(p, h, variance)
    ph = [sum(row[k] * h[k] for k in range(2)) for row in p]
    short = [[p[i][j] - gain[i] * ph[j] for j in range(2)] for i in range(2)]
    assert not is_covariance(short)
    assert is_covariance(after)
    assert smallest_part(after) >= -1e-9


def test_a_variance_that_is_lost_in_rounding_is_no_negative_one() -> None:
    """Found by random profiles: a sensitivity of 10^28 along a direction that has no variance left."""
    p = [[0.3 * 0.3, -0.3 * 1.3], [-0.3 * 1.3, 1.3 * 1.3]]
    h = [1.3e28, 0.3 * 1e28]
    seen = [row[0] * h[0] + row[1] * h[1] for row in p]
    assert 0.05 + h[0] * seen[0] + h[1] * seen[1] < 0.0
    total, _, after = updated(p, h, 0.05)
    assert total >= 0.05
    assert is_covariance(after)


def test_an_ordinary_update_has_the_bits_of_the_short_form() -> None:
    p = [[0.09, 0.01], [0.01, 0.04]]
    total, gain, after = updated(p, [1.0, 0.5], 0.0009)
    ph = [0.09 * 1.0 + 0.01 * 0.5, 0.01 * 1.0 + 0.04 * 0.5]
    assert total == 0.0009 + 1.0 * ph[0] + 0.5 * ph[1]
    assert after == [[p[i][j] - gain[i] * ph[j] for j in range(2)] for i in range(2)]


def test_the_factors_multiply_to_the_matrix() -> None:
    rng = np.random.default_rng(3)
    half = rng.standard_normal((5, 5))
    p = (half @ half.T).tolist()
    lower, pivots = factors(p)
    assert np.asarray(lower) @ np.diag(pivots) @ np.asarray(lower).T == pytest.approx(np.asarray(p), rel=1e-9)
