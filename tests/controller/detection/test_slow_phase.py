"""What a slow sample of an ascent means, each boundary alone: the top, a wobble, turning back, a stall.

Every figure is written out here, not taken from the module, so that a figure that changes is seen.
"""

from __future__ import annotations

import pytest

from ebbset.controller.detection.evidence.stall_classifier import probability_of
from ebbset.controller.detection.evidence.stall_evidence import score
from ebbset.controller.detection.signals import StallSeen
from ebbset.controller.detection.stall import AscentOver
from ebbset.controller.messages.reasons import Reason
from ebbset.models.contract.rig_messages import RepetitionOutcome
from tests.support.slow_phase_bench import (
    COMPLETED,
    FAILED,
    HEALTHY,
    HOPELESS,
    PARTIAL,
    Bench,
    T,
    braking,
    slowing,
    stall_rule,
)


def test_a_slow_sample_moves_the_extremes_of_the_ascent_outward_only() -> None:
    it = Bench()
    it.slow(0.31, 0.03)
    assert (it.ascent.peak_m, it.ascent.lull_m_s) == (0.31, 0.03)
    it.slow(0.305, 0.04)
    assert (it.ascent.peak_m, it.ascent.lull_m_s) == (0.31, 0.03)
    it.slow(0.32, 0.01)
    assert (it.ascent.peak_m, it.ascent.lull_m_s) == (0.32, 0.01)


def test_the_lowest_velocity_of_an_ascent_counts_once_the_handle_goes_on() -> None:
    it = Bench()
    least_m_s = it.ascent.least_m_s
    it.slow(0.31, 0.01)
    assert it.ascent.least_m_s == least_m_s
    it.slow(0.32, 0.06)
    assert it.ascent.least_m_s == 0.01
    it.slow(0.32, -0.3)
    assert it.ascent.least_m_s == 0.01


def test_above_the_stall_velocity_the_handle_is_on_its_way_up() -> None:
    it = Bench()
    it.slow(0.3, 0.05, t=T + 1_000)
    assert it.clock_runs, "as fast as the stall velocity is not faster"
    assert (it.ascent.up_m, it.ascent.up_t_us) == (0.3, T)
    assert it.slow(0.31, 0.051, t=T + 2_000) is None
    assert not it.clock_runs
    assert (it.ascent.up_m, it.ascent.up_t_us) == (0.31, T + 2_000)


def test_even_at_the_top_a_handle_on_its_way_up_has_not_ended_its_ascent() -> None:
    assert Bench().slow(0.5, 0.051, t=T + 900_000, share=1.0) is None


# --- the top --------------------------------------------------------------------------------------------------------


def test_a_handle_that_rests_at_the_top_for_80_ms_is_through() -> None:
    it = Bench()
    assert it.slow(0.5, t=T + 79_999, share=0.97) is None
    assert it.slow(0.5, t=T + 80_000, share=0.97) == COMPLETED
    assert it.slow(0.5, t=T + 80_001, share=0.97) == COMPLETED
    assert not it.clock_runs, "resting at the top is not a stall"
    assert it.slow(0.51, share=1.02) is None
    assert not it.clock_runs, "nor above it"
    assert not it.signals


def test_a_little_short_of_the_top_it_must_rest_for_800_ms() -> None:
    for share in (0.85, 0.9699):
        it = Bench(ascent={"peak_m": 0.48})
        assert it.slow(0.48, t=T + 799_999, share=share) is None
        assert it.clock_runs, "it may still be fighting"
        assert it.slow(0.48, t=T + 800_000, share=share) == COMPLETED
        assert it.slow(0.48, t=T + 800_001, share=share) == COMPLETED


def test_short_of_the_top_and_slow_for_long_before_it_is_still_fighting() -> None:
    for slow_us, over in ((250_000, COMPLETED), (250_001, None)):
        it = Bench(ascent={"fast_t_us": T - slow_us, "peak_m": 0.45})
        assert it.slow(0.45, t=T + 800_000, share=0.9) == over
    it = Bench(ascent={"fast_t_us": T - 900_000, "peak_m": 0.5})
    assert it.slow(0.5, t=T + 80_000, share=1.0) == COMPLETED, "at the very top nobody fights"


def test_under_the_top_nobody_is_through_however_long_the_rest() -> None:
    it = Bench()
    assert it.slow(0.42, t=T + 800_000, share=0.8499) is None
    assert it.clock_runs


def test_a_handle_that_leaves_the_top_is_through_at_once() -> None:
    for v, over in ((-0.02, None), (-0.0201, COMPLETED)):
        it = Bench(ascent={"peak_m": 0.5})
        assert it.slow(0.5, v, share=1.0) == over


def test_a_little_short_of_the_top_it_must_come_down_15_mm_too() -> None:
    edge = 0.45 - 0.015
    for x, v, over in (
        (0.445, -0.03, None),
        (edge, -0.03, None),
        (edge - 1e-9, -0.03, COMPLETED),
        (edge - 1e-9, -0.02, None),
    ):
        it = Bench(ascent={"peak_m": 0.45})
        assert it.slow(x, v, share=0.87) == over


@pytest.mark.parametrize("rom_m", [None, 0.25])
def test_without_a_share_the_rise_of_the_ascent_tells_the_top(rom_m: float | None) -> None:
    """20 cm where nothing is known of the range, else 85 % of it."""
    high = 0.2 if rom_m is None else 0.85 * rom_m
    for rise, over in ((high - 1e-9, None), (high, COMPLETED), (high + 1e-9, COMPLETED)):
        it = Bench(rom_m=rom_m, bottom_m=None, ascent={"start_m": 0.0, "peak_m": 0.2})
        assert it.slow(rise, t=T + 80_000) == over
    for rise, over in ((high - 1e-3, None), (high + 1e-3, COMPLETED)):
        it = Bench(rom_m=rom_m, bottom_m=None, ascent={"start_m": -0.3, "peak_m": 0.0})
        assert it.slow(rise - 0.3, t=T + 80_000) == over


def test_a_share_outranks_the_rise() -> None:
    assert Bench().slow(0.5, t=T + 80_000, share=0.5) is None
    assert Bench().slow(0.1, t=T + 80_000, share=1.0) == COMPLETED


def test_an_ascent_that_stalled_at_the_top_and_has_not_moved_since_has_failed() -> None:
    edge = 0.48 + 0.015
    for x, over in ((edge - 1e-9, FAILED), (edge, COMPLETED)):
        it = Bench(ascent={"stalls": 1, "stall_m": 0.48, "peak_m": 0.5})
        assert it.slow(x, t=T + 80_000, share=0.99) == over
    it = Bench(ascent={"stalls": 0, "stall_m": 0.48, "peak_m": 0.5})
    assert it.slow(0.48, t=T + 80_000, share=0.99) == COMPLETED


# --- the first rise out of the dock ---------------------------------------------------------------------------------


def test_a_rest_of_120_ms_low_down_ends_the_way_out_of_the_dock() -> None:
    for rom_m in (None, 0.5):
        it = Bench(rom_m=rom_m, bottom_m=None, ascent={"taking_up": True, "peak_m": 0.1})
        assert it.slow(0.1, t=T + 119_999) is None
        assert it.slow(0.1, t=T + 120_000) == AscentOver(None, taken_up=True)
        assert it.slow(0.1, t=T + 120_001) == AscentOver(None, taken_up=True)


def test_the_first_rest_high_up_may_be_a_top_where_no_range_is_known() -> None:
    it = Bench(rom_m=None, bottom_m=None, ascent={"taking_up": True})
    assert it.slow(0.3, t=T + 119_999) is None, "80 ms decide nothing here"
    assert it.clock_runs
    assert it.slow(0.3, t=T + 120_000) == AscentOver(RepetitionOutcome.COMPLETED, taken_up=True)
    it = Bench(rom_m=None, bottom_m=None, ascent={"taking_up": True})
    assert it.slow(0.3, -0.03) == COMPLETED, "a handle that turns back here has shown a top"


def test_the_first_rest_as_high_as_a_known_range_may_still_be_the_bottom_after_a_long_take_up() -> None:
    """The next movement tells; a handle that turns back at once has shown a top."""
    it = Bench(bottom_m=None, ascent={"taking_up": True, "peak_m": 0.45})
    assert it.slow(0.45, t=T + 119_999) is None
    assert it.slow(0.45, t=T + 120_000) == AscentOver(RepetitionOutcome.COMPLETED, taken_up=True)
    it = Bench(bottom_m=None, ascent={"taking_up": True, "peak_m": 0.424})
    assert it.slow(0.424, t=T + 120_000) == AscentOver(None, taken_up=True), "under 0.85 of the range it is no top"
    it = Bench(bottom_m=None, ascent={"taking_up": True, "peak_m": 0.45})
    assert it.slow(0.45, -0.03) == COMPLETED


def test_only_an_ascent_out_of_the_dock_is_taken_up() -> None:
    it = Bench(rom_m=None, bottom_m=None, ascent={"peak_m": 0.1})
    assert it.slow(0.1, t=T + 120_000) is None
    it = Bench(rom_m=None, bottom_m=None)
    assert it.slow(0.3, t=T + 79_999) is None
    assert it.slow(0.3, t=T + 120_000) == COMPLETED


# --- turning back ---------------------------------------------------------------------------------------------------


def test_down_less_than_15_mm_is_a_wobble() -> None:
    edge = 0.3 - 0.015
    for x, over in ((0.295, None), (edge, None), (edge - 1e-9, PARTIAL)):
        it = Bench(ascent={"peak_m": 0.3})
        assert it.slow(x, -0.03, share=0.5) == over
        assert not it.clock_runs, "a handle on its way down does not stand still"
        assert not it.signals


def test_a_handle_that_sinks_slowly_is_not_turning_back() -> None:
    it = Bench(ascent={"peak_m": 0.3})
    assert it.slow(0.2, -0.02, share=0.4) is None
    assert it.clock_runs


def test_down_from_where_the_top_is_the_ascent_came_through() -> None:
    for peak_m, over in ((0.424, PARTIAL), (0.425, COMPLETED), (0.426, COMPLETED)):
        it = Bench(ascent={"peak_m": peak_m})
        assert it.slow(0.3, -0.03, share=0.6) == over
    it = Bench(ascent={"peak_m": 0.45, "stalls": 1, "stall_m": 0.44})
    assert it.slow(0.3, -0.03, share=0.6) == FAILED
    it = Bench(ascent={"peak_m": 0.45, "stalls": 1, "stall_m": 0.3})
    assert it.slow(0.3, -0.03, share=0.6) == COMPLETED, "it is the highest position that counts"
    assert Bench(bottom_m=None, ascent={"peak_m": 0.45}).slow(0.3, -0.03) == PARTIAL, "no top is known"


def test_down_after_a_stall_is_the_failure_that_was_told_already() -> None:
    it = Bench(ascent={"stalls": 1, "fast_t_us": T - 900_000})
    assert it.slow(0.2, -0.03, share=0.4) == FAILED
    assert not it.signals


def test_down_after_an_attempt_with_all_there_was_is_a_failure() -> None:
    it = Bench(ascent={"fast_t_us": T - 249_999})
    assert it.slow(0.2, -0.03, share=0.4) == PARTIAL
    assert not it.signals
    it = Bench(ascent={"fast_t_us": T - 250_000})
    assert it.slow(0.2, -0.03, share=0.4) == FAILED
    assert it.signals == [
        StallSeen(
            reason=Reason.REVERSAL,
            t_us=T,
            velocity_m_s=-0.03,
            force_n=390.0,
            position_fraction=0.4,
            duration_s=250_000 * 1e-6,
            probability=0.95,
        )
    ]


# --- standing still -------------------------------------------------------------------------------------------------


def test_who_slowed_for_want_of_strength_stands_for_700_ms_and_once_helped_for_the_limit() -> None:
    for changes, limit_us in (({}, 700_000), ({"stalls": 1}, 1_000_000)):
        it = slowing(**changes)
        assert it.slow(0.3, 0.01, t=T + 22_000, share=0.6) is None
        assert it.ascent.slowed
        it.slow(0.3, 0.01, t=T + limit_us - 1, share=0.6)
        assert not it.signals
        it.slow(0.3, 0.01, t=T + limit_us, share=0.6)
        (stall,) = it.signals
        assert isinstance(stall, StallSeen)
        # the limit goes with the stall that it made, for the decision to tell
        assert stall.slowed_limit_s == (0.7 if limit_us == 700_000 else None)


def test_a_limit_below_700_ms_is_the_limit_for_everybody() -> None:
    assert stall_rule(still_limit_s=0.7).slowed_limit_s is None
    assert stall_rule(still_limit_s=0.8).slowed_limit_s == 0.7
    assert stall_rule(rule="dwell", dwell_s=0.9).slowed_limit_s is None


def test_who_began_under_a_load_on_its_way_down_may_be_resting_at_the_bottom_unless_it_is_far() -> None:
    for start_m, limit_us in ((0.11, 1_000_000), (0.09, 700_000)):
        it = slowing(load_falling=True, start_m=start_m)
        it.slow(0.3, 0.01, t=T + 22_000, share=0.6)
        it.slow(0.3, 0.01, t=T + limit_us - 1, share=0.6)
        assert not it.signals
        it.slow(0.3, 0.01, t=T + limit_us, share=0.6)
        assert len(it.signals) == 1


def test_who_stopped_hard_and_then_went_on_a_little_has_run_out_of_strength_after_all() -> None:
    it = braking(0.2)
    it.slow(0.2, 0.01, t=T + 22_000, share=0.4)
    it.slow(0.2, 0.01, t=T + 800_000, share=0.4)
    assert not it.signals, "stopped on purpose, so that the whole limit holds"
    it.slow(0.28, 0.01, t=T + 800_001, share=0.56)
    assert it.ascent.slowed
    assert len(it.signals) == 1


def test_standing_still_for_the_limit_is_a_stall_and_does_not_end_the_ascent() -> None:
    it = Bench()
    it.ascent.stalls = 1
    assert it.slow(0.3, 0.01, t=T + 22_000, share=0.6) is None
    assert it.slow(0.3, 0.01, t=T + 999_999, share=0.6) is None
    assert not it.signals
    assert it.slow(0.31, 0.02, t=T + 1_000_000, share=0.62) is None
    assert it.signals == [
        StallSeen(
            reason=Reason.STALL_IN_CONCENTRIC,
            t_us=T + 1_000_000,
            velocity_m_s=0.02,
            force_n=390.0,
            position_fraction=0.62,
            duration_s=1_000_000 * 1e-6,
            probability=0.9,
        )
    ]
    assert (it.ascent.stalls, it.ascent.stall_m, it.ascent.stall_m_s) == (2, 0.31, 0.02)


# --- looks at the evidence ------------------------------------------------------------------------------------------


def test_evidence_is_given_each_look_with_the_share_or_the_rise_in_a_common_range() -> None:
    it = Bench()
    it.look(0.3, 0.01, share=0.6)
    it.look(0.31, 0.02, t=T + 1, share=None)
    it.ascent.start_m = 0.1
    it.look(0.31, 0.02, t=T + 2, share=None)
    assert it.told.asked == [
        ("sample", T, 0.01, 0.6),
        ("sample", T + 1, 0.02, pytest.approx(0.31 / 0.42, abs=1e-12)),
        ("sample", T + 2, 0.02, pytest.approx(0.5, abs=1e-12)),
    ]


def test_an_ascent_that_comes_through_is_no_stall() -> None:
    assert Bench().look() is None


@pytest.mark.parametrize(
    ("v", "reason"),
    [(0.04, Reason.STALL_IN_CONCENTRIC), (0.05, Reason.STALL_IN_CONCENTRIC), (0.051, Reason.STALL_FORESEEN)],
)
def test_a_hopeless_ascent_is_a_stall_foreseen_while_it_moves(v: float, reason: Reason) -> None:
    it = Bench()
    it.told.says = HOPELESS
    assert it.look(0.3, v) == StallSeen(
        reason=reason,
        t_us=T,
        velocity_m_s=v,
        force_n=390.0,
        position_fraction=0.6,
        duration_s=0.0,
        probability=probability_of(score(HOPELESS, -1e9)),
    )
    assert (it.ascent.stalls, it.ascent.stall_m, it.ascent.stall_m_s) == (1, 0.3, v)
    assert it.look(0.3, v) is None, "told once"


def test_a_stall_takes_the_prescribed_certainty_and_no_more() -> None:
    for doubt, called in ((1e-9, False), (0.0, True)):
        it = Bench()
        it.told.says = HOPELESS
        it.phase.rule.certain = score(HOPELESS, -1e9) + doubt
        assert (it.look() is not None) is called


def test_only_the_rule_evidence_calls_a_stall_by_evidence() -> None:
    it = Bench(rule="dwell")
    it.told.says = HOPELESS
    assert it.look() is None


def test_on_the_way_out_of_the_dock_and_where_no_look_is_worth_it_nothing_is_called() -> None:
    it = Bench(ascent={"taking_up": True})
    it.told.says = HOPELESS
    assert it.look() is None
    it = Bench()
    it.told.says, it.told.looked_at = HOPELESS, False
    assert it.look() is None


def stalled() -> Bench:
    """A bench whose stall was called at 0.15 m/s and is not over."""
    it = Bench()
    it.told.says = HOPELESS
    assert it.look(0.3, 0.15) is not None
    it.told.says = HEALTHY
    return it


@pytest.mark.parametrize(
    ("stall_m_s", "v", "recovers"),
    [
        (0.0, 0.15, False),
        (0.0, 0.2, False),
        (0.0, 0.201, True),
        (0.15, 0.21, False),
        (0.15, 0.15 + 0.08, False),
        (0.15, 0.231, True),
    ],
)
def test_a_handle_that_is_fast_again_has_overcome_its_stall(stall_m_s: float, v: float, recovers: bool) -> None:
    it = stalled()
    it.ascent.stall_m_s = stall_m_s
    it.look(0.3, v)
    assert it.phase.rule.fired is not recovers


def test_a_fast_handle_without_a_stall_has_nothing_to_overcome() -> None:
    it = Bench(grind_s=0.5)
    it.slow(0.3, 0.0)
    assert it.clock_runs
    it.look(0.3, 0.5)
    assert it.clock_runs


# --- what the segmenter tells it ------------------------------------------------------------------------------------


def test_a_new_ascent_begins_without_a_stall() -> None:
    it = stalled()
    it.slow(0.3, 0.0)
    it.phase.begin(T + 5, 380.0)
    assert not it.phase.rule.fired
    assert not it.clock_runs
    assert it.told.asked[-1] == ("begin", T + 5, 380.0)


@pytest.mark.parametrize(("completed", "load_changed"), [(True, False), (False, True)])
def test_the_evidence_learns_from_an_ascent_that_is_over(completed: bool, load_changed: bool) -> None:
    it = Bench()
    it.slow(0.3, 0.0)
    it.phase.ended(completed=completed, load_changed=load_changed)
    assert not it.clock_runs
    assert it.told.asked == [("ended", completed, load_changed)]


def test_while_a_drop_is_under_way_no_stall_is_called() -> None:
    it = stalled()
    it.phase.dropped(T + 300_000, 320.0)
    assert it.told.asked[-1] == ("dropped", 320.0)
    it.told.says = HOPELESS
    assert it.look(t=T + 299_999) is None
    assert it.slow(0.3, t=T + 299_999, share=0.6) is None
    assert not it.clock_runs
    assert it.look(t=T + 300_000) is not None
