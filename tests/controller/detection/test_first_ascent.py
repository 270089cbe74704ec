"""How a set begins: the first ascents, out of the dock, before a range of motion is known. One test an item of the
campaign that found it."""

from __future__ import annotations

import math
from typing import Any

import pytest

from ebbset.controller.detection.range_of_motion import RangeOfMotion
from ebbset.controller.detection.segmenter import RepetitionSegmenter
from ebbset.controller.detection.signals import RepetitionEnded, Signal, StallSeen
from ebbset.controller.messages.reasons import Reason
from ebbset.models.contract.prescription import StallSection
from ebbset.models.contract.rig_messages import RepetitionOutcome
from ebbset.models.physiology.load_velocity import generic_line
from tests.support.segmented import LOAD, ended, run, stalls
from tests.support.traces import Trace

ROM = 0.45
NOISE: dict[str, Any] = {"position_noise_m": 0.0003, "velocity_noise_m_s": 0.01}
COMPLETED, FAILED = RepetitionOutcome.COMPLETED, RepetitionOutcome.FAILED


def segmenter(rom_m: float | None = None, **stall: Any) -> RepetitionSegmenter:
    return RepetitionSegmenter(stall=StallSection(**stall), line=generic_line("row"), rom_m=rom_m, has_force=False)


def from_dock() -> Trace:
    return Trace(position_m=[0.0]).hold(1.0)


def sticks(trace: Trace, at_m: float, *, fast_m_s: float = 0.35, per_s: float = 6.0, for_s: float = 2.4) -> float:
    """An ascent that slows down toward a height and stays there; when it was last at 0.05 m/s."""
    away_m = at_m - trace.position_m[-1]
    reach_m = fast_m_s / per_s
    cruise_s = max(0.0, (away_m - reach_m) / fast_m_s)
    began_s = trace.now_s
    knots = [(0.0, 0.0), (0.05, fast_m_s), (0.05 + cruise_s, fast_m_s)]
    after = [k * 0.02 for k in range(1, 60)]
    knots += [(0.05 + cruise_s + s, fast_m_s * math.exp(-per_s * s)) for s in after]
    trace.speeds(knots)
    trace.hold(for_s - 1.2)
    return began_s + 0.05 + cruise_s + math.log(fast_m_s / 0.05) / per_s


def repetition(trace: Trace, bottom_m: float, rom_m: float = ROM, *, up_s: float = 0.9, down_s: float = 1.3) -> Trace:
    return trace.move(bottom_m + rom_m, up_s).hold(0.3).move(bottom_m, down_s).hold(0.4)


def outcomes(signals: list[Signal]) -> list[RepetitionOutcome]:
    return [s.outcome for s in signals if isinstance(s, RepetitionEnded)]


@pytest.mark.parametrize("share", [0.35, 0.55, 0.75, 0.92])
@pytest.mark.parametrize("rule", ["evidence", "dwell"])
def test_a_first_ascent_that_sticks_is_a_stall_within_a_second_and_teaches_no_rom(share: float, rule: str) -> None:
    trace = from_dock().move(0.1, 0.5).hold(0.6)
    stopped_s = sticks(trace, 0.1 + share * ROM)
    it = segmenter(rule=rule)
    signals = run(it, trace.move(0.1, 1.2).hold(0.5), docked_s=0.5, **NOISE)
    (seen,) = stalls(signals)
    assert 0.0 < seen.t_us * 1e-6 - stopped_s < 1.0
    assert outcomes(signals) == [FAILED]
    assert it.rom_reference_m is None


def test_after_a_first_ascent_that_failed_low_the_next_is_seen() -> None:
    trace = from_dock().move(0.1, 0.5).hold(0.6)
    sticks(trace, 0.145, fast_m_s=0.2)
    trace.move(0.1, 0.5).hold(0.6)
    repetition(repetition(trace, 0.1), 0.1)
    signals = run(segmenter(), trace, docked_s=0.5, **NOISE)
    assert outcomes(signals) == [FAILED, COMPLETED, COMPLETED]


@pytest.mark.parametrize("rom_m", [None, ROM])
def test_sticking_straight_out_of_the_dock_is_a_stall_where_it_is(rom_m: float | None) -> None:
    """It may be a careful take-up too, so it gets the longest that a handle may stand, not the patience of 5 s."""
    trace = from_dock()
    stopped_s = sticks(trace, 0.25, for_s=3.2)
    trace.move(0.0, 1.0).hold(0.4)
    for _ in range(3):
        repetition(trace, 0.0)
    signals = run(segmenter(rom_m), trace, docked_s=0.9, **NOISE)
    (seen,) = stalls(signals)
    assert seen.reason is Reason.FAILED_START
    assert 1.9 < seen.t_us * 1e-6 - stopped_s < 2.5
    assert outcomes(signals) == [COMPLETED] * 3


@pytest.mark.parametrize("rom_m", [None, ROM])
@pytest.mark.parametrize("rest_s", [0.5, 1.5, 4.0])
def test_a_careful_take_up_with_a_rest_is_no_stall(rom_m: float | None, rest_s: float) -> None:
    trace = from_dock().move(0.3, 2.0).hold(rest_s)
    for _ in range(3):
        repetition(trace, 0.3)
    signals = run(segmenter(rom_m, rule="dwell"), trace, docked_s=0.9, **NOISE)
    assert not stalls(signals)
    assert outcomes(signals) == [COMPLETED] * 3


@pytest.mark.parametrize("up_s", [1.5, 2.5, 4.0])
def test_a_slow_smooth_first_repetition_that_rests_at_its_top_is_completed(up_s: float) -> None:
    trace = from_dock().move(0.1, 0.5).hold(0.6)
    for _ in range(2):
        trace.move(0.1 + ROM, up_s).hold(2.5).move(0.1, 2.2).hold(0.3)
    it = segmenter()
    signals = run(it, trace, docked_s=0.5, **NOISE)
    assert not stalls(signals)
    assert outcomes(signals) == [COMPLETED] * 2
    assert it.rom_reference_m == pytest.approx(ROM, abs=0.03)


def test_a_handle_that_crawls_on_from_a_first_rest_is_a_failed_start() -> None:
    trace = from_dock()
    stopped_s = sticks(trace, 0.12, for_s=1.6)
    trace.speeds([(0.0, 0.0), (0.1, 0.02), (0.9, 0.012), (1.0, 0.0)]).hold(0.5)
    (seen,) = stalls(run(segmenter(), trace, docked_s=0.9, **NOISE))
    assert seen.reason is Reason.FAILED_START
    assert 0.4 < seen.t_us * 1e-6 - stopped_s < 1.9, "before the 2 s that a rest may last"
    sways = from_dock()
    sticks(sways, 0.12, for_s=1.2)
    sways.move(0.126, 0.4).move(0.12, 0.4)
    assert not stalls(run(segmenter(), sways, docked_s=0.9, **NOISE)), "a body that sways comes down again"


def test_a_fall_from_a_first_rest_is_told_once() -> None:
    trace = from_dock()
    sticks(trace, 0.15, for_s=1.9)
    fell_s = trace.now_s
    trace.move(0.12, 0.25).hold(1.2)
    (seen,) = stalls(run(segmenter(), trace, docked_s=0.9, **NOISE))
    assert 0.0 < seen.t_us * 1e-6 - fell_s < 0.3
    late = from_dock()
    sticks(late, 0.15, for_s=3.6)
    (seen,) = stalls(run(segmenter(), late.move(0.12, 0.25).hold(1.2), docked_s=0.9, **NOISE))
    assert seen.t_us * 1e-6 < late.now_s - 1.45, "told for standing, and not again for the fall"


def test_a_fall_from_as_high_as_a_top_is_a_repetition() -> None:
    trace = from_dock()
    sticks(trace, 0.3, for_s=1.9)
    signals = run(segmenter(), trace.move(0.0, 0.8).hold(0.5), docked_s=0.9, **NOISE)
    assert not stalls(signals)
    assert outcomes(signals) == [COMPLETED]


def test_a_first_repetition_that_is_slow_on_purpose_and_turns_at_its_top_is_completed() -> None:
    trace = from_dock().move(0.1, 0.5).hold(0.6)
    for _ in range(3):
        trace.move(0.1 + ROM, 2.2).hold(0.1).move(0.1, 2.2).hold(0.3)
    signals = run(segmenter(), trace, docked_s=0.5, **NOISE)
    assert outcomes(signals) == [COMPLETED] * 3
    assert not stalls(signals)


@pytest.mark.parametrize("rom_m", [None, ROM])
@pytest.mark.parametrize("pause_at", [0.15, 0.35, 0.55])
def test_a_pause_in_the_first_ascent_out_of_the_dock_harms_nobody(rom_m: float | None, pause_at: float) -> None:
    """Slow on the way down, so that each turn far from a false top would look like a failure."""
    trace = from_dock().move(pause_at * ROM, 0.5).hold(0.22).move(ROM, 0.8).hold(0.3).move(0.0, 3.5).hold(0.4)
    for _ in range(3):
        repetition(trace, 0.0, down_s=3.5)
    it = segmenter(rom_m)
    signals = run(it, trace, docked_s=0.9, **NOISE)
    assert outcomes(signals) == [COMPLETED] * 4
    assert not stalls(signals)
    assert it.rom_reference_m == pytest.approx(ROM, abs=0.03)


@pytest.mark.parametrize("rom_m", [None, ROM])
def test_a_take_up_longer_than_the_rom_is_not_a_repetition(rom_m: float | None) -> None:
    trace = from_dock().move(0.7, 1.6).hold(0.6)
    for _ in range(3):
        repetition(trace, 0.7)
    stopped_s = sticks(trace, 0.7 + 0.5 * ROM)
    signals = run(segmenter(rom_m), trace, docked_s=0.9, **NOISE)
    assert outcomes(signals) == [COMPLETED] * 3
    (seen,) = stalls(signals)
    assert seen.t_us * 1e-6 - stopped_s < 1.1


@pytest.mark.parametrize("rom_m", [0.10, 0.15])
def test_a_short_range_is_a_range(rom_m: float) -> None:
    trace = from_dock().move(0.1, 0.5).hold(0.6)
    for _ in range(5):
        trace.move(0.1 + rom_m, 0.5).hold(0.6).move(0.1, 0.7).hold(0.4)
    signals = run(segmenter(rule="dwell"), trace, docked_s=0.5, **NOISE)
    assert outcomes(signals) == [COMPLETED] * 5
    assert not stalls(signals)


def test_a_short_repetition_with_a_rest_at_its_top_is_no_stall_of_the_dwell_rule() -> None:
    trace = repetition(repetition(Trace().hold(0.8), 0.1), 0.1)
    trace.move(0.1 + 0.94 * ROM, 0.8).hold(1.0).move(0.1, 1.3).hold(0.4)
    signals = run(segmenter(rule="dwell"), trace, **NOISE)
    assert outcomes(signals) == [COMPLETED] * 3
    assert not stalls(signals)


def test_a_bottom_that_is_deeper_with_a_little_sway_is_no_failed_start() -> None:
    trace = Trace().hold(0.8)
    for _ in range(3):
        repetition(trace, 0.1)
    trace.move(0.1 + ROM, 0.9).hold(0.3).move(0.086, 1.3)
    for _ in range(3):
        trace.move(0.083, 0.5).move(0.087, 0.4)
    repetition(trace, 0.1)
    signals = run(segmenter(), trace, **NOISE)
    assert not stalls(signals)
    assert outcomes(signals) == [COMPLETED] * 5


def test_a_reversal_of_an_ascent_under_a_load_on_its_way_down_asks_for_nothing() -> None:
    def told(settle_s: float) -> int:
        # a rule that does not call the stall itself, so that the fallback is asked
        it = segmenter(ROM, rule="dwell", dwell_s=5.0)
        trace = repetition(repetition(Trace().hold(0.8), 0.1), 0.1)
        dropped_us = round(trace.now_s * 1e6)
        trace.speeds([(0.0, 0.0), (0.3, 0.4), (0.6, 0.06), (0.9, 0.03), (1.1, -0.1), (2.0, -0.15)]).move(0.1, 0.3)
        t, x, v = trace.hold(0.5).sample(**NOISE)
        seen: list[Signal] = []
        dropped = False
        for k in range(len(t)):
            if t[k] > dropped_us and not dropped:
                dropped = True
                it.load_dropped(t[k], 0.8 * LOAD, settle_s)
            seen += it.feed(t[k : k + 1], x[k : k + 1], v[k : k + 1], None, load_n=LOAD, docked=False)
        assert outcomes(seen)[-1] is FAILED
        return sum(isinstance(s, StallSeen) and s.reason is Reason.REVERSAL for s in seen)

    assert told(0.0) == 1
    assert told(3.0) == 0


# --- bottom and ROM as hypotheses ---------------------------------------------------------------------------------


def test_a_rom_that_was_only_a_part_is_let_go_at_the_first_that_is_clearly_longer() -> None:
    span = RangeOfMotion(None)
    span.began_at(0.1)
    span.completed(0.25, 0.35)
    span.began_at(0.1)
    span.completed(0.45, 0.55)
    assert span.reference_m == 0.45


def test_a_bottom_that_was_only_a_pause_is_let_go_at_once_and_the_top_stays() -> None:
    span = RangeOfMotion(None)
    span.began_at(0.3)
    span.completed(0.25, 0.55)
    span.began_at(0.1)
    assert span.bottom_m == 0.1
    assert span.reference_m == pytest.approx(0.45)


def test_a_bottom_that_was_only_the_dock_is_let_go_when_two_ascents_begin_above_it() -> None:
    span = RangeOfMotion(None)
    span.began_at(0.0)
    span.completed(0.5, 0.5)
    span.began_at(0.12)
    assert span.bottom_m is not None
    assert span.bottom_m < 0.05
    span.began_at(0.121)
    assert span.bottom_m == 0.121
    assert span.reference_m == pytest.approx(0.379)


def test_one_ascent_from_mid_range_moves_no_bottom_that_was_confirmed() -> None:
    span = RangeOfMotion(None)
    for low_m in (0.1, 0.1, 0.1):
        span.began_at(low_m)
        span.completed(0.4, 0.5)
    span.began_at(0.3)
    span.began_at(0.3)
    assert span.bottom_m == pytest.approx(0.1)
    assert span.reference_m == 0.4


def test_ended_and_stalls_are_told_apart() -> None:
    """The helpers that the tests here rest on: a stall ends no ascent."""
    trace = from_dock().move(0.1, 0.5).hold(0.6)
    sticks(trace, 0.3)
    signals = run(segmenter(), trace, docked_s=0.5, **NOISE)
    assert len(stalls(signals)) == 1
    assert not ended(signals)
