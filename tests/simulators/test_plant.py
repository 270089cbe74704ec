"""The rig and the lifter as mechanics: balances, determinism, bounds, behaviours, integration order."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from scipy.integrate import solve_ivp

from ebbset.rig.load_ramp import ramp_change_n
from ebbset.simulators.lifter import layout as lay
from ebbset.simulators.lifter.exercises import EXERCISES, exercise
from ebbset.simulators.lifter.layout import Phase
from ebbset.simulators.plant import physics
from ebbset.simulators.plant.plant import Plant
from ebbset.simulators.plant.rig_parameters import RigParameters, free_weight, strong_rig
from ebbset.simulators.population.population import draw_lifter, person_rng
from ebbset.simulators.population.strength_test import lift_once
from ebbset.simulators.validation.measures import set_to_failure
from tests.support.plants import QUIET, RIG, bencher, loaded, plant, run_until


def bits(p: Plant) -> bytes:
    return p.state.to_bytes()


# ---------------------------------------------------------------- rig mechanics


def test_docked_handle_carries_the_motor_force() -> None:
    p = plant()
    p.command((200.0,), 400.0)
    out = np.zeros((100, 1, 4))
    p.run_frame(100, 20, out)
    assert p.docked
    assert out[-1, 0, 3] == pytest.approx(200.0, abs=0.5)


def test_load_follows_the_ramp_and_the_motor_lag() -> None:
    """A first-order lag behind a ramp trails it by rate / (2 pi f); the command itself is slewed exactly."""
    p = plant(rig=replace(RIG, torque_bandwidth_hz=5.0, coulomb_n=0.0, coulomb_share=0.0))
    p.command((600.0,), 300.0)
    p.advance(1500)
    assert p.state.cables[0, lay.C_COMMAND] == pytest.approx(450.0, abs=0.31)
    trail = 450.0 - p.state.cables[0, lay.C_MOTOR]
    assert trail == pytest.approx(300.0 / (2.0 * np.pi * 5.0), rel=0.05)


def test_the_rigs_own_limits_cut_the_command() -> None:
    p = plant(rig=replace(RIG, max_load_n=300.0, max_ramp_n_per_s=100.0))
    p.command((900.0,), 1.0e5)
    p.advance(1000)
    assert p.state.cables[0, lay.C_COMMAND] == pytest.approx(100.0, abs=0.11)
    p.advance(4000)
    assert p.state.cables[0, lay.C_COMMAND] == 300.0


@given(st.floats(0.0, 5_000.0), st.floats(0.0, 5_000.0), st.floats(0.0, 100.0))
def test_a_simulated_drive_ramps_as_a_rig_does_to_the_bit(load_n: float, target_n: float, most_n: float) -> None:
    """The plant compiles the rig's own function; the machine code must not round otherwise."""
    change_n = physics.ramp_change_n(load_n, target_n, most_n)
    assert change_n.hex() == ramp_change_n(load_n, target_n, most_n).hex()
    assert abs(change_n) <= most_n


def test_friction_adds_on_the_way_out_and_subtracts_on_the_way_in() -> None:
    """At a steady speed v the tension is motor ± Coulomb + viscous v: the balance an integrator identifies."""
    tension = {}
    for sign in (1.0, -1.0):
        p = plant(rig=replace(RIG, coulomb_n=12.0, coulomb_share=0.0, viscous_n_s_m=20.0))
        p.command((100.0,), 1e4)
        p.pull((150.0,))
        p.advance(400)
        speed = 0.3 * sign
        out = np.zeros((1, 1, 4))
        for _ in range(600):  # a stiff speed servo at the handle
            p.run_frame(1, 1, out)
            p.pull((100.0 + 400.0 * (speed - out[0, 0, 2]) + 15.0 * sign,))
        tension[sign] = out[0, 0, 3], out[0, 0, 2]
    for sign, (force, v) in tension.items():
        assert force == pytest.approx(100.0 + sign * 12.0 * abs(v) / np.hypot(v, 0.01) + 20.0 * v, abs=0.3)


def test_energy_is_kept_without_friction_and_damping() -> None:
    """Kinetic + elastic + work against the constant motor force − work of the pull stays constant."""
    rig = replace(RIG, coulomb_n=0.0, coulomb_share=0.0, viscous_n_s_m=0.0, cable_damping_n_s_m=0.0)
    p = Plant(rig, bencher(), np.random.default_rng(0), dt_s=1e-4)
    p.command((80.0,), 1e5)
    p.advance(5000)
    p.pull((130.0,))
    energies = []
    for _ in range(400):
        p.advance(10)
        x, v, y, w, motor = p.state.cables[0, :5]
        assert x > y, "the cable must stay taut for this balance"
        elastic = 0.5 * rig.cable_stiffness_n_m * (x - y) ** 2
        kinetic = 0.5 * rig.handle_mass_kg * v**2 + 0.5 * rig.inertia_kg * w**2
        energies.append(kinetic + elastic + motor * y - 130.0 * x)
    work = 130.0 * p.state.cables[0, lay.C_X]
    assert work > 50.0
    assert np.ptp(energies) < 1e-3 * work


def test_friction_only_takes_energy() -> None:
    """What is pulled in, less what is stored, is never negative with friction and damping on."""
    p = plant()
    p.command((80.0,), 1e5)
    p.advance(500)
    p.pull((130.0,))
    x0, start, lost = p.state.cables[0, lay.C_X], None, []
    for _ in range(400):
        p.advance(1)
        x, v, y, w, motor = p.state.cables[0, :5]
        stored = 0.5 * RIG.cable_stiffness_n_m * max(x - y, 0.0) ** 2 + motor * y
        stored += 0.5 * RIG.handle_mass_kg * v**2 + 0.5 * RIG.inertia_kg * w**2
        loss = 130.0 * (x - x0) - stored
        start = loss if start is None else start
        lost.append(loss - start)
    assert lost[-1] > 1.0
    assert min(np.diff(lost)) > -2e-3


def test_a_released_handle_flies_home_and_the_cable_never_pushes() -> None:
    p = plant()
    p.command((150.0,), 1e5)
    p.advance(200)
    p.pull((250.0,))
    p.advance(150)
    far = p.state.cables[0, lay.C_X]
    p.pull((0.0,))
    out = np.zeros((3000, 1, 4))
    p.run_frame(3000, 1, out)
    assert far > 0.1
    assert np.all(out[:, 0, 3] >= 0.0)
    assert np.any(out[:, 0, 3] == 0.0), "a flying handle must slacken the cable at the dock"
    assert abs(out[-1, 0, 1]) < 0.01


def test_free_weight_at_rest_weighs_what_it_weighs() -> None:
    p = lift_once(bencher(), free_weight(500.0), 500.0, until_s=2.4)
    assert p.phase == Phase.BOTTOM
    out = np.zeros((1, 1, 4))
    p.run_frame(1, 1, out)
    assert out[0, 0, 3] == pytest.approx(500.0, rel=0.01)


# ---------------------------------------------------------------- integration


def _smooth_state() -> tuple[Plant, np.ndarray, np.ndarray]:
    p = loaded(700.0, **QUIET)
    run_until(p, Phase.CONCENTRIC)
    p.advance(120)
    return p, p.state.parameters.copy(), p.state.cables[0].copy()


def test_second_order_convergence_against_an_adaptive_integrator() -> None:
    """scipy's DOP853 at 1e-12 on the same right-hand side through 0.25 s of a maximal lift."""
    _, p, row = _smooth_state()
    seconds = 0.25

    def slope(_: float, y: np.ndarray) -> list[float]:
        x, v, w_y, w, m, a, f, b, felt, slow, fast = (float(value) for value in y)
        return list(physics.rates(p, row, x, v, w_y, w, m, a, f, b, felt, slow, fast, float(row[lay.C_COMMAND])))

    exact = solve_ivp(slope, (0.0, seconds), row[: lay.C_COMMAND], method="DOP853", rtol=1e-12, atol=1e-12).y[:, -1]
    assert exact[lay.C_X] - row[lay.C_X] > 0.05
    errors = []
    for dt in (2e-3, 1e-3, 5e-4, 2.5e-4):
        q, r = p.copy(), row.copy()
        q[lay.P_DT] = dt
        for _ in range(round(seconds / dt)):
            physics.step_cable(q, r, 1.0)
        errors.append(abs(r[lay.C_X] - exact[lay.C_X]))
    orders = np.log2(np.array(errors[:-1]) / np.array(errors[1:]))
    assert errors[1] < 2e-5, "at the default step the handle is within 20 µm"
    assert np.all((orders > 1.7) & (orders < 2.4)), (errors, orders)


def test_steps_that_would_be_unstable_are_refused() -> None:
    stiff = replace(RIG, cable_stiffness_n_m=1.0e6)
    with pytest.raises(ValueError, match=r"^dt_s is 0.001; allowed: at most .* cable_stiffness_n_m"):
        Plant(stiff, bencher(), np.random.default_rng(0))
    with pytest.raises(ValueError, match=r"^dt_s is 1; allowed"):
        Plant(RIG, bencher(), np.random.default_rng(0), dt_s=1)


# ---------------------------------------------------------------- determinism


def test_same_seed_same_bits_and_another_seed_not() -> None:
    a, b, c = (set_to_failure(bencher(), 700.0, np.random.default_rng(s)) for s in (1, 1, 2))
    assert bits(a) == bits(b)
    assert bits(a) != bits(c)


def test_a_fork_goes_the_same_way_and_leaves_its_parent_alone() -> None:
    p = loaded(700.0)
    p.advance(7321)
    before, twin = bits(p), p.fork()
    twin.advance(9000)
    assert bits(p) == before
    p.advance(9000)
    assert bits(p) == bits(twin)


def test_frames_and_single_steps_are_the_same_motion() -> None:
    a, b = loaded(700.0), loaded(700.0)
    out = np.zeros((40, 1, 4))
    for _ in range(20):
        a.run_frame(40, 5, out)
    b.advance(4000)
    assert bits(a) == bits(b)
    assert out[-1, 0, 0] == pytest.approx(a.time_s)
    assert out[-1, 0, 1] == a.state.cables[0, lay.C_X]


def test_a_person_is_the_same_however_many_are_drawn() -> None:
    kind = exercise("row")
    alone = draw_lifter(kind, person_rng(5, 17))
    crowd = [draw_lifter(kind, person_rng(5, i)) for i in range(20)]
    assert crowd[17] == alone
    assert len(set(crowd)) == 20


# ---------------------------------------------------------------- bounds


@settings(max_examples=40, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(data=st.data())
def test_no_parameters_make_it_leave_the_possible(data: st.DataObject) -> None:
    """Whatever the person, the habits and the commands: finite, bounded, capacity in [0, 1], tension >= 0."""
    draw = data.draw
    kind = exercise(draw(st.sampled_from(EXERCISES)))
    lifter = replace(
        draw_lifter(kind, person_rng(draw(st.integers(0, 10_000)), 0)),
        give_in=draw(st.sampled_from(("slow_lowering", "sudden_release"))),
        partial_tendency=draw(st.floats(0.0, 1.0)),
        jerk=draw(st.floats(0.0, 0.3)),
        talk_after_reps=draw(st.integers(0, 3)),
        talk_s=draw(st.floats(0.0, 3.0)),
        concentric_velocity_m_s=draw(st.sampled_from((0.1, 0.4, 99.0))),
        force_noise_cv=draw(st.floats(0.0, 0.1)),
        grind_patience_s=draw(st.floats(0.1, 5.0)),
        fast_share=draw(st.floats(0.0, 0.5)),
        slow_share=draw(st.floats(0.0, 0.5)),
        strain_per_s=draw(st.floats(0.0, 10.0)),
        asymmetry=draw(st.floats(-0.3, 0.3)),
    )
    n = draw(st.integers(1, 2))
    rig = replace(strong_rig(4000.0, n_cables=n), torque_bandwidth_hz=draw(st.floats(1.0, 60.0)))
    p = Plant(rig, lifter, np.random.default_rng(draw(st.integers(0, 99))))
    p.start()
    out = np.zeros((250, n, 4))
    for _ in range(draw(st.integers(1, 12))):
        load = draw(st.floats(0.0, 1.3)) * lifter.f_max_n / n
        p.command((load,) * n, draw(st.floats(10.0, 20_000.0)))
        for _ in range(4):
            p.run_frame(250, 2, out)
            assert np.all(np.isfinite(out))
            assert np.all(out[:, :, 3] >= 0.0)
            assert np.all(out[:, :, 1] > -0.2)
            assert np.all(out[:, :, 1] < lifter.start_m + lifter.rom_m + 0.4)
        truth = p.truth
        assert 0.0 <= truth.capacity <= 1.0
        assert all(0.0 <= f <= 1.0 for f in truth.fatigued)
        assert all(-1e-9 <= a <= 1.0 + 1e-9 for a in truth.active)
        assert truth.repetitions <= truth.attempts


@pytest.mark.parametrize(
    ("field", "value"), [("f_max_n", -1.0), ("rom_m", float("nan")), ("give_in", "faint"), ("fatigue_model", "magic")]
)
def test_impossible_people_are_refused_by_name(field: str, value: Any) -> None:
    with pytest.raises(ValueError, match=rf"^{field} is .*allowed"):
        replace(bencher(), **{field: value})


def test_impossible_commands_and_rigs_are_refused_by_name() -> None:
    p = plant()
    for target, ramp in (((1.0, 2.0), 10.0), ((float("nan"),), 10.0), ((-1.0,), 10.0), ((1.0,), float("inf"))):
        with pytest.raises(ValueError, match="target_n"):
            p.command(target, ramp)
    with pytest.raises(ValueError, match=r"^inertia_kg is 0.0; allowed"):
        RigParameters(inertia_kg=0.0)
    with pytest.raises(ValueError, match=r"^n_cables is 3; allowed: 1 or 2"):
        RigParameters(n_cables=3)
    with pytest.raises(ValueError, match=r"^duration_s is -1.0"):
        p.rest(-1.0)
    with pytest.raises(ValueError, match=r"^exercise is 'squash'; allowed"):
        exercise("squash")
