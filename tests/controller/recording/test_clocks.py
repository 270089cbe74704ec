"""The clocks of a set go together to a few milliseconds, whatever the delays and however the rig's clock drifts."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from ebbset.controller.recording.clocks import ClockPairs, SetClocks
from ebbset.controller.recording.sources import machine_zero_s, read_source
from ebbset.controller.recording.writer import MACHINE_CLOCK_FACT, RecordingWriter
from ebbset.models.contract.prescription import example
from ebbset.simulators.closed_loop.closed_loop import run_set
from ebbset.simulators.closed_loop.link_model import LinkModel
from ebbset.simulators.lifter.exercises import exercise
from ebbset.simulators.rig.sensors import SensorParameters

BOOT_US = 7_000_000_000


@pytest.mark.parametrize("drift", [-50e-6, 0.0, 50e-6])
def test_offset_and_rate_are_found_behind_delays(drift: float) -> None:
    rng = np.random.default_rng(7)
    pairs = ClockPairs()
    for k in range(7_200):
        rig_us = BOOT_US + k * 25_000
        now_us = 3_000_000 + k * 25_000 * (1.0 + drift) + 1e6 * (0.001 + rng.exponential(0.01))
        pairs.note(rig_us, round(now_us))
    clocks = pairs.at(BOOT_US + 60_000_000, 100.0)
    assert clocks.rig_s == (BOOT_US + 60_000_000) / 1e6
    assert clocks.recording_s is not None
    assert clocks.machine_s is not None
    assert clocks.rate is not None
    for after_s in (0.0, 30.0, 110.0):
        told_s = clocks.recording_s + clocks.rate * after_s
        true_s = 3.0 + (60.0 + after_s) * (1.0 + drift)
        # Late by the least delay, 1 ms here, and by what chance leaves of the others.
        assert told_s == pytest.approx(true_s + 0.001, abs=0.001)
    assert clocks.machine_s == clocks.recording_s + 100.0


def test_a_short_set_has_an_offset_and_no_rate_of_its_own() -> None:
    pairs = ClockPairs()
    for rig_us, delay_us in ((0, 9_000), (5_000_000, 2_000), (15_000_000, 4_000)):
        pairs.note(rig_us, rig_us + 1_000_000 + delay_us)
    assert pairs.at(2_000_000, None) == SetClocks(rig_s=2.0, recording_s=3.002, machine_s=None, rate=1.0)


def test_without_a_message_or_a_zero_nothing_is_known() -> None:
    pairs = ClockPairs()
    assert pairs.at(0, 1.0) == SetClocks()
    pairs.note(0, 0)
    assert pairs.at(None, 1.0) == SetClocks()


@pytest.mark.parametrize("text", ["soon", "nan", "inf", ""])
def test_a_clock_that_is_no_number_is_not_known(text: str) -> None:
    assert machine_zero_s({MACHINE_CLOCK_FACT: text}) is None


def test_a_recorded_set_carries_its_clocks(tmp_path: Path) -> None:
    path = tmp_path / "set.mcap"
    sensors = SensorParameters()
    with path.open("wb") as stream:
        writer = RecordingWriter(stream, {MACHINE_CLOCK_FACT: "500.25"})
        order = example(stop={"max_duration_s": 40.0})
        link = LinkModel(delay_s=0.004, jitter_s=0.02)
        run_set(order, exercise("row").mean_lifter(), seed=2, sensors=sensors, link=link, recorder=writer.add)
        writer.finish({})
    (item,) = read_source(path).sets
    clocks = item.clocks
    assert clocks.rig_s is not None
    assert clocks.recording_s is not None
    assert clocks.machine_s == pytest.approx(500.25 + clocks.recording_s)
    # The recording's clock is true time here, so a sample of the rig stands within the least delay of its own moment.
    offset_s = clocks.recording_s - clocks.rig_s
    assert offset_s == pytest.approx(0.004 - sensors.clock_start_s, abs=0.003)
