"""A handle that was stopped on purpose, one that ran out of strength, and one under a load on its way down.

The figures are written out here, as in `test_slow_phase`.
"""

from __future__ import annotations

from typing import Any

import pytest

from ebbset.controller.detection.signals import StallSeen
from ebbset.controller.messages.reasons import Reason
from tests.support.slow_phase_bench import COMPLETED, FAILED, PARTIAL, Bench, T, braking, slowing

LIMIT_US = 1_000_000


def counts_as_standing(it: Bench, x: float, share: float | None) -> bool:
    """Whether a handle that stands here for 5 s is called a stall."""
    assert it.slow(x, t=T + 22_000, share=share) is None
    it.slow(x, t=T + 5_000_000, share=share)
    return bool(it.signals)


# --- a stop on purpose where a repetition may end ------------------------------------------------------------------


def test_who_stops_on_purpose_before_a_range_is_known_may_stand_as_long_as_it_takes() -> None:
    assert not counts_as_standing(braking(0.1, rom_m=None, bottom_m=None), 0.1, None)
    hardly_moved = Bench(rom_m=None, bottom_m=None, ascent={"peak_m": 0.1})
    assert counts_as_standing(hardly_moved, 0.1, None)


@pytest.mark.parametrize(
    ("at_m", "ascent", "share", "stands"),
    [
        # by the share of the range
        (0.3, {"start_m": 0.2, "origin_m": 0.2}, 0.8, False),
        (0.3, {"start_m": 0.2, "origin_m": 0.2}, 0.7999, True),
        # by the rise of the ascent
        (0.4, {}, None, False),
        (0.3999, {}, None, True),
        # by the rise from where it left the dock, if the rest on the way out was only a pause
        (0.4, {"start_m": 0.2, "origin_m": 0.0}, None, False),
        (0.3999, {"start_m": 0.2, "origin_m": 0.0}, None, True),
        (0.4, {"start_m": 0.2, "origin_m": -0.199}, None, False),
        # which it was not where that is longer than any repetition
        (0.4, {"start_m": 0.2, "origin_m": -0.2}, None, True),
        (0.35, {"start_m": 0.1, "origin_m": -0.25}, None, True),
        (0.4, {"start_m": 0.2, "origin_m": -0.3}, None, True),
        (0.4, {"start_m": 0.0, "origin_m": -0.3}, None, False),
    ],
)
def test_who_stops_on_purpose_at_four_fifths_of_a_range_may_stand_there(
    at_m: float, ascent: dict[str, Any], share: float | None, stands: bool
) -> None:
    assert counts_as_standing(braking(at_m, ascent=ascent), at_m, share) is stands


def test_who_ran_out_of_strength_at_four_fifths_has_stalled() -> None:
    it = slowing()
    assert not it.ascent.braked
    assert counts_as_standing(it, 0.3, 0.82)


def test_a_first_repetition_that_stops_on_purpose_and_turns_is_through_if_it_was_longer_than_5_cm() -> None:
    for peak_m, over in ((0.05, PARTIAL), (0.051, COMPLETED)):
        it = braking(peak_m, rom_m=None, bottom_m=None)
        assert it.slow(0.0, -0.03) == over
        assert not it.signals
    for start_m, over in ((0.13, PARTIAL), (0.12, COMPLETED)):
        it = braking(0.18, rom_m=None, bottom_m=None, ascent={"start_m": start_m})
        assert it.slow(0.1, -0.03) == over


def test_who_stops_on_purpose_and_turns_is_through_from_four_fifths_of_a_known_range_on() -> None:
    begun_higher = {"start_m": 0.2, "origin_m": 0.2}
    for peak_m, over in ((0.41, COMPLETED), (0.39, PARTIAL)):
        it = braking(peak_m, ascent=begun_higher)
        assert it.slow(0.25, -0.03, share=0.5) == over
        assert not it.signals


def test_who_stops_on_purpose_where_it_stalled_and_turns_has_failed() -> None:
    for stall_m, over in ((0.40, FAILED), (0.39, COMPLETED)):
        it = braking(0.41, ascent={"stalls": 1, "stall_m": stall_m})
        assert it.slow(0.25, -0.03, share=0.5) == over


def test_who_stops_on_purpose_low_down_and_turns_has_not_failed_however_slow_it_was_before() -> None:
    it = braking(0.3)
    it.ascent.fast_t_us = T - 900_000
    assert it.slow(0.2, -0.03, share=0.4) == PARTIAL
    assert not it.signals


# --- running out of strength near a top ----------------------------------------------------------------------------


def test_before_a_range_is_known_who_ran_out_of_strength_and_stands_is_not_through() -> None:
    for x, over in ((0.3, None), (0.3 - 0.015, None), (0.3 - 0.0151, COMPLETED)):
        it = slowing(rom_m=None, bottom_m=None)
        assert it.slow(x, t=T + 80_000) == over, "only one that has come down a little has shown a top"
    rested = Bench(rom_m=None, bottom_m=None)
    assert rested.slow(0.3, t=T + 80_000) == COMPLETED


def test_before_a_range_is_known_who_ran_out_of_strength_and_comes_down_has_shown_a_top() -> None:
    for x, over in ((0.3 - 0.015, None), (0.3 - 0.0151, COMPLETED)):
        it = slowing(rom_m=None, bottom_m=None)
        assert it.slow(x, -0.03) == over


def test_a_little_short_of_the_top_who_ran_out_of_strength_is_still_fighting() -> None:
    for share, over in ((0.9, None), (0.97, COMPLETED)):
        it = slowing()
        assert it.slow(0.3, t=T + 800_000, share=share) == over


# --- a load on its way down ----------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("settled_us", "start_load_n", "tells"),
    [
        (T + 1, 400.0, False),
        (T, 400.0, True),
        (T + 1, 1.02 * 320.0, True),
        (T + 1, 1.021 * 320.0, False),
        (T + 1, 300.0, True),
    ],
)
def test_a_failure_of_an_ascent_that_began_before_the_load_stood_says_nothing_of_that_load(
    settled_us: int, start_load_n: float, tells: bool
) -> None:
    it = Bench(ascent={"fast_t_us": T - 900_000, "start_load_n": start_load_n})
    it.phase.dropped(settled_us, 320.0)
    assert it.slow(0.2, -0.03, share=0.4) == FAILED
    assert [s.reason for s in it.signals if isinstance(s, StallSeen)] == ([Reason.REVERSAL] if tells else [])


# --- standing where it slowed down ---------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("stall", "limit_us"),
    [
        ({}, 700_000),
        ({"still_limit_s": 0.5}, 500_000),
        ({"grind_s": 0.5}, 1_200_000),
        ({"rule": "dwell", "dwell_s": 0.9}, 900_000),
    ],
)
def test_who_slowed_for_want_of_strength_stands_for_700_ms_after_grinding_but_never_longer_than_the_limit(
    stall: dict[str, Any], limit_us: int
) -> None:
    rule = Bench(**stall).phase.rule
    assert rule.slow(T + 22_000, slowed=True) is None
    assert rule.slow(T + limit_us - 1, slowed=True) is None
    assert rule.slow(T + limit_us, slowed=True) == pytest.approx(limit_us * 1e-6, abs=1e-12)


def test_a_grinding_time_begins_anew_when_the_handle_was_faster_however_shortly() -> None:
    rule = Bench(grind_s=0.5).phase.rule
    rule.slow(T, slowed=True)
    rule.moving()
    rule.slow(T + 10_000 + 22_000, slowed=True)
    assert rule.slow(T + 10_000 + 1_199_999, slowed=True) is None
    assert rule.slow(T + 10_000 + 1_200_000, slowed=True) is not None


def test_helped_at_exactly_20_cm_is_far_from_the_bottom() -> None:
    for start_m, limit_us in ((0.0, 700_000), (0.001, LIMIT_US)):
        it = slowing(load_falling=True, start_m=start_m)
        it.slow(0.2, 0.01, t=T + 22_000, share=0.4)
        it.slow(0.2, 0.01, t=T + limit_us - 1, share=0.4)
        assert not it.signals
        it.slow(0.2, 0.01, t=T + limit_us, share=0.4)
        assert len(it.signals) == 1
