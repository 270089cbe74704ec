"""What depends on load, speed and tiredness: friction, the motor's limits, braking, depth, the tired repetition."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import numpy.typing as npt
import pytest

from ebbset.models.contract.units import STANDARD_GRAVITY_M_S2
from ebbset.models.physiology.fatigue import JOINTS, power_law_endurance_s
from ebbset.simulators.lifter import layout as lay
from ebbset.simulators.lifter.layout import Phase
from ebbset.simulators.plant import physics
from ebbset.simulators.plant.plant import Plant
from ebbset.simulators.plant.rig_parameters import RigParameters, free_weight, strong_rig
from ebbset.simulators.population.population import person_rng
from ebbset.simulators.population.strength_test import lift_once
from ebbset.simulators.validation.measures import measured_one_rm_n
from ebbset.simulators.validation.people import people
from ebbset.simulators.validation.protocols import first_and_last_peak, held_s
from tests.support.plants import QUIET, RIG, bencher, plant

FloatArray = npt.NDArray[np.float64]


def dragged(rig: RigParameters, load_n: float, speed_m_s: float) -> tuple[float, float]:
    """Tension and speed while a stiff speed servo drags the handle out (or lets it in) against a load."""
    p = plant(rig=rig)
    p.command((load_n,), 1e4)
    p.advance(600)
    out = np.zeros((1, 1, 4))
    for _ in range(900):
        p.run_frame(1, 1, out)
        p.pull((load_n + 400.0 * (speed_m_s - out[0, 0, 2]),))
    return float(out[0, 0, 3]), float(out[0, 0, 2])


@pytest.mark.parametrize("load_n", [100.0, 500.0])
def test_friction_grows_with_the_load(load_n: float) -> None:
    """At a share of 3 % the tension T obeys T = load + C + 0.03 T: at 500 N 12.4 N more than at 100 N."""
    tension, v = dragged(replace(RIG, coulomb_n=6.0, coulomb_share=0.03, viscous_n_s_m=0.0), load_n, 0.3)
    knee = abs(v) / np.hypot(v, lay.LOAD_FRICTION_KNEE_M_S)
    assert tension == pytest.approx((load_n + 6.0) / (1.0 - 0.03 * knee), abs=0.5)


@pytest.mark.parametrize("wide_enough", [pytest.param(True, id="as it is"), pytest.param(False, id="counter-check")])
def test_friction_under_a_heavy_load_does_not_shake_the_drum(*, wide_enough: bool) -> None:
    """With a knee that does not widen, 200 N of friction would reverse within a step of 1.25 ms: the drum buzzes."""
    p = Plant(strong_rig(10_000.0), bencher(f_max_n=9_000.0), person_rng(0, 0), dt_s=0.00125)
    if not wide_enough:
        p.state.parameters[lay.P_LOAD_KNEE] = 0.0
    p.command((9_500.0,), 1e4)
    p.advance(4800)
    p.state.cables[0, lay.C_W] += 0.01
    p.advance(800)
    speeds = []
    for _ in range(100):
        p.advance(1)
        speeds.append(abs(float(p.state.cables[0, lay.C_W])))
    assert (max(speeds) < 1e-4) is wide_enough


def test_a_rig_whose_power_would_give_way_within_a_step_is_refused() -> None:
    with pytest.raises(ValueError, match=r"^dt_s is 0.001; allowed: at most 0.00025 s with this max_power_w"):
        plant(rig=replace(RIG, max_load_n=6_000.0))
    plant(rig=strong_rig(6_000.0))


@pytest.mark.parametrize(
    ("speed_m_s", "most_n"),
    [(0.1, 1500.0), (1.0, 600.0), (2.0, 300.0), (-0.1, 1450.0), (-1.0, 600.0), (-2.5, 240.0), (-3.0, 0.0), (-4.0, 0.0)],
)
def test_the_motor_has_a_power_and_a_voltage(speed_m_s: float, most_n: float) -> None:
    """600 W give 300 N at 2 m/s; at 3 m/s nothing is left of the voltage, only of the way in."""
    p = plant(rig=replace(RIG, max_load_n=1500.0, max_power_w=600.0, no_load_speed_m_s=3.0))
    assert min(physics.motor_limit_n(p.state.parameters, speed_m_s), 1500.0) == pytest.approx(most_n)


def test_a_drum_let_go_comes_home_no_faster_than_the_motor_can_turn() -> None:
    fastest = {}
    for speed in (1.0, 1000.0):
        p = plant(rig=replace(RIG, no_load_speed_m_s=speed))
        p.command((300.0,), 1e5)
        p.advance(400)
        p.pull((340.0,))
        p.advance(400)
        p.pull((0.0,))
        speeds = []
        for _ in range(400):
            p.advance(1)
            speeds.append(-float(p.state.cables[0, lay.C_W]))
        fastest[speed] = max(speeds)
    assert 0.8 < fastest[1.0] < 1.2, "its no-load speed, and a little that the cable's own spring adds"
    assert fastest[1000.0] > 2.0


@pytest.mark.parametrize("share", [0.3, 0.5, 0.8])
def test_a_weight_is_braked_by_gravity_alone_on_the_way_up(share: float) -> None:
    """A person stops pushing: the weight slows by at most g (and the limbs, which hang on it, by less)."""
    lifter = bencher(**QUIET)
    load = share * measured_one_rm_n(lifter)
    p = lift_once(lifter, free_weight(load), load, until_s=1.2)
    out = np.zeros((1, 1, 4))
    slowing = []
    while p.phase != Phase.TOP and p.time_s < 8.0:
        before, lifting = float(p.state.cables[0, lay.C_V]), p.phase == Phase.CONCENTRIC
        p.run_frame(1, 1, out)
        if lifting and p.phase == Phase.CONCENTRIC:
            slowing.append((before - float(p.state.cables[0, lay.C_V])) / p.step_s)
    assert p.phase == Phase.TOP
    assert 3.0 < max(slowing) <= STANDARD_GRAVITY_M_S2


def test_depth_and_range_vary_from_repetition_to_repetition() -> None:
    """Bottoms of 30 light repetitions spread by the SD asked for (two-sided 95 % of a chi-square with 29 df)."""
    lifter = bencher(**{**QUIET, "depth_sd_m": 0.008, "range_cv": 0.01})
    p = Plant(RIG, lifter, np.random.default_rng(4))
    p.start()
    p.advance(1200)
    p.command((150.0,), 800.0)
    bottoms: list[float] = []
    tops: list[float] = []
    phase = p.phase
    while len(bottoms) < 31:
        p.advance(10)
        if p.phase == Phase.CONCENTRIC and phase != Phase.CONCENTRIC:
            bottoms.append(float(p.state.cables[0, lay.C_X]))
        if p.phase == Phase.TOP and phase != Phase.TOP:
            tops.append(float(p.state.cables[0, lay.C_X]))
        phase = p.phase
    assert 0.79 * 0.008 < np.std(bottoms[1:], ddof=1) < 1.35 * 0.008
    assert 0.79 * 0.004 < np.std(tops, ddof=1) < 1.35 * 0.004
    assert p.truth.repetitions >= 30


def test_a_tired_repetition_is_fastest_early() -> None:
    """Duffey & Challis 2007, 18 lifters at 75 %: time to lift more than doubles, the peak comes much earlier."""
    pairs = []
    for i, lifter in enumerate(people("bench_press", 10, 3)):
        pair = first_and_last_peak(lifter, 0.75 * measured_one_rm_n(lifter), person_rng(3, i))
        if pair is not None:
            pairs.append(pair)
    assert len(pairs) >= 9
    earlier = [last.at_time < 0.5 * first.at_time for first, last in pairs]
    assert np.mean(earlier) >= 0.8
    assert np.mean([last.duration_s / first.duration_s for first, last in pairs]) > 2.0
    assert all(last.velocity_m_s < first.velocity_m_s for first, last in pairs)


@pytest.mark.parametrize("model", ["3cc_r", "critical_force"])
@pytest.mark.parametrize("share", [0.5, 0.7])
def test_the_lifter_of_the_sets_holds_still_about_as_long_as_published(model: str, share: float) -> None:
    """Shoulder, Frey-Law & Avin 2010. Within a factor of two either way: the published constants themselves miss the
    published law by up to 1.85 (0.54 to 1.39 over joints and loads). With the constants that lifting had before it was
    2.2 to 2.7 at 50 %. At 30 % the critical force, which does not fall, still holds 2.3 times as long: shown by
    ``ebbset validate`` and not met.
    """
    lifter = bencher(fatigue_model=model)
    shoulder = JOINTS["shoulder"]
    law = power_law_endurance_s(share, shoulder.power_b0_s, shoulder.power_b1)
    assert 0.5 < held_s(lifter, share) / law < 2.0
