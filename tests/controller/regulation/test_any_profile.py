"""Any profile that its schema lets through arms a set that runs to its end, with figures that can be written down."""

from __future__ import annotations

import datetime
import math
import re
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from ebbset.controller.messages.actions import SetResult
from ebbset.models.contract.profile import BOUNDS, LEAST_FALL_M_S, LEAST_RESIDUAL_M_S, LifterProfile
from tests.support.finite import finite
from tests.support.kinematic_rig import KinematicRig
from tests.support.regulated import order

ORDER = order(
    stop={"max_repetitions": 6, "max_drops": 3, "min_rom_fraction": 0.5, "rom_strikes": 5},
    budget={"capacity_loss": 0.9, "hard_repetitions": 50.0},
    drop={"policy": "fixed_fraction", "parameters": {"fraction": 0.2}},
)


def figure(name: str) -> st.SearchStrategy[dict[str, float]]:
    bounds = BOUNDS[name]

    def deviation(mean: float) -> st.SearchStrategy[dict[str, float]]:
        most_sd = mean if name == "one_rm_n" else bounds.most_sd
        sds = st.sampled_from([0.0, 5e-324, 1e-160, most_sd]) | st.floats(0.0, most_sd)
        return sds.map(lambda sd: {"mean": mean, "sd": sd})

    return (st.sampled_from([bounds.least, bounds.most]) | st.floats(bounds.least, bounds.most)).flatmap(deviation)


def falls(profile: dict[str, Any]) -> bool:
    """The line falls by enough."""
    at_zero, at_1rm = profile["velocity_at_zero_m_s"]["mean"], profile["velocity_at_1rm_m_s"]["mean"]
    return bool(at_1rm <= at_zero - LEAST_FALL_M_S)


FIGURES: dict[str, st.SearchStrategy[Any]] = {
    "lifter": st.just("invented"),
    "exercise": st.just("row"),
    "date": st.just(datetime.date(2026, 1, 1)),
    "one_rm_n": st.none() | figure("one_rm_n"),
    "velocity_at_zero_m_s": figure("velocity_at_zero_m_s"),
    "velocity_at_1rm_m_s": figure("velocity_at_1rm_m_s"),
    "residual_sd_m_s": st.sampled_from([LEAST_RESIDUAL_M_S, 0.3]) | st.floats(LEAST_RESIDUAL_M_S, 0.3),
    "rom_m": st.none() | figure("rom_m"),
}
PROFILES: st.SearchStrategy[dict[str, Any]] = st.fixed_dictionaries(FIGURES).filter(falls)


@given(
    profile=PROFILES, lifts_n=st.lists(st.floats(60.0, 600.0), min_size=1, max_size=6), cables=st.sampled_from([1, 2])
)
@settings(max_examples=30)
def test_any_profile_within_bounds_arms_a_set_that_runs_to_its_end(
    profile: dict[str, Any], lifts_n: list[float], cables: int
) -> None:
    rig = KinematicRig(ORDER, profile=LifterProfile.model_validate(profile), lifts_n=lifts_n, cables=cables)
    rig.begin()
    rig.run(45.0)
    results = [output for output in rig.outputs if isinstance(output, SetResult)]
    assert len(results) == 1
    assert results[0].guard_refusals == 0
    assert all(map(finite, rig.outputs))
    kept = rig.controller.left_behind
    assert kept is not None
    assert all(math.isfinite(value) for cable in kept.cables for value in cable.z)


@pytest.mark.parametrize(
    ("changes", "told"),
    [
        ({"one_rm_n": {"mean": 600.0, "sd": 1e7}}, "one_rm_n.sd is 1e+07; allowed: at most 600"),
        ({"one_rm_n": {"mean": 1e-300, "sd": 0.0}}, "one_rm_n.mean is 1e-300; allowed: from 1 to 20000"),
        ({"velocity_at_zero_m_s": {"mean": 1.8, "sd": 1e160}}, "velocity_at_zero_m_s.sd is 1e+160; allowed: at most 2"),
        (
            {"velocity_at_zero_m_s": {"mean": 6.1, "sd": 0.1}},
            "velocity_at_zero_m_s.mean is 6.1; allowed: from 0.1 to 6",
        ),
        ({"velocity_at_1rm_m_s": {"mean": 1e-3, "sd": 0.1}}, "velocity_at_1rm_m_s.mean is 0.001; allowed: from 0.01"),
        ({"velocity_at_1rm_m_s": {"mean": 0.3, "sd": 1e7}}, "velocity_at_1rm_m_s.sd is 1e+07; allowed: at most 1"),
        (
            {"velocity_at_1rm_m_s": {"mean": 1.79, "sd": 0.1}},
            "velocity_at_1rm_m_s.mean is 1.79; allowed: at least 0.05",
        ),
        ({"rom_m": {"mean": 0.5, "sd": 2.0}}, "rom_m.sd is 2; allowed: at most 1"),
        ({"residual_sd_m_s": 1e-300}, "greater than or equal to 0.005"),
    ],
)
def test_a_profile_beyond_the_bounds_is_refused_with_field_value_and_what_is_allowed(
    changes: dict[str, Any], told: str
) -> None:
    good: dict[str, Any] = {
        "lifter": "invented",
        "exercise": "row",
        "date": "2026-01-01",
        "velocity_at_zero_m_s": {"mean": 1.8, "sd": 0.1},
        "velocity_at_1rm_m_s": {"mean": 0.3, "sd": 0.05},
    }
    LifterProfile.model_validate(good)
    with pytest.raises(ValueError, match=re.escape(told)):
        LifterProfile.model_validate({**good, **changes})
