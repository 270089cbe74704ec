"""1RM formulas against worked examples, and the handbook chart."""

from __future__ import annotations

import itertools

import pytest

from ebbset.models.physiology.strength import FORMULAS, brzycki, chart_repetitions, epley, estimate_one_rm

# 1RM for 100 kg and r = 1, 3, 5, 8, 10, 12: worked out by hand from constants that two independent public pages give
# (easycalculation.com/health/rm-calculator.php; startingstrength.com forum t=33294).
WORKED = {
    "epley": (103.33, 110.00, 116.67, 126.67, 133.33, 140.00),
    "brzycki": (100.00, 105.88, 112.50, 124.14, 133.33, 144.00),
    "lombardi": (100.00, 111.61, 117.46, 123.11, 125.89, 128.21),
    "mayhew": (108.86, 113.99, 119.01, 126.29, 130.93, 135.40),
    "oconner": (102.50, 107.50, 112.50, 120.00, 125.00, 130.00),
    "wathen": (101.30, 108.98, 116.58, 127.67, 134.75, 141.50),
    "lander": (101.39, 107.20, 113.71, 125.11, 134.07, 144.41),
}


@pytest.mark.parametrize("name", sorted(WORKED))
def test_formula_gives_the_worked_values(name: str) -> None:
    for repetitions, expected in zip((1, 3, 5, 8, 10, 12), WORKED[name], strict=True):
        assert FORMULAS[name](100.0, float(repetitions)) == pytest.approx(expected, abs=0.01)


def test_every_formula_is_checked() -> None:
    assert set(FORMULAS) == set(WORKED)


def test_epley_and_brzycki_meet_at_ten() -> None:
    assert epley(80.0, 10.0) == pytest.approx(brzycki(80.0, 10.0), abs=1e-9)


@pytest.mark.parametrize("name", sorted(FORMULAS))
def test_estimate_returns_the_load_itself_for_one_repetition_and_grows_with_repetitions(name: str) -> None:
    values = [estimate_one_rm(90.0, r, name) for r in range(1, 21)]
    assert values[0] == 90.0
    assert all(b > a for a, b in itertools.pairwise(values))


@pytest.mark.parametrize(
    ("load", "repetitions", "formula", "field"),
    [(0.0, 5, "epley", "load"), (50.0, 0, "epley", "repetitions"), (50.0, 37, "brzycki", "repetitions"),
     (50.0, 5, "nobody", "formula")],
)  # fmt: skip
def test_estimate_refuses_what_makes_no_sense(load: float, repetitions: int, formula: str, field: str) -> None:
    with pytest.raises(ValueError, match=f"^{field} is .*allowed"):
        estimate_one_rm(load, repetitions, formula)


def test_chart_rows_and_between() -> None:
    """Haff & Triplett 2016 (rows to 12 repetitions as on a public page, cdchester.co.uk; 15 from memory)."""
    assert [chart_repetitions(p) for p in (100, 95, 90, 85, 80, 75, 70, 65)] == [1, 2, 4, 6, 8, 10, 12, 15]
    assert chart_repetitions(92.0) == pytest.approx(3.0 + 1.0 / 3.0)
    with pytest.raises(ValueError, match=r"percent_one_rm is 50.*allowed: 65"):
        chart_repetitions(50.0)
