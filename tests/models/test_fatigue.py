"""Fatigue laws against closed forms, published endurance and two packages that were not written here."""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from pypermod.agents.wbal_agents.wbal_ode_agent_skiba import WbalODEAgentSkiba

from campaigns.references import myosuite_traces
from ebbset.models.physiology.fatigue import (
    JOINTS,
    power_law_endurance_s,
    reserve_endurance_s,
    reserve_rates,
    skiba_2012_tau_s,
    three_compartment_endurance_s,
    three_compartment_rates,
    w_prime_balance_j,
)
from ebbset.simulators.validation import reference_3ccr

LOADS = (0.2, 0.3, 0.4, 0.5, 0.6, 0.7, 0.8)
REFERENCE_FOLDER = Path(__file__).resolve().parents[2] / "build" / "reference"


def hold_3cc(target: float, fatigue: float, recovery: float, dt: float = 0.01) -> float:
    """Seconds until active and resting units together are fewer than the target, explicit Euler."""
    active, fatigued, t = 0.0, 0.0, 0.0
    while 1.0 - fatigued >= target:
        a, f, _, _ = three_compartment_rates(
            active, fatigued, 0.0, 0.0, target, fatigue, recovery, 15.0, 0.0, 0.0, 0.0, 0.0, 0.0, 50.0, 50.0, 1.0
        )
        active, fatigued, t = active + dt * a, fatigued + dt * f, t + dt
    return t


@pytest.mark.parametrize("joint", sorted(JOINTS))
@pytest.mark.parametrize("target", [0.3, 0.5, 0.8])
def test_held_effort_ends_when_the_closed_form_says(joint: str, target: float) -> None:
    constants = JOINTS[joint]
    closed = three_compartment_endurance_s(target, constants.fatigue_per_s, constants.recovery_per_s)
    assert hold_3cc(target, constants.fatigue_per_s, constants.recovery_per_s) == pytest.approx(closed, rel=0.02)


@pytest.mark.parametrize("joint", sorted(JOINTS))
def test_endurance_is_within_a_factor_of_two_of_the_published_power_law(joint: str) -> None:
    """Frey-Law & Avin 2010 (fit to 194 studies), with the constants of Frey-Law et al. 2012."""
    c = JOINTS[joint]
    for target in LOADS:
        ratio = three_compartment_endurance_s(target, c.fatigue_per_s, c.recovery_per_s) / power_law_endurance_s(
            target, c.power_b0_s, c.power_b1
        )
        assert 0.5 <= ratio <= 2.0


def test_endurance_values_worked_out_beforehand() -> None:
    """General joint and shoulder at 50 %: 86.5 s by the power law and 108.3 s by the closed form; 52.8 and 57.6 s."""
    general, shoulder = JOINTS["general"], JOINTS["shoulder"]
    assert power_law_endurance_s(0.5, general.power_b0_s, general.power_b1) == pytest.approx(86.5, abs=0.1)
    assert three_compartment_endurance_s(0.5, 0.00970, 0.00091) == pytest.approx(108.3, abs=0.1)
    assert power_law_endurance_s(0.5, shoulder.power_b0_s, shoulder.power_b1) == pytest.approx(52.8, abs=0.1)
    assert three_compartment_endurance_s(0.5, 0.01820, 0.00168) == pytest.approx(57.6, abs=0.1)
    assert three_compartment_endurance_s(0.05, 0.01820, 0.00168) == math.inf


def test_rest_halves_fatigue_in_the_published_half_time() -> None:
    """ln 2 / (r R): 27.5 s for the shoulder with r = 15 (Looft & Frey-Law 2020)."""
    fatigued, dt = 0.4, 0.01
    for _ in range(round(27.5 / dt)):
        _, f, _, _ = three_compartment_rates(
            0.0, fatigued, 0.0, 0.0, 0.0, 0.0182, 0.00168, 15.0, 0.0, 0.0, 0.0, 0.0, 0.0, 50.0, 50.0, 1.0
        )
        fatigued += dt * f
    assert fatigued == pytest.approx(0.2, abs=0.002)


@given(
    active=st.floats(0.0, 1.0), fatigued=st.floats(0.0, 1.0), fast=st.floats(0.0, 1.0), slow=st.floats(0.0, 1.0),
    target=st.floats(0.0, 1.0), share=st.floats(0.0, 0.45), strain=st.floats(0.0, 3.0),
)  # fmt: skip
def test_compartments_neither_leak_nor_leave_their_bounds(
    active: float, fatigued: float, fast: float, slow: float, target: float, share: float, strain: float
) -> None:
    total = active + fatigued + fast + slow
    if total > 1.0:
        active, fatigued, fast, slow = active / total, fatigued / total, fast / total, slow / total
    recovery = (share, 0.2, share, 0.0025, strain)
    compartments = three_compartment_rates(
        active, fatigued, fast, slow, target, 0.02, 0.002, 15.0, *recovery, 50.0, 50.0, 1.0
    )
    for rates in (
        compartments,
        reserve_rates(active, fatigued, fast, slow, target, 0.3, 20.0, 2.0, *recovery, 50.0, 50.0, 1.0),
    ):
        assert all(math.isfinite(r) for r in rates)
        if fatigued == 0.0:
            assert rates[1] >= 0.0
        if fast == 0.0:
            assert rates[2] >= 0.0
        if slow == 0.0:
            assert rates[3] >= 0.0
    if active + fatigued + fast + slow >= 1.0 - 1e-12:  # nothing rested is left: the rested share can only grow
        assert math.fsum(compartments) <= 1e-9


def test_without_shares_and_strain_the_fast_and_the_slow_compartment_stay_empty() -> None:
    rates = three_compartment_rates(
        0.6, 0.2, 0.0, 0.0, 0.8, 0.02, 0.002, 15.0, 0.0, 0.2, 0.0, 0.0, 0.0, 50.0, 50.0, 1.0
    )
    assert rates[2] == rates[3] == 0.0
    assert rates[1] == pytest.approx(0.02 * 0.6 - 0.002 * 0.2)


def test_only_effort_beyond_what_there_is_strains() -> None:
    """Fatigue 0.2: at a target of 0.8 or less nothing turns slow; at 1.0, 1.5 x 0.2 unmet x 0.2 = 0.06 per second."""
    for rates, lost in ((three_compartment_rates, 1.0), (reserve_rates, 0.8)):
        constants = (0.2, 20.0, 1.0) if rates is reserve_rates else (0.02, 0.002, 15.0)
        for target in (0.5, 0.8, 1.0):
            slow = rates(0.5, 0.2, 0.0, 0.0, target, *constants, 0.0, 0.0, 0.0, 0.0, 1.5, 50.0, 50.0, 1.0)[3]
            unmet = max(target - (1.0 - lost * 0.2), 0.0)
            assert slow == pytest.approx(1.5 * unmet * 0.2)


def test_the_fast_part_comes_back_at_rest_only() -> None:
    """At 0.2 per second half of it is back after ln 2 / 0.2 = 3.5 s of rest, and none of it while something is held."""
    for rates, constants in ((three_compartment_rates, (0.02, 0.002, 15.0)), (reserve_rates, (0.3, 20.0, 1.0))):
        left = {}
        for target in (0.0, 0.2):
            fast = 0.1
            for _ in range(350):
                fast += (
                    0.01 * rates(0.0, 0.0, fast, 0.0, target, *constants, 0.6, 0.2, 0.0, 0.0, 0.0, 50.0, 50.0, 1.0)[2]
                )
            left[target] = fast
        assert left[0.0] == pytest.approx(0.05, abs=0.001)
        assert left[0.2] == pytest.approx(0.1)


def test_traces_equal_those_of_the_independent_package() -> None:
    """Fetches myosuite 3.0.0, runs its CumulativeFatigue and compares trace for trace.

    The two differ only in how fast muscles switch on (constant 20 ms here, 5 to 20 ms there), which shows for some
    ten milliseconds after each change of target: a share of 0.02 · F at most, plus the steps of either integrator.
    """
    module = myosuite_traces.load(myosuite_traces.fetch(REFERENCE_FOLDER))
    constants, reference = myosuite_traces.reference_trace(module)
    own = reference_3ccr.own_trace(constants)
    assert reference.shape == own.shape == (320, len(reference_3ccr.ROWS), 2)
    assert reference[:, :, 1].max() > 0.25
    np.testing.assert_allclose(own, reference, atol=0.002)
    stored_constants, stored = reference_3ccr.stored_trace()
    np.testing.assert_allclose(stored_constants, constants, rtol=1e-9)
    np.testing.assert_allclose(stored, reference, atol=1e-9)


@settings(max_examples=30, deadline=None)
@given(powers=st.lists(st.floats(0.0, 400.0).map(round), min_size=10, max_size=400))
def test_reserve_equals_the_independent_package(powers: list[int]) -> None:
    """pypermod 1.3 (MIT), WbalODEAgentSkiba, which stops at empty and snaps to full within 0.1 J."""
    agent = WbalODEAgentSkiba(w_p=18_200.0, cp=248.0, hz=1)
    agent.reset()
    own = w_prime_balance_j([float(p) for p in powers], 1.0, 248.0, 18_200.0)
    for power, expected in zip(powers, own, strict=True):
        if expected < 0.0:
            break
        agent.set_power(power)
        agent.perform_one_step()
        assert agent.get_w_p_balance() == pytest.approx(expected, abs=1.0)


def test_reserve_model_in_the_loop_is_the_same_law() -> None:
    """``reserve_rates`` with a full reserve of 20 s and critical force 0.3 against ``w_prime_balance_j``."""
    critical, reserve, dt = 0.3, 20.0, 0.005
    schedule = [0.6] * 2000 + [0.1] * 4000 + [0.5] * 1000
    depleted, active, own = 0.0, 0.6, []
    for target in schedule:
        active = target
        _, d, _, _ = reserve_rates(
            active, depleted, 0.0, 0.0, target, critical, reserve, 1.0, 0.0, 0.0, 0.0, 0.0, 0.0, 50.0, 50.0, 1.0
        )
        depleted += dt * d
        own.append((1.0 - depleted) * reserve)
    expected = w_prime_balance_j(schedule, dt, critical, reserve)
    np.testing.assert_allclose(own, expected, rtol=2e-4)


def test_skiba_time_constants() -> None:
    """862.0, 647.2, 516.9, 389.9 s at 0, 50, 100, 200 W (Skiba 2012 MSSE 44:1526-1532, formula as in two packages)."""
    assert [round(skiba_2012_tau_s(d), 1) for d in (0.0, 50.0, 100.0, 200.0)] == [862.0, 647.2, 516.9, 389.9]


def test_constant_force_empties_the_reserve_when_the_three_parameter_model_says() -> None:
    critical, reserve, target, dt = 0.3, 18.0, 0.6, 0.005
    depleted, t = 0.0, 0.0
    while 1.0 - (1.0 - critical) * depleted >= target:
        depleted += (
            dt
            * reserve_rates(
                target, depleted, 0.0, 0.0, target, critical, reserve, 1.0, 0.0, 0.0, 0.0, 0.0, 0.0, 50.0, 50.0, 1.0
            )[1]
        )
        t += dt
    assert t == pytest.approx(reserve_endurance_s(target, critical, reserve), rel=0.002)
    assert reserve_endurance_s(0.3, critical, reserve) == math.inf
