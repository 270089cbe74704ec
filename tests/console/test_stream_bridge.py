"""The bridge from wire to streams: clocks brought together, boots told apart, and nothing that breaks the contract."""

from __future__ import annotations

import json
import math
from collections.abc import Sequence
from typing import Any

import numpy as np
import pytest

from ebbset.console.exits import Exit
from ebbset.console.streams.clock_alignment import ClockAlignment
from ebbset.console.streams.stream_bridge import CLOCK_EVERY_S, FRAMES_NEEDED, StreamBridge, StreamedRig
from ebbset.models.contract.wire import Topic
from tests.support.brokers import free_port
from tests.support.commands import run_command
from tests.support.wire_messages import FRAME, IDENTITY

OFFSET_S = 12.5


class Taken:
    """Outlets that keep what they were given."""

    def __init__(self) -> None:
        self.opened: list[StreamedRig] = []
        self.rows: list[tuple[int, tuple[float, ...], float]] = []
        self.markers: list[tuple[float, dict[str, Any]]] = []

    def open_samples(self, described: StreamedRig) -> None:
        self.opened.append(described)

    def samples(self, cable: int, rows: Sequence[Sequence[float]], times_s: Sequence[float]) -> None:
        self.rows += [(cable, tuple(row), at_s) for row, at_s in zip(rows, times_s, strict=True)]

    def marker(self, text: str, time_s: float) -> None:
        self.markers.append((time_s, json.loads(text)))

    def told(self, kind: str) -> list[tuple[float, dict[str, Any]]]:
        return [(at_s, told) for at_s, told in self.markers if told["kind"] == kind]


class Bench:
    """A rig with two cables that sends 100 frames a second, each one millisecond late."""

    def __init__(self) -> None:
        self.taken = Taken()
        self.bridge = StreamBridge("bench", self.taken)
        self.seq = 0

    def identity(self, **changes: Any) -> None:
        self.send(Topic.IDENTITY, IDENTITY | {"cables": 2} | changes, 0)

    def frames(self, count: int, *, delay_s: float = 0.001, **changes: Any) -> None:
        for _ in range(count):
            self.seq += 1
            t_us = self.seq * 10_000
            self.send(Topic.FRAME, FRAME | {"seq": self.seq, "t_us": [t_us - 5_000, t_us]} | changes, t_us, delay_s)

    def send(self, topic: Topic, message: dict[str, Any], t_us: int, delay_s: float = 0.001) -> None:
        self.bridge.take(topic, json.dumps(message).encode(), t_us * 1e-6 + OFFSET_S + delay_s)


def test_the_least_delayed_message_gives_the_offset() -> None:
    delays = np.random.default_rng(3).exponential(0.02, 400)
    clock = ClockAlignment(needed=10)
    for k, delay_s in enumerate(delays):
        assert (clock.offset_s is None) == (k < 10)
        clock.note(k * 25_000, k * 0.025 + OFFSET_S + float(delay_s))
    assert clock.offset_s == pytest.approx(OFFSET_S + float(delays.min()), abs=1e-9)
    assert clock.local_s(1_000_000) == pytest.approx(1.0 + OFFSET_S, abs=0.001)


def test_a_clock_that_drifts_is_followed() -> None:
    drift = 50e-6
    clock = ClockAlignment(needed=1)
    for k in range(40_000):
        clock.note(round(k * 25_000 * (1.0 + drift)), k * 0.025 + OFFSET_S)
    true_s = OFFSET_S - 39_999 * 0.025 * drift
    # The window of 10 s holds offsets up to 0.5 ms old; forgetting nothing would be 50 ms off by now.
    assert clock.offset_s == pytest.approx(true_s, abs=0.0006)


def test_samples_of_each_cable_get_the_layers_time_once_the_offset_is_known() -> None:
    bench = Bench()
    bench.identity(simulated=True)
    bench.frames(FRAMES_NEEDED - 1)
    assert bench.taken.opened == []
    bench.frames(1)
    (described,) = bench.taken.opened
    assert (described.cables, described.simulated, described.sample_rate_hz) == (2, True, 100.0)
    assert described.offset_s == pytest.approx(OFFSET_S + 0.001)
    t_s = FRAMES_NEEDED * 0.010 + OFFSET_S + 0.001
    first, second = [row for row in bench.taken.rows if row[0] == 0], [row for row in bench.taken.rows if row[0] == 1]
    assert [at_s for _, _, at_s in first] == pytest.approx([t_s - 0.005, t_s])
    assert [values for _, values, _ in first] == [(0.1, 0.5, 401.0, 400.0), (0.2, 0.6, 399.0, 400.0)]
    # The second cable measures neither velocity nor force.
    assert [values[0] for _, values, _ in second] == [0.3, 0.4]
    assert all(math.isnan(values[1]) and math.isnan(values[2]) for _, values, _ in second)
    ((at_s, told),) = bench.taken.told("clock")
    assert told["rig_clock_offset_s"] == described.offset_s
    assert told["controller_clock_offset_s"] is None
    bench.frames(round(CLOCK_EVERY_S / 0.010))
    assert [t_s - at_s for t_s, _ in bench.taken.told("clock")][1] == pytest.approx(CLOCK_EVERY_S)


def test_times_never_go_back_when_the_offset_gets_better() -> None:
    bench = Bench()
    bench.identity()
    bench.frames(40, delay_s=0.030)
    bench.frames(40, delay_s=0.001)
    times_s = [at_s for cable, _, at_s in bench.taken.rows if cable == 0]
    assert times_s == sorted(times_s)
    assert times_s[-1] == pytest.approx(0.8 + OFFSET_S + 0.001)


def test_another_boot_gets_streams_and_an_offset_of_its_own() -> None:
    bench = Bench()
    bench.identity()
    bench.frames(30)
    bench.seq = 0
    # Frames of the new boot may come before its announcement; without one nobody knows what they are.
    bench.frames(40, boot_id="boot-0002")
    assert len(bench.taken.opened) == 1
    bench.identity(boot_id="boot-0002")
    bench.frames(1, boot_id="boot-0002")
    assert [described.boot_id for described in bench.taken.opened] == ["boot-0001", "boot-0002"]
    assert [told["boot_id"] for _, told in bench.taken.told("rig")] == ["boot-0001", "boot-0002"]


def test_a_rig_that_goes_offline_is_marked_and_sends_no_samples() -> None:
    bench = Bench()
    bench.identity()
    bench.frames(30)
    before = len(bench.taken.rows)
    bench.identity(online=False)
    bench.frames(3)
    assert len(bench.taken.rows) == before
    assert [told["online"] for _, told in bench.taken.told("rig")] == [True, False]


REPETITION = {
    "nonce": "set-00000001",
    "index": 2,
    "bout": 0,
    "step": 0,
    "cable": 0,
    "outcome": "completed",
    "load_n": 400.0,
    "t_start_us": 100_000,
    "t_end_us": 900_000,
    "rom_m": 0.5,
    "mean_velocity_m_s": 0.6,
    "peak_velocity_m_s": 0.8,
    "min_velocity_m_s": 0.4,
    "mean_force_n": None,
    "capacity_n": None,
    "capacity_sd_n": None,
    "budget_spent": None,
}


def test_a_repetition_is_marked_at_its_start_and_its_end() -> None:
    bench = Bench()
    bench.identity()
    bench.frames(100)
    bench.send(Topic.REPETITION_REPORT, REPETITION, 1_000_000)
    for kind, t_s in (("concentric_start", 0.1), ("concentric_end", 0.9)):
        ((at_s, told),) = bench.taken.told(kind)
        assert at_s == pytest.approx(t_s + OFFSET_S + 0.001)
        assert (told["repetition"], told["outcome"], told["load_n"]) == (2, "completed", 400.0)


def test_changes_of_state_are_marked_on_the_controllers_clock_and_old_ones_on_arrival() -> None:
    bench = Bench()
    state = {"state": "idle", "t_host_us": 9_000_000}
    bench.bridge.take(Topic.STATE, json.dumps(state).encode(), 100.0)
    bench.bridge.take(Topic.STATE, json.dumps(state | {"t_host_us": 9_500_000}).encode(), 100.5)
    bench.bridge.take(Topic.STATE, json.dumps({"state": "armed", "t_host_us": 10_000_000}).encode(), 101.2)
    # A controller that was started anew counts from zero.
    bench.bridge.take(Topic.STATE, json.dumps({"state": "offline", "t_host_us": 0}).encode(), 102.0)
    assert [(round(at_s, 6), told["state"]) for at_s, told in bench.taken.told("state")] == [
        (100.0, "idle"),
        (101.0, "armed"),
        (102.0, "offline"),
    ]


@pytest.mark.parametrize(
    ("topic", "payload"),
    [
        (Topic.FRAME, b"{"),
        (Topic.FRAME, json.dumps(FRAME | {"t_us": [2, 1]}).encode()),
        (Topic.DECISION, b"[]"),
        (Topic.IDENTITY, json.dumps(IDENTITY | {"sample_rate_hz": -1}).encode()),
    ],
)
def test_what_breaks_the_contract_is_counted_and_left_out(topic: Topic, payload: bytes) -> None:
    bench = Bench()
    bench.bridge.take(topic, payload, 1.0)
    assert bench.bridge.unreadable == 1
    assert bench.taken.markers == []


def test_frames_with_another_number_of_cables_than_announced_are_left_out() -> None:
    bench = Bench()
    bench.identity(cables=1)
    bench.frames(FRAMES_NEEDED + 5)
    assert bench.taken.rows == []
    assert bench.bridge.unreadable > 0


def test_a_broker_that_is_not_there_is_told_in_a_sentence(capsys: pytest.CaptureFixture[str]) -> None:
    port = free_port()
    code, _, err = run_command(capsys, "stream", "--rig", "bench", "--port", str(port))
    assert code == Exit.UNREACHABLE
    assert f"no connection to the broker at 127.0.0.1:{port}" in err
