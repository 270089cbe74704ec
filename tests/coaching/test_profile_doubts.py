"""Sets that make no profile are refused with a reason and a way out, and what is only doubtful is said."""

from __future__ import annotations

import datetime
import json
from pathlib import Path

import numpy as np
import pytest

from ebbset.coaching.curve_prior import curve_prior
from ebbset.coaching.profile_doubts import NoProfileError
from ebbset.coaching.profile_fit import ObservedSet, ProfileFit, fit_profile
from ebbset.console.exits import Exit
from ebbset.models.contract.units import parse_load
from tests.support.commands import run_command

ONE_RM_N = 800.0


def fit(*sets: ObservedSet, exercise: str = "bench_press", one_rm_n: float | None = None) -> ProfileFit:
    return fit_profile(sets, lifter="a", exercise=exercise, date=datetime.date(2026, 11, 25), one_rm_n=one_rm_n)


def expected(share: float, off_m_s: float = 0.0, exercise: str = "bench_press") -> ObservedSet:
    """A set with the velocity that the prior expects of a 1RM of 800 N, or one so much faster."""
    prior, x = curve_prior(exercise), np.array([share])
    return ObservedSet(share * ONE_RM_N, float((prior.basis(x) @ prior.mean + prior.bent(x))[0]) + off_m_s)


def by_hand(*pairs: tuple[str, float]) -> list[ObservedSet]:
    return [ObservedSet(parse_load(load), velocity) for load, velocity in pairs]


@pytest.mark.parametrize("exercise", ["bench_press", "row", "leg_press", "never_heard_of"])
@pytest.mark.parametrize(
    "pairs",
    [
        (("40 kg", 0.6), ("60 kg", 0.9)),
        (("40 kg", 0.6), ("60 kg", 0.6)),
        (("30 kg", 0.4), ("50 kg", 0.6), ("70 kg", 1.0)),
    ],
)
def test_velocities_that_do_not_fall_are_refused(pairs: tuple[tuple[str, float], ...], exercise: str) -> None:
    """Two loads in reverse order of velocity gave a 1RM of millions of kilograms."""
    with pytest.raises(NoProfileError, match=r"does not fall.*heavier load is slower"):
        fit(*by_hand(*pairs), exercise=exercise)


def test_loads_so_close_that_chance_turns_them_round_are_no_reason() -> None:
    found = fit(*by_hand(("60 kg", 0.72), ("62 kg", 0.74)))
    assert any("about the same load" in text for text in found.remarks)


@pytest.mark.parametrize("off_m_s", [0.5, -0.3])
def test_one_wrong_set_among_three_is_refused_by_name(off_m_s: float) -> None:
    sets = [expected(0.4), expected(0.6, off_m_s), expected(0.8)]
    with pytest.raises(NoProfileError, match=r"standard deviations; allowed: 4.*check the load"):
        fit(*sets)


def test_a_doubtful_set_is_pointed_out_and_widens_every_spread() -> None:
    good = fit(*(expected(share) for share in (0.4, 0.5, 0.6, 0.7, 0.8)))
    # 0.22 m/s is 3.5 standard deviations: a factor of 1.4, less what one more spread of the curves takes up.
    doubted = fit(*(expected(share, 0.22 if share == 0.6 else 0.0) for share in (0.4, 0.5, 0.6, 0.7, 0.8)))
    assert not any("standard deviations" in text for text in good.remarks)
    assert any("the set at 48.9 kg" in text and "is faster" in text for text in doubted.remarks)
    assert good.profile.one_rm_n is not None
    assert doubted.profile.one_rm_n is not None
    assert doubted.profile.one_rm_n.sd > 1.2 * good.profile.one_rm_n.sd


def test_a_lifted_one_rm_that_the_sets_contradict_is_refused() -> None:
    with pytest.raises(NoProfileError, match=r"lifted 1RM that means 50\.0 kg"):
        fit(expected(0.5), expected(0.8), one_rm_n=parse_load("50 kg"))


def test_loads_far_from_the_1rm_make_no_profile() -> None:
    for sets in ((("3 kg", 1.75),), (("3 kg", 1.75), ("5 kg", 1.7))):
        with pytest.raises(NoProfileError, match=r"Add a heavier set"):
            fit(*by_hand(*sets))


def test_honest_sets_are_not_refused() -> None:
    """Sixty profiles with the stated error of measurement: chance refuses one in thousands."""
    rng = np.random.default_rng(5)
    for _ in range(60):
        fit(*(expected(share, 0.05 * float(rng.standard_normal())) for share in (0.45, 0.6, 0.8)))


def test_the_range_never_goes_below_what_was_lifted() -> None:
    found = fit(expected(0.5), expected(0.95))
    assert found.one_rm_range_n[0] >= 0.95 * ONE_RM_N
    assert found.one_rm_range_n[1] > found.one_rm_range_n[0]


def test_at_the_command_line_a_refusal_is_bad_input_and_writes_nothing(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    told = ["profile", "--lifter", "a7", "--exercise", "bench_press", "--set", "40 kg 0.6", "--set", "60 kg 0.9"]
    code, _, err = run_command(capsys, *told, "-o", str(tmp_path / "a.toml"))
    assert code == Exit.BAD_INPUT
    assert "no profile: velocity does not fall" in err
    assert not (tmp_path / "a.toml").exists()


def test_the_json_has_the_range(capsys: pytest.CaptureFixture[str]) -> None:
    told = ["profile", "--lifter", "a7", "--exercise", "bench_press", "--set", "40 kg 1.0", "--set", "60 kg 0.65"]
    code, out, _ = run_command(capsys, *told, "--json")
    assert code == Exit.OK
    low, high = json.loads(out)["one_rm_80_percent_range_n"]
    assert parse_load("60 kg") < low < high
