"""A rig's ramp, bandwidth and friction found from the outside, against the simulated rig that has them."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from ebbset.conformance.identification import CableIdentification, HoldTrace, NotIdentifiedError, identify
from ebbset.conformance.rig_access import MqttAccess
from ebbset.controller.link.settings import BrokerSettings
from ebbset.simulators.lifter.exercises import exercise
from ebbset.simulators.plant.plant import Plant
from ebbset.simulators.plant.rig_parameters import RigParameters
from ebbset.simulators.population.population import draw_lifter, person_rng
from ebbset.simulators.rig.firmware import RigFirmware
from ebbset.simulators.rig.sensors import SensorParameters, Sensors
from ebbset.simulators.rig.simulated_rig import SimulatedRig, firmware_settings
from tests.support.brokers import mosquitto
from tests.support.simulated_access import SimulatedAccess

HAND = draw_lifter(exercise("row"), person_rng(11, 0))


def simulated(parameters: RigParameters, sensors: SensorParameters | None = None, seed: int = 1) -> SimulatedRig:
    streams = [np.random.default_rng(child) for child in np.random.SeedSequence(seed).spawn(2)]
    return SimulatedRig(
        Plant(parameters, HAND, streams[0]),
        Sensors(sensors or SensorParameters(), cables=parameters.n_cables, rng=streams[1]),
        RigFirmware(firmware_settings(parameters), boot_id="boot-0001"),
        frame_samples=5,
        ready_after_s=None,
    )


def deviations(found: CableIdentification, truth: RigParameters) -> dict[str, float]:
    """How many standard deviations each figure lies from the truth."""
    pairs = {
        "ramp": (found.ramp_n_per_s, truth.max_ramp_n_per_s),
        "bandwidth": (found.bandwidth_hz, truth.torque_bandwidth_hz),
        "coulomb": (found.coulomb_n, truth.coulomb_n),
        "viscous": (found.viscous_n_s_m, truth.viscous_n_s_m),
    }
    return {name: abs(estimate.value - true) / estimate.sd for name, (estimate, true) in pairs.items()}


RIGS = {
    "default": RigParameters(),
    "sluggish": RigParameters(torque_bandwidth_hz=6.0),
    "quick-and-rough": RigParameters(torque_bandwidth_hz=30.0, coulomb_n=15.0, viscous_n_s_m=12.0),
    "frictionless": RigParameters(coulomb_n=0.0, viscous_n_s_m=0.0),
    "heavy-pair": RigParameters(n_cables=2, max_ramp_n_per_s=1_000.0, inertia_kg=6.0),
}


@pytest.mark.parametrize("name", RIGS)
def test_the_rig_s_figures_come_back_within_their_stated_error(name: str) -> None:
    truth = RIGS[name]
    for seed in (1, 2, 3):
        results = identify(SimulatedAccess(simulated(truth, seed=seed)))
        assert len(results) == truth.n_cables
        for found in results:
            # The stated error is three standard deviations, and those must be small enough to be of use.
            assert max(deviations(found, truth).values()) <= 3.0
            assert found.ramp_n_per_s.sd <= 0.01 * truth.max_ramp_n_per_s
            assert found.bandwidth_hz.sd <= 0.13 * truth.torque_bandwidth_hz
            assert found.coulomb_n.sd <= 0.5
            assert found.viscous_n_s_m.sd <= 1.5
            # The default force cell has noise of 2 N.
            assert found.force_noise_n == pytest.approx(2.0, rel=0.2)


def test_a_bias_of_the_force_cell_is_distinguished_from_friction() -> None:
    truth = RigParameters()
    found = identify(SimulatedAccess(simulated(truth, SensorParameters(force_bias_n=18.0))))[0]
    assert found.offset_n.agrees_with(18.0)
    assert found.coulomb_n.agrees_with(truth.coulomb_n)


def test_a_thousand_samples_a_second_make_it_sharper() -> None:
    coarse = identify(SimulatedAccess(simulated(RIGS["default"])))[0]
    fine = identify(SimulatedAccess(simulated(RIGS["default"], SensorParameters(sample_rate_hz=1_000.0))))[0]
    assert fine.bandwidth_hz.sd < coarse.bandwidth_hz.sd
    assert fine.bandwidth_hz.agrees_with(RIGS["default"].torque_bandwidth_hz, 4.0)


def test_the_rig_is_left_unloaded_released_and_docked() -> None:
    rig = simulated(RigParameters())
    identify(SimulatedAccess(rig))
    rig.advance(0, 5)
    assert rig.firmware.nonce is None
    assert rig.applied_n == (0.0,)
    assert rig.plant.docked


def test_a_rig_without_a_force_cell_cannot_be_identified_and_is_released() -> None:
    rig = simulated(RigParameters(), SensorParameters(has_force=False))
    with pytest.raises(NotIdentifiedError, match="force_n is missing"):
        identify(SimulatedAccess(rig))
    assert rig.firmware.nonce is None


def test_a_stopped_rig_is_not_identified() -> None:
    rig = simulated(RigParameters())
    rig.firmware.press_emergency_stop(rig.clock_us())
    with pytest.raises(NotIdentifiedError, match="refused SendArm: stopped"):
        identify(SimulatedAccess(rig))


def test_a_rig_too_weak_for_the_routine_is_told_what_it_needs() -> None:
    with pytest.raises(NotIdentifiedError, match="max_load_n is 150; allowed: at least"):
        identify(SimulatedAccess(simulated(RigParameters(max_load_n=150.0))))


def test_the_applied_load_between_two_reports_goes_at_the_ordered_rate() -> None:
    # 100 N/s from 0 to 10 N: set out 20 ms after the first report, arrived 20 ms before the last.
    told_t_s = np.array([0.0, 0.05, 0.10, 0.15])
    t_s = np.array([0.01, 0.02, 0.04, 0.06, 0.10, 0.11, 0.13])
    nothing = np.zeros((1, t_s.size))
    trace = HoldTrace(t_s, nothing, nothing, nothing, told_t_s, np.array([[0.0, 3.0, 8.0, 10.0]]))
    assert trace.applied_n(0, 100.0) == pytest.approx([0.0, 0.0, 2.0, 4.0, 8.0, 9.0, 10.0], abs=1e-9)


# --- over MQTT, as with a real rig ---------------------------------------------------------------------------------


@pytest.mark.broker
def test_access_to_a_rig_that_is_not_there_says_so(tmp_path: Path) -> None:
    with mosquitto(tmp_path) as broker:
        settings = BrokerSettings(port=broker.port)
        absent = MqttAccess(settings, "nobody", ask=lambda _move: None, patience_s=0.3)
        with pytest.raises(NotIdentifiedError, match="no announcement"), absent:
            pass
    with pytest.raises(NotIdentifiedError, match="broker is 127"), MqttAccess(settings, "x", ask=lambda _move: None):
        pass
