"""Muscle laws against their own algebra, a numerical optimum and a published curve set."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.optimize import minimize_scalar

from ebbset.models.physiology.muscle import (
    force_length,
    force_velocity,
    hill_force_n,
    peak_power_fraction,
    strength_curve,
)

CURVATURES = st.floats(0.05, 20.0)


@given(u=st.floats(0.0, 1.0), k=CURVATURES)
def test_normalised_hill_is_hills_hyperbola(u: float, k: float) -> None:
    """(F + a)(v + b) = (F0 + a) b with a = k F0, b = k v_max (Hill 1938)."""
    f0, v_max = 800.0, 1.7
    absolute = hill_force_n(u * v_max, f0, k * f0, k * v_max)
    assert absolute == pytest.approx(f0 * force_velocity(u, k, 1.4), abs=1e-9 * f0)


@pytest.mark.parametrize(
    ("k", "at", "power"),
    [(0.15, 0.265, 0.070), (0.20, 0.290, 0.084), (0.25, 0.309, 0.0955), (0.30, 0.324, 0.105), (0.40, 0.348, 0.121)],
)
def test_peak_power_closed_form_and_numerical_optimum(k: float, at: float, power: float) -> None:
    """u* = sqrt(k² + k) − k, and f* = u*; values worked out from the algebra to the digits shown."""
    found = minimize_scalar(lambda u: -u * force_velocity(u, k, 1.4), bounds=(0.0, 1.0), method="bounded")
    assert peak_power_fraction(k) == pytest.approx(found.x, abs=1e-5)
    assert peak_power_fraction(k) == pytest.approx(at, abs=1e-3)
    assert force_velocity(peak_power_fraction(k), k, 1.4) == pytest.approx(peak_power_fraction(k))
    assert -found.fun == pytest.approx(power, abs=6e-4)


@given(k=CURVATURES, plateau=st.floats(1.05, 2.0))
def test_force_velocity_falls_everywhere_and_joins_smoothly(k: float, plateau: float) -> None:
    u = np.linspace(-3.0, 1.2, 2001)
    f = np.array([force_velocity(x, k, plateau) for x in u])
    assert np.all(np.diff(f) <= 1e-12)
    assert np.all(f < plateau)
    assert force_velocity(0.0, k, plateau) == 1.0
    h = 1e-7
    left = (1.0 - force_velocity(-h, k, plateau)) / h
    right = (force_velocity(h, k, plateau) - 1.0) / h
    assert left == pytest.approx(right, rel=1e-3)


def test_lengthening_reaches_the_published_ratio() -> None:
    """In vivo lengthening over shortening strength 1.41 [1.38, 1.44] (Nuzzo et al. 2023 Sports Med 53:1125-1136)."""
    assert 1.38 <= force_velocity(-50.0, 0.5, 1.41) <= 1.44


def test_force_length_is_a_bell_around_optimum() -> None:
    assert force_length(1.0) == 1.0
    assert force_length(1.45) == pytest.approx(math.exp(-1.0))
    assert force_length(0.7) == pytest.approx(force_length(1.3))


def test_strength_curve_without_dip_is_the_straight_line() -> None:
    values = [strength_curve(s, 1.0, 2.0, 0.0, 0.3, 0.2) for s in (-1.0, 0.0, 0.25, 1.0, 2.0)]
    assert values == [1.0, 1.0, 1.25, 2.0, 2.0]


def test_strength_curve_dips_where_it_should() -> None:
    s = np.linspace(0.0, 1.0, 1001)
    g = [strength_curve(x, 1.2, 1.2, 0.3, 0.35, 0.2) for x in s]
    assert s[int(np.argmin(g))] == pytest.approx(0.35, abs=1e-3)
    assert min(g) == pytest.approx(0.9)
