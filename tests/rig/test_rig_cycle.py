"""The pure rig, period by period: ramp, stop button, lease, frames, and readings that no rig can have."""

from __future__ import annotations

import json
import math
from dataclasses import replace
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from ebbset.models.contract.rig_messages import RigEventKind
from ebbset.models.contract.wire import Topic, decode
from ebbset.rig.description import RigDescription, RigLimits
from ebbset.rig.hardware import SensorError, SensorReading
from ebbset.rig.load_ramp import LoadRamp
from ebbset.rig.rig_cycle import CycleOutput, RigCycle, check_description

LIMITS = RigLimits(max_load_n=800.0, max_ramp_n_per_s=1_000.0, unload_ramp_n_per_s=500.0, max_lease_ms=600)
RIG = RigDescription(rig="north", limits=LIMITS, sample_rate_hz=100.0, has_force=True, firmware="test 1")
PERIOD_US = 10_000
STILL = SensorReading(position_m=(0.0,), velocity_m_s=(0.0,), force_n=(0.0,))


class Bench:
    """A cycle with a hand on its clock and sensors."""

    def __init__(self, described: RigDescription = RIG) -> None:
        self.cycle = RigCycle(described, boot_id="boot-0001")
        self.t_us, self.reading, self.docked, self.seq = 0, STILL, True, 0
        self.sent: list[tuple[Topic, dict[str, Any]]] = []

    def run(self, ms: int, period_us: int = PERIOD_US) -> CycleOutput:
        for _ in range(max(ms * 1_000 // period_us, 1)):
            self.t_us += period_us
            output = self.cycle.sample(self.reading, docked=self.docked, t_us=self.t_us)
            self.sent += output.messages
        return output

    def command(self, kind: str, **fields: Any) -> str | None:
        """The refusal, if any."""
        self.seq += 1
        payload = {"version": 1, "kind": kind, "nonce": "nonce-0001", "seq": self.seq} | fields
        _, answers = self.cycle.receive(json.dumps(payload).encode(), t_us=self.t_us)
        self.sent += answers
        [(topic, content)] = answers
        assert topic is Topic.ACK
        refusal: str | None = content["refusal"]
        return refusal

    def arm(self) -> str | None:
        return self.command("arm", ceiling_n=[400.0], floor_n=[50.0], max_ramp_n_per_s=800.0, lease_ms=600)

    def load(self, target_n: float, ramp_n_per_s: float = 400.0) -> str | None:
        return self.command("load", target_n=[target_n], ramp_n_per_s=ramp_n_per_s, lease_ms=600, cites_t_us=self.t_us)

    def loaded(self, target_n: float = 200.0) -> Bench:
        self.run(50)
        assert self.arm() is None
        assert self.load(target_n) is None
        self.run(550)
        assert self.cycle.applied_n == (target_n,)
        return self

    @property
    def kinds(self) -> list[str]:
        return [content["kind"] for topic, content in self.sent if topic is Topic.EVENT]


def test_a_load_comes_on_by_its_ramp_and_goes_off_by_itself_when_the_lease_runs_out() -> None:
    bench = Bench()
    bench.run(50)
    assert bench.arm() is None
    assert bench.load(200.0) is None
    forces = [bench.run(10).force_n[0] for _ in range(50)]
    assert forces[:3] == pytest.approx([4.0, 8.0, 12.0])  # 400 N/s, 10 ms
    assert forces[-1] == 200.0
    assert bench.run(99).force_n == (200.0,)  # 590 ms after the load
    after = [bench.run(10).force_n[0] for _ in range(30)]
    # 800 N/s, as armed, since the rig's own 500 N/s is slower.
    assert after[:2] == pytest.approx([192.0, 184.0])
    assert after[-1] == 0.0
    assert bench.kinds == ["lease_expired"]
    assert bench.load(200.0) == "spent_nonce"


def test_every_message_is_one_of_the_contract() -> None:
    bench = Bench().loaded()
    bench.reading = replace(STILL, stop_pressed=True)
    bench.run(500)
    assert {topic for topic, _ in bench.sent} == {Topic.FRAME, Topic.EVENT, Topic.ACK}
    for topic, content in bench.sent:
        decode(topic, json.dumps(content))
    decode(Topic.IDENTITY, json.dumps(bench.cycle.endpoint.identity(online=True)))
    frames = [content for topic, content in bench.sent if topic is Topic.FRAME]
    assert [frame["seq"] for frame in frames] == list(range(len(frames)))
    times = [t for frame in frames for t in frame["t_us"]]
    assert times == list(range(PERIOD_US, PERIOD_US * (len(times) + 1), PERIOD_US))


def test_the_stop_is_latched_until_a_person_resets_it_and_then_nothing_comes_back() -> None:
    bench = Bench().loaded()
    bench.reading = replace(STILL, stop_pressed=True)
    assert bench.run(10).notices[0].kind is RigEventKind.EMERGENCY_STOP
    assert bench.run(300).force_n == (0.0,)
    assert bench.kinds == ["emergency_stop"]
    assert bench.load(200.0) == "stopped"
    assert bench.arm() == "stopped"
    bench.reading = STILL
    assert bench.run(300).force_n == (0.0,)
    assert bench.arm() == "spent_nonce"


def test_a_fault_is_not_ended_by_the_stop_button() -> None:
    bench = Bench().loaded()
    [(topic, event)] = bench.cycle.fail("the drive is silent", t_us=bench.t_us)
    assert (topic, event["kind"], event["detail"]) == (Topic.EVENT, "fault", "the drive is silent")
    bench.reading = replace(STILL, stop_pressed=True)
    bench.run(10)
    bench.reading = STILL
    assert bench.run(500).force_n == (0.0,)
    assert bench.arm() == "stopped"


def test_a_handle_that_is_taken_while_the_load_rises_gets_no_more() -> None:
    bench = Bench()
    bench.run(50)
    assert bench.arm() is None
    assert bench.load(200.0) is None
    bench.run(200)
    bench.docked = False
    before_n = bench.cycle.applied_n[0]
    assert bench.run(10).force_n[0] < before_n
    assert bench.kinds == ["undocked", "fault"]
    assert bench.run(400).force_n == (0.0,)


def test_what_the_drive_says_it_applies_is_what_is_reported() -> None:
    bench = Bench().loaded()
    bench.reading = replace(STILL, applied_n=(180.0,))
    bench.run(50)
    frames = [content for topic, content in bench.sent if topic is Topic.FRAME]
    assert frames[-1]["applied_n"] == [180.0]


@given(gaps_ms=st.lists(st.integers(1, 400), min_size=1, max_size=40), target_n=st.floats(0.0, 400.0))
def test_no_late_period_makes_a_step(gaps_ms: list[int], target_n: float) -> None:
    ramp, t_us, before_n = LoadRamp(1, longest_step_us=20_000), 0, 0.0
    for gap_ms in gaps_ms:
        t_us += gap_ms * 1_000
        [now_n] = ramp.advance(t_us, (target_n,), 300.0)
        assert abs(now_n - before_n) <= 300.0 * min(gap_ms, 20) * 1e-3 + 1e-9
        assert now_n <= target_n
        before_n = now_n


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"position_m": (math.nan,)}, "position_m is (nan,); allowed: finite numbers"),
        ({"velocity_m_s": (0.0, 0.0)}, "velocity_m_s is 2 values long; allowed: 1, one per cable"),
        ({"force_n": None}, "force_n is missing; allowed: as announced, has_force is True"),
        ({"applied_n": (math.inf,)}, "applied_n is (inf,); allowed: finite numbers"),
    ],
)
def test_a_reading_that_no_rig_can_have_is_named(changes: dict[str, Any], words: str) -> None:
    with pytest.raises(SensorError) as refused:
        Bench().cycle.sample(replace(STILL, **changes), docked=True, t_us=10)
    assert str(refused.value) == words


@pytest.mark.parametrize(
    ("described", "words"),
    [
        (replace(RIG, rig="no/rth"), "rig is"),
        (replace(RIG, sample_rate_hz=20.0), "sample_rate_hz is 20; allowed: at least 50"),
        (replace(RIG, telemetry="repetitions"), "telemetry is 'repetitions'; allowed: 'frames'"),
        (replace(RIG, limits=replace(LIMITS, max_load_n=9_000.0)), "max_load_n is 9000"),
        (replace(RIG, limits=replace(LIMITS, speed_limit_m_s=0.0)), "speed_limit_m_s is 0; allowed"),
    ],
)
def test_a_description_outside_the_contract_is_named(described: RigDescription, words: str) -> None:
    check_description(RIG)
    with pytest.raises(ValueError, match="allowed") as refused:
        check_description(described)
    assert words in str(refused.value)


def test_nonsense_is_answered_where_anybody_can_be_answered() -> None:
    bench = Bench()
    bench.run(10)
    assert bench.command("load", target_n="heavy") == "bad_message"
    for payload in (b"", b"null", b"[1]", b'{"nonce": 5}', b"\xff"):
        judged, answers = bench.cycle.receive(payload, t_us=bench.t_us)
        assert (judged.command, answers) == (None, ())
