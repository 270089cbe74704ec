"""The segmenter on hand-made traces: what is a repetition, a stall, a release, a broken sensor, and what is not."""

from __future__ import annotations

from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from ebbset.controller.detection.segmenter import RepetitionSegmenter
from ebbset.controller.detection.signals import (
    ReleaseSeen,
    RepetitionStarted,
    SensorTrouble,
    Signal,
    StallSeen,
)
from ebbset.controller.messages.reasons import Reason
from ebbset.models.contract.prescription import StallSection
from ebbset.models.contract.rig_messages import RepetitionOutcome
from ebbset.models.physiology.load_velocity import generic_line
from tests.support.segmented import LOAD, ended, run, stalls
from tests.support.traces import Trace

ROM = 0.4


def segmenter(rom_m: float | None = ROM, **stall: Any) -> RepetitionSegmenter:
    """With the rule "dwell", whose moments are known; the rule "evidence" has tests of its own."""
    return RepetitionSegmenter(
        stall=StallSection(**{"rule": "dwell", **stall}), line=generic_line("bench_press"), rom_m=rom_m, has_force=False
    )


def repetitions(count: int, *, up_s: float = 0.9, top_s: float = 0.4, bottom_s: float = 0.3) -> Trace:
    trace = Trace().hold(0.8)
    for _ in range(count):
        trace.move(0.1 + ROM, up_s).hold(top_s).move(0.1, 1.4).hold(bottom_s)
    return trace


SAMPLINGS: list[dict[str, Any]] = [
    {"rate_hz": 20.0},
    {"rate_hz": 50.0, "position_noise_m": 0.0005, "velocity_noise_m_s": 0.02},
    {"rate_hz": 100.0, "position_noise_m": 0.0003, "velocity_noise_m_s": 0.015},
    {"rate_hz": 100.0, "velocity": False, "position_noise_m": 0.0003},
    {"rate_hz": 100.0, "jitter": 0.4, "lost": 0.15, "position_noise_m": 0.0003, "velocity_noise_m_s": 0.015},
    {"rate_hz": 1000.0, "frame": 20, "position_noise_m": 0.0003, "velocity_noise_m_s": 0.03},
    {"rate_hz": 1000.0, "frame": 20, "velocity": False, "position_noise_m": 0.0003},
]


@pytest.mark.parametrize("rom_m", [ROM, None])
@pytest.mark.parametrize("sampling", SAMPLINGS)
def test_five_repetitions_are_five(sampling: dict[str, Any], rom_m: float | None) -> None:
    it = segmenter(rom_m)
    signals = run(it, repetitions(5), **sampling)
    reps = ended(signals)
    assert [r.outcome for r in reps] == [RepetitionOutcome.COMPLETED] * 5
    assert len([s for s in signals if isinstance(s, RepetitionStarted)]) == 5
    assert not stalls(signals)
    assert not [s for s in signals if isinstance(s, ReleaseSeen | SensorTrouble)]
    for k, rep in enumerate(reps):
        assert rep.rom_m == pytest.approx(ROM, abs=0.012)
        assert rep.mean_velocity_m_s == pytest.approx(ROM / 0.9, rel=0.22)
        assert rep.t_start_us == pytest.approx((0.8 + 3.0 * k) * 1e6, abs=0.2e6)
    assert it.rom_reference_m == pytest.approx(ROM, abs=0.012)


@pytest.mark.parametrize("sampling", SAMPLINGS)
def test_a_stall_is_seen_once_after_its_dwell(sampling: dict[str, Any]) -> None:
    trace = repetitions(2).speeds([(0.0, 0.0), (0.3, 0.35), (0.8, 0.0)])
    stopped_s = trace.now_s
    trace.hold(2.5)
    signals = run(segmenter(), trace, **sampling)
    (seen,) = stalls(signals)
    assert seen.reason is Reason.STALL_IN_CONCENTRIC
    # motion is slower than the threshold a little before it ends; the filter and the sampling add a little after
    assert seen.t_us * 1e-6 - stopped_s == pytest.approx(0.35, abs=0.1 if sampling["rate_hz"] >= 50 else 0.17)
    assert seen.position_fraction == pytest.approx(0.35, abs=0.05)


@pytest.mark.parametrize("sampling", SAMPLINGS)
def test_the_lowest_velocity_is_one_of_the_concentric(sampling: dict[str, Any]) -> None:
    """Held against the samples themselves: a handle lowered at once after the top is not part of the concentric."""
    trace = Trace().hold(0.8)
    for _ in range(4):
        trace.move(0.1 + ROM, 0.9).move(0.1, 0.5).hold(0.3)
    reps = ended(run(segmenter(), trace, **sampling))
    assert len(reps) == 4
    t, _, v = trace.sample(**{name: value for name, value in sampling.items() if name not in ("frame", "velocity")})
    for rep in reps:
        inside = [v[k] for k in range(len(t)) if rep.t_start_us <= t[k] <= rep.t_end_us]
        assert min(inside) - 0.03 <= rep.min_velocity_m_s <= rep.mean_velocity_m_s


def test_the_lowest_velocity_of_a_repetition_that_stuck_and_came_through_is_that_where_it_stuck() -> None:
    dip = [(0.0, 0.0), (0.2, 0.3), (0.5, 0.05), (0.75, 0.02), (1.2, 0.35), (1.9, 0.3), (2.1, 0.0)]
    trace = Trace().hold(0.8).speeds(dip).hold(0.3).move(0.1, 0.5).hold(0.5)
    (rep,) = ended(run(segmenter(), trace))
    assert rep.min_velocity_m_s == pytest.approx(0.02, abs=0.01)


def test_grinding_time_is_honoured() -> None:
    def seen_after(grind_s: float) -> float:
        trace = repetitions(1).speeds([(0.0, 0.0), (0.3, 0.35), (0.8, 0.0)])
        signals = run(segmenter(grind_s=grind_s), trace.hold(6.0), position_noise_m=0.0002, velocity_noise_m_s=0.01)
        return stalls(signals)[0].t_us * 1e-6

    assert seen_after(2.0) - seen_after(0.0) == pytest.approx(2.0, abs=0.02)


def test_a_grinding_time_counts_from_the_end_of_motion_of_a_handle_that_slows_gently() -> None:
    """0.2 m/s² through the stall velocity: 0.01 m/s of noise in a filtered velocity is a twentieth of a second."""
    threshold, slowest_m_s, brake = StallSection().velocity_m_s, 0.02, 0.2
    trace = repetitions(1)
    begun_s = trace.now_s
    fast_s = 0.25 + (0.3 - slowest_m_s) / brake
    trace.speeds([(0.0, 0.0), (0.25, 0.3), (fast_s, slowest_m_s), (fast_s + 2.0, slowest_m_s)])
    ended_s = begun_s + 0.25 + (0.3 - threshold) / brake
    errors = []
    for seed in range(12):
        sampled: dict[str, Any] = {"position_noise_m": 0.00005, "velocity_noise_m_s": 0.02, "seed": seed}
        (seen,) = stalls(run(segmenter(grind_s=0.5, dwell_s=0.05), trace, **sampled))
        errors.append(seen.t_us * 1e-6 - ended_s - 0.55)
    assert max(abs(error) for error in errors) <= 0.02


def test_a_sticking_region_that_recovers_is_no_stall() -> None:
    dip = [(0.0, 0.0), (0.2, 0.3), (0.5, 0.05), (0.75, 0.04), (1.2, 0.35), (1.9, 0.3), (2.1, 0.0)]
    trace = repetitions(2).speeds(dip).hold(0.5)
    signals = run(segmenter(), trace, position_noise_m=0.0003, velocity_noise_m_s=0.015)
    assert not stalls(signals)
    assert [r.outcome for r in ended(signals)] == [RepetitionOutcome.COMPLETED] * 3
    assert ended(signals)[-1].min_velocity_m_s < 0.08


def test_after_a_drop_it_arms_again_and_fires_again() -> None:
    it = segmenter()
    trace = repetitions(1).speeds([(0.0, 0.0), (0.3, 0.35), (0.8, 0.0)])
    t, x, v = trace.hold(4.0).sample(position_noise_m=0.0002, velocity_noise_m_s=0.01)
    seen: list[StallSeen] = []
    for k in range(len(t)):
        for signal in it.feed(t[k : k + 1], x[k : k + 1], v[k : k + 1], None, load_n=LOAD, docked=False):
            if isinstance(signal, StallSeen):
                seen.append(signal)
                it.load_dropped(signal.t_us, 300.0, settle_s=0.5)
    assert len(seen) >= 2
    assert (seen[1].t_us - seen[0].t_us) * 1e-6 == pytest.approx(0.5 + 0.35, abs=0.03)


def test_giving_in_slowly_is_a_reversal_and_a_quick_turn_a_partial() -> None:
    slow = repetitions(2).speeds([(0.0, 0.0), (0.3, 0.4), (0.6, 0.06), (0.9, 0.03), (1.1, -0.1), (2.0, -0.15)])
    signals = run(segmenter(), slow.hold(0.5), position_noise_m=0.0002, velocity_noise_m_s=0.01)
    (seen,) = stalls(signals)
    assert seen.reason is Reason.REVERSAL
    assert ended(signals)[-1].outcome is RepetitionOutcome.FAILED
    quick = repetitions(2).speeds([(0.0, 0.0), (0.3, 0.5), (0.45, 0.4), (0.65, -0.4), (1.0, -0.2), (1.1, 0.0)])
    signals = run(segmenter(), quick.hold(0.5), position_noise_m=0.0002, velocity_noise_m_s=0.01)
    assert not stalls(signals)
    assert ended(signals)[-1].outcome is RepetitionOutcome.PARTIAL


def test_holding_the_load_at_the_bottom_is_a_failed_start_once_and_again_after_a_drop() -> None:
    it = segmenter(start_patience_s=2.0)
    signals = run(it, repetitions(2).hold(6.0), position_noise_m=0.0002, velocity_noise_m_s=0.01)
    (seen,) = stalls(signals)
    assert seen.reason is Reason.FAILED_START
    assert seen.duration_s == pytest.approx(2.0, abs=0.1)
    it = segmenter(start_patience_s=2.0)
    assert not stalls(run(it, Trace().hold(6.0), docked_s=9.0))


def test_pauses_at_top_and_bottom_are_no_stalls() -> None:
    trace = repetitions(3, top_s=3.0, bottom_s=3.0)
    signals = run(segmenter(), trace, position_noise_m=0.0003, velocity_noise_m_s=0.015)
    assert not stalls(signals)
    assert [r.outcome for r in ended(signals)] == [RepetitionOutcome.COMPLETED] * 3


@pytest.mark.parametrize("velocity", [True, False])
def test_a_release_is_seen_within_100_ms(velocity: bool) -> None:
    trace = repetitions(1).move(0.45, 0.9).hold(0.2)
    let_go_s = trace.now_s
    # 400 N on 18 kg of reflected mass
    trace.speeds([(0.0, 0.0), (0.15, -0.15 * LOAD / 18.0)])
    signals = run(segmenter(), trace, velocity=velocity, position_noise_m=0.0003, velocity_noise_m_s=0.015)
    (seen,) = (s for s in signals if isinstance(s, ReleaseSeen))
    assert seen.t_us * 1e-6 - let_go_s <= 0.1


def test_a_slack_cable_is_a_release() -> None:
    it = RepetitionSegmenter(stall=StallSection(), line=generic_line("row"), rom_m=ROM, has_force=True)
    t, x, v = Trace().hold(1.0).sample()
    force = [LOAD if value < 500_000 else 5.0 for value in t]
    signals: list[Signal] = []
    for k in range(len(t)):
        one = slice(k, k + 1)
        signals += it.feed(t[one], x[one], v[one], force[one], load_n=LOAD, docked=False)
    (seen,) = signals
    assert isinstance(seen, ReleaseSeen)
    assert 500_000 <= seen.t_us <= 600_000


def test_frozen_position_and_wrong_velocity_are_said_and_a_motionless_rig_is_not() -> None:
    it = segmenter()
    t = list(range(0, 3_000_000, 10_000))
    quiet = it.feed(t, [0.3] * len(t), [0.0] * len(t), None, load_n=LOAD, docked=False)
    assert not [s for s in quiet if isinstance(s, SensorTrouble)]
    later = [value + 3_000_000 for value in t]
    troubles: list[SensorTrouble] = []
    for k in range(0, 100, 5):
        part = later[k : k + 5]
        troubles += [
            s
            for s in it.feed(part, [0.3] * 5, [0.4] * 5, None, load_n=LOAD, docked=False)
            if isinstance(s, SensorTrouble)
        ]
    assert troubles[0].reason is Reason.TELEMETRY_FROZEN
    assert (troubles[0].t_us - 3_000_000) < 400_000
    it = segmenter()
    t, x, v = repetitions(2).sample()
    signals: list[Signal] = []
    for k in range(0, len(t), 5):
        part_x, part_v = x[k : k + 5], [-value for value in v[k : k + 5]]
        signals += it.feed(t[k : k + 5], part_x, part_v, None, load_n=LOAD, docked=False)
    assert any(isinstance(s, SensorTrouble) and s.reason is Reason.SENSORS_DISAGREE for s in signals)


def test_a_force_far_from_the_applied_load_is_said() -> None:
    it = RepetitionSegmenter(stall=StallSection(), line=generic_line("row"), rom_m=ROM, has_force=True)
    t, x, v = Trace().hold(3.0).sample()
    signals: list[Signal] = []
    for k in range(0, len(t), 5):
        part = slice(k, k + 5)
        signals += it.feed(t[part], x[part], v[part], [900.0] * len(t[part]), load_n=LOAD, docked=False)
    (trouble,) = (s for s in signals if isinstance(s, SensorTrouble))
    assert trouble.quantity == "force_n"


@settings(max_examples=60, deadline=None)
@given(
    st.lists(
        st.tuples(
            st.integers(-5_000, 400_000),
            st.floats(-1.0, 6.0),
            st.floats(-12.0, 12.0),
            st.floats(-200.0, 10_000.0),
            st.floats(0.0, 5_000.0),
            st.booleans(),
        ),
        max_size=60,
    )
)
def test_no_samples_break_it_and_the_same_samples_give_the_same_bits(
    rows: list[tuple[int, float, float, float, float, bool]],
) -> None:
    def once() -> tuple[list[Signal], float, float]:
        it = RepetitionSegmenter(stall=StallSection(), line=generic_line("row"), rom_m=None, has_force=True)
        signals: list[Signal] = []
        t = 1_000_000
        for step, x, v, f, load, docked in rows:
            t += step
            signals += it.feed([t], [x], [v], [f], load_n=load, docked=docked)
        return signals, it.position_m, it.velocity_m_s

    assert once() == once()


def test_frames_of_any_size_give_the_same_repetitions() -> None:
    trace = repetitions(3)
    one = ended(run(segmenter(), trace, frame=1, position_noise_m=0.0003))
    many = ended(run(segmenter(), trace, frame=32, position_noise_m=0.0003))
    assert one == many


def test_a_high_first_rest_out_of_the_dock_is_judged_by_what_follows() -> None:
    def from_dock(trace: Trace) -> list[Signal]:
        trace.position_m = [0.0, *[value - 0.1 for value in trace.position_m]]
        return run(segmenter(None), trace, docked_s=0.5, position_noise_m=0.0002, velocity_noise_m_s=0.01)

    # taken up to where ascents begin, a quarter of a metre above the dock, and lifted from there
    lifted = Trace().hold(0.8).move(0.35, 0.8).hold(0.6)
    for _ in range(3):
        lifted.move(0.35 + ROM, 0.9).hold(0.3).move(0.35, 1.2).hold(0.3)
    assert [r.outcome for r in ended(from_dock(lifted))] == [RepetitionOutcome.COMPLETED] * 3
    # lifted straight out of the dock: the first rest is a top
    straight = Trace().hold(0.8)
    for _ in range(3):
        straight.move(0.35, 0.9).hold(0.6).move(0.1, 1.2).hold(0.3)
    assert [r.outcome for r in ended(from_dock(straight))] == [RepetitionOutcome.COMPLETED] * 3


def test_after_an_ascent_that_failed_low_the_next_is_seen() -> None:
    trace = repetitions(2).speeds(
        [(0.0, 0.0), (0.2, 0.12), (0.5, 0.08), (1.0, 0.01), (1.2, -0.1), (1.8, -0.04), (2.0, 0)]
    )
    trace.move(0.1, 0.3).hold(0.6)
    for _ in range(2):
        trace.move(0.1 + ROM, 0.9).hold(0.3).move(0.1, 1.2).hold(0.3)
    outcomes = [r.outcome for r in ended(run(segmenter(), trace, position_noise_m=0.0002, velocity_noise_m_s=0.01))]
    assert outcomes[:2] == outcomes[-2:] == [RepetitionOutcome.COMPLETED] * 2
    assert len(outcomes) == 5


@pytest.mark.parametrize(("share", "outcome"), [(0.87, RepetitionOutcome.COMPLETED), (0.80, RepetitionOutcome.FAILED)])
def test_what_counts_is_how_high_a_slow_ascent_came_not_where_its_turn_was_seen(
    share: float, outcome: RepetitionOutcome
) -> None:
    trace = repetitions(3).move(0.1 + 0.7 * ROM, 0.9).move(0.1 + share * ROM, 1.6).hold(0.05).move(0.1, 1.0).hold(0.4)
    signals = run(segmenter(dwell_s=3.0), trace, position_noise_m=0.0002, velocity_noise_m_s=0.01)
    assert ended(signals)[-1].outcome is outcome
    assert len(stalls(signals)) == (outcome is RepetitionOutcome.FAILED)
