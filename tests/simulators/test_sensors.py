"""Sensor model: what the parameters say is what the numbers show, and faults do what their names say."""

from __future__ import annotations

import dataclasses
import math

import numpy as np
import numpy.typing as npt
import pytest

from ebbset.simulators.rig.sensors import FaultKind, Reading, SensedQuantity, SensorFault, SensorParameters, Sensors

QUIET = SensorParameters(
    encoder_step_m=0.0,
    velocity_noise_sd_m_s=0.0,
    force_step_n=0.0,
    force_noise_sd_n=0.0,
    sampling_jitter_sd_s=0.0,
    clock_drift_ppm=0.0,
    clock_start_s=0.0,
)


def truth(n: int, *, cables: int = 1, start_s: float = 0.0, rate_hz: float = 100.0) -> npt.NDArray[np.float64]:
    t_s = start_s + np.arange(1, n + 1) / rate_hz
    out = np.empty((n, cables, 4))
    for cable in range(cables):
        out[:, cable, 0] = t_s
        out[:, cable, 1] = 0.4 + 0.2 * np.sin(t_s + cable)
        out[:, cable, 2] = 0.2 * np.cos(t_s + cable)
        out[:, cable, 3] = 300.0 + 10.0 * cable
    return out


def sensors(parameters: SensorParameters, *faults: SensorFault, cables: int = 1, seed: int = 1) -> Sensors:
    return Sensors(parameters, cables=cables, rng=np.random.default_rng(seed), faults=faults)


def read(device: Sensors, frame: npt.NDArray[np.float64]) -> Reading:
    reading = device.read(frame)
    assert reading is not None
    return reading


def test_perfect_sensors_show_the_truth() -> None:
    frame = truth(7, cables=2)
    reading = read(sensors(QUIET, cables=2), frame)
    assert reading.t_us == tuple(round(t * 1e6) for t in frame[:, 0, 0])
    for cable in range(2):
        np.testing.assert_allclose(reading.position_m[cable], frame[:, cable, 1], rtol=0, atol=1e-12)
        np.testing.assert_allclose(reading.velocity_m_s[cable], frame[:, cable, 2], rtol=0, atol=1e-12)
        force_n = reading.force_n[cable]
        assert force_n is not None
        np.testing.assert_allclose(force_n, frame[:, cable, 3], rtol=0, atol=1e-12)


def test_noise_has_the_declared_spread_and_no_bias() -> None:
    n = 20_000
    parameters = SensorParameters(velocity_noise_sd_m_s=0.01, force_noise_sd_n=2.0, force_step_n=0.0)
    device = sensors(parameters)
    frames = [truth(250, start_s=2.5 * k) for k in range(n // 250)]
    readings = [read(device, frame) for frame in frames]
    velocity = np.concatenate([np.array(r.velocity_m_s[0]) - f[:, 0, 2] for r, f in zip(readings, frames, strict=True)])
    force = np.concatenate([np.array(r.force_n[0]) - f[:, 0, 3] for r, f in zip(readings, frames, strict=True)])
    # Sampling error of an SD from n values is SD / sqrt(2 n), of a mean SD / sqrt(n); five of them allowed.
    for error, sd in ((velocity, 0.01), (force, 2.0)):
        assert abs(error.std() - sd) < 5 * sd / math.sqrt(2 * n)
        assert abs(error.mean()) < 5 * sd / math.sqrt(n)


def test_resolution_rounds_to_whole_steps_with_the_error_of_a_uniform() -> None:
    parameters = SensorParameters(encoder_step_m=1e-3, force_step_n=5.0, sampling_jitter_sd_s=0.0)
    device = sensors(parameters)
    frames = [truth(250, start_s=2.5 * k) for k in range(40)]
    readings = [read(device, frame) for frame in frames]
    position = np.concatenate([np.array(r.position_m[0]) for r in readings])
    force = np.concatenate([np.array(r.force_n[0]) for r in readings])
    np.testing.assert_allclose(position / 1e-3, np.round(position / 1e-3), atol=1e-9)
    np.testing.assert_allclose(force / 5.0, np.round(force / 5.0), atol=1e-9)
    error = position - np.concatenate([f[:, 0, 1] for f in frames])
    # Quantisation error of a varying signal is uniform over one step: SD = step / sqrt(12) (textbook result).
    assert error.std() == pytest.approx(1e-3 / math.sqrt(12), rel=0.03)


def test_biases_and_drift() -> None:
    parameters = SensorParameters(
        encoder_step_m=0.0,
        position_bias_m=0.01,
        velocity_noise_sd_m_s=0.0,
        velocity_bias_m_s=-0.03,
        force_step_n=0.0,
        force_noise_sd_n=0.0,
        force_bias_n=15.0,
        force_drift_n_per_s=0.5,
        sampling_jitter_sd_s=0.0,
    )
    frame = truth(3, start_s=100.0)
    reading = read(sensors(parameters), frame)
    np.testing.assert_allclose(reading.position_m[0], frame[:, 0, 1] + 0.01, atol=1e-12)
    np.testing.assert_allclose(reading.velocity_m_s[0], frame[:, 0, 2] - 0.03, atol=1e-12)
    force_n = reading.force_n[0]
    assert force_n is not None
    np.testing.assert_allclose(force_n, 315.0 + 0.5 * frame[:, 0, 0], atol=1e-9)


def test_the_rig_clock_drifts_and_its_inverse_is_true_time() -> None:
    device = sensors(SensorParameters(clock_drift_ppm=200.0, clock_start_s=5.0))
    assert device.clock_us(0.0) == 5_000_000
    assert device.clock_us(1_000.0) == 5_000_000 + 1_000_200_000
    assert device.true_s(device.clock_us(123.456)) == pytest.approx(123.456, abs=1e-6)


def test_sampling_jitter_moves_values_but_never_the_order_of_stamps() -> None:
    parameters = SensorParameters(
        sampling_jitter_sd_s=0.003, encoder_step_m=0.0, clock_drift_ppm=0.0, sample_rate_hz=1_000.0
    )
    device = sensors(parameters)
    frames = [truth(200, start_s=0.2 * k, rate_hz=1_000.0) for k in range(50)]
    readings = [read(device, frame) for frame in frames]
    stamps = np.concatenate([np.array(r.t_us) for r in readings])
    assert np.all(np.diff(stamps) > 0)
    error = np.concatenate([np.array(r.position_m[0]) - f[:, 0, 1] for r, f in zip(readings, frames, strict=True)])
    velocity = np.concatenate([f[:, 0, 2] for f in frames])
    # A value taken dt late is v * dt away, so the spread of the error over that of v is the SD of dt.
    assert math.sqrt(np.mean(error**2) / np.mean(velocity**2)) == pytest.approx(0.003, rel=0.03)


def test_the_same_seed_gives_the_same_bits_whatever_the_frames() -> None:
    whole = truth(40)
    one = read(sensors(SensorParameters()), whole)
    device = sensors(SensorParameters())
    parts = [read(device, whole[k : k + 5]) for k in range(0, 40, 5)]
    assert one.t_us == tuple(t for part in parts for t in part.t_us)
    assert one.velocity_m_s[0] == tuple(v for part in parts for v in part.velocity_m_s[0])
    assert one.velocity_m_s != read(sensors(SensorParameters(), seed=2), whole).velocity_m_s


def test_a_rig_without_a_force_cell_shows_none() -> None:
    assert read(sensors(SensorParameters(has_force=False), cables=2), truth(3, cables=2)).force_n == (None, None)


# --- faults: ten samples at 100 Hz, the fault from 50 ms to before 80 ms of true time -----------------------------


def faulty(kind: FaultKind, **more: object) -> SensorFault:
    return SensorFault(kind=kind, from_s=0.0495, until_s=0.0795, **more)  # type: ignore[arg-type]


def test_frozen_repeats_every_column_while_time_goes_on() -> None:
    clean, bad = read(sensors(QUIET), truth(10)), read(sensors(QUIET, faulty(FaultKind.FROZEN)), truth(10))
    assert bad.t_us == clean.t_us
    for column, sound in ((bad.position_m[0], clean.position_m[0]), (bad.velocity_m_s[0], clean.velocity_m_s[0])):
        assert column == (*sound[:4], *(sound[3],) * 3, *sound[7:])


def test_stuck_holds_one_column_only() -> None:
    clean = read(sensors(QUIET), truth(10))
    bad = read(sensors(QUIET, faulty(FaultKind.STUCK, quantity=SensedQuantity.POSITION)), truth(10))
    sound = clean.position_m[0]
    assert bad.position_m[0] == (*sound[:4], *(sound[3],) * 3, *sound[7:])
    assert bad.velocity_m_s == clean.velocity_m_s


def test_not_a_number_and_offset_hit_one_cable() -> None:
    clean = read(sensors(QUIET, cables=2), truth(10, cables=2))
    nan = faulty(FaultKind.NOT_A_NUMBER, quantity=SensedQuantity.FORCE, cable=1)
    off = faulty(FaultKind.OFFSET, quantity=SensedQuantity.VELOCITY, cable=0, offset=0.5)
    bad = read(sensors(QUIET, nan, off, cables=2), truth(10, cables=2))
    assert bad.force_n[1] is not None
    assert [math.isnan(v) for v in bad.force_n[1]] == [False] * 4 + [True] * 3 + [False] * 3
    assert bad.force_n[0] == clean.force_n[0]
    np.testing.assert_allclose(np.array(bad.velocity_m_s[0]) - clean.velocity_m_s[0], [0] * 4 + [0.5] * 3 + [0] * 3)


def test_silent_sends_nothing_while_it_lasts() -> None:
    device = sensors(QUIET, faulty(FaultKind.SILENT))
    frames = [device.read(truth(2, start_s=0.02 * k)) for k in range(5)]
    assert [frame is None for frame in frames] == [False, False, True, True, False]


@pytest.mark.parametrize(
    ("field", "value"),
    [("sample_rate_hz", 10.0), ("sample_rate_hz", 2_000.0), ("force_noise_sd_n", -1.0), ("clock_drift_ppm", math.nan)],
)
def test_a_parameter_out_of_range_is_named(field: str, value: float) -> None:
    with pytest.raises(ValueError, match=f"{field} is .*allowed"):
        dataclasses.replace(SensorParameters(), **{field: value})  # type: ignore[arg-type]  # the field is a parameter


def test_more_samples_than_noise_is_drawn_for_are_refused() -> None:
    sensors = Sensors(SensorParameters(), cables=1, rng=np.random.default_rng(1))
    with pytest.raises(ValueError, match=r"5000 samples; allowed: at most 4096"):
        sensors.read(np.zeros((5_000, 1, 4)))
