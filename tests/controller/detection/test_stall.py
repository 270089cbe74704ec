"""The stall decision alone: both rules at their boundaries, grinding time, drops under way."""

from __future__ import annotations

from typing import Any

import pytest

from ebbset.controller.detection.evidence.ascent_evidence import GRIND_CERTAINTY
from ebbset.controller.detection.evidence.stall_classifier import score_of
from ebbset.controller.detection.stall_rule import FILTER_LAG_US, HALF_A_LOOK_US, StallRule
from ebbset.models.contract.prescription import StallSection
from tests.support.slow_phase_bench import stall_rule

T = 10_000_000
LIMIT = 1_000_000


def rule(**fields: Any) -> StallRule:
    return stall_rule(**{"still_limit_s": 1.0, **fields})


def grinding(grind_s: float = 0.5, **fields: Any) -> StallRule:
    """A rule with a grinding time whose exact end of motion has not been found."""
    return rule(grind_s=grind_s, **fields)


def found_exactly(it: StallRule, t_us: int) -> StallRule:
    """The same, where the exact end of motion has been found."""
    assert it.motion_offset is not None
    it.motion_offset.at_us = t_us
    return it


def test_a_new_rule_knows_of_no_slow_handle_and_waits_for_no_drop() -> None:
    it = rule()
    assert it.slow_since_us is None
    assert not it.fired
    assert it.threshold_m_s == StallSection().velocity_m_s
    assert it.slow(0) is None
    assert it.slow_since_us == -FILTER_LAG_US, "time 0 is judged like any other"
    assert rule().judge(0) == 0.0


def test_a_slow_handle_is_a_stall_when_the_limit_is_over_and_only_once() -> None:
    it = rule()
    assert it.slow(T) is None
    assert it.slow_since_us == T - FILTER_LAG_US
    assert it.slow(T - FILTER_LAG_US + LIMIT - 1) is None
    assert not it.fired
    assert it.slow(T - FILTER_LAG_US + LIMIT) == pytest.approx(1.0, abs=1e-12)
    assert it.fired
    assert it.slow(T - FILTER_LAG_US + LIMIT + 1) is None


def test_a_look_that_comes_late_or_evidence_that_is_plain_is_a_stall_too() -> None:
    it = rule()
    it.slow(T)
    assert it.slow(T - FILTER_LAG_US + LIMIT + 7) == pytest.approx(1.000007, abs=1e-12)
    it = rule()
    assert it.judge(T) == 0.0


def test_the_filter_lags_by_22_milliseconds() -> None:
    it = rule()
    it.slow(T)
    assert it.slow_since_us == T - 22_000


def test_the_first_slow_look_alone_is_never_a_stall() -> None:
    """Even where the limit is shorter than the filter's lag."""
    it = rule(rule="dwell", dwell_s=0.02)
    assert it.slow(T) is None
    assert it.slow(T + 1) == pytest.approx(0.022001, abs=1e-12)


def test_the_rule_dwell_has_its_own_limit() -> None:
    it = rule(rule="dwell", dwell_s=0.2)
    assert not it.by_evidence
    assert rule().by_evidence
    it.slow(T)
    assert it.slow(T - FILTER_LAG_US + 199_999) is None
    assert it.slow(T - FILTER_LAG_US + 200_000) == pytest.approx(0.2, abs=1e-12)


def test_a_handle_that_moves_again_starts_the_clock_anew() -> None:
    it = rule()
    it.slow(T)
    it.moving()
    assert it.slow_since_us is None
    assert it.slow(T + LIMIT) is None
    assert it.slow_since_us == T + LIMIT - FILTER_LAG_US


@pytest.mark.parametrize(("flicker_us", "trembles"), [(10_000, True), (60_000, True), (60_001, False)])
def test_who_ran_out_of_strength_and_trembles_has_not_moved_on(flicker_us: int, trembles: bool) -> None:
    it = rule()
    it.slow(T, slowed=True)
    it.slow(T + 300_000, slowed=True)
    it.moving()
    it.slow(T + 300_000 + flicker_us, slowed=True)
    since = T if trembles else T + 300_000 + flicker_us
    assert it.slow(since - FILTER_LAG_US + 699_999, slowed=True) is None
    assert it.slow(since - FILTER_LAG_US + 700_000, slowed=True) == pytest.approx(0.7, abs=1e-12)


def test_a_tremble_counts_for_no_dwell_and_no_rest_on_purpose() -> None:
    for it, slowed in ((rule(rule="dwell", dwell_s=0.5), True), (rule(), False)):
        it.slow(T, slowed=slowed)
        it.moving()
        it.slow(T + 10_000, slowed=slowed)
        limit_us = 500_000 if slowed else LIMIT
        assert it.slow(T + 10_000 - FILTER_LAG_US + limit_us - 1, slowed=slowed) is None
        assert it.slow(T + 10_000 - FILTER_LAG_US + limit_us, slowed=slowed) is not None


@pytest.mark.parametrize("again", ["recovered", "hold"])
def test_a_new_ascent_or_load_forgets_the_tremble(again: str) -> None:
    it = rule()
    it.slow(T, slowed=True)
    if again == "hold":
        it.hold(T + 10_000)
    else:
        it.recovered()
    it.slow(T + 10_000, slowed=True)
    assert it.slow(T + 10_000 - FILTER_LAG_US + 699_999, slowed=True) is None
    assert it.slow(T + 10_000 - FILTER_LAG_US + 700_000, slowed=True) is not None


def test_evidence_that_is_certain_enough_is_a_stall_and_only_once() -> None:
    it = rule(certainty=0.9)
    assert it.certain == score_of(0.9)
    assert it.judge(T) == 0.0
    assert it.fired
    assert it.judge(T + 1) is None


def test_a_stall_that_was_called_by_evidence_is_not_called_again_by_stillness() -> None:
    it = rule()
    it.slow(T)
    assert it.judge(T + 100_000) == pytest.approx(0.1 + FILTER_LAG_US * 1e-6, abs=1e-12)
    assert it.slow(T + 2 * LIMIT) is None


def test_after_recovery_a_stall_can_be_called_again() -> None:
    it = rule()
    it.slow(T)
    assert it.judge(T) is not None
    it.recovered()
    assert not it.fired
    assert it.slow_since_us is None
    assert it.judge(T + 1) == 0.0


def test_while_a_drop_is_under_way_nothing_is_judged() -> None:
    it = rule()
    it.slow(T)
    assert it.judge(T) is not None
    it.hold(T + 300_000)
    assert not it.fired
    assert it.slow_since_us is None
    assert it.slow(T + 299_999) is None
    assert it.slow_since_us is None, "time under a drop does not count"
    assert it.judge(T + 299_999) is None
    assert not it.fired
    assert it.judge(T + 300_000) == 0.0
    for t_us in (T + 300_000, T + 300_001):
        it.recovered()
        assert it.slow(t_us) is None
        assert it.slow_since_us == t_us - FILTER_LAG_US
        it.recovered()
        assert it.judge(t_us) == 0.0


def test_only_a_grinding_time_asks_for_the_exact_end_of_motion() -> None:
    assert rule().motion_offset is None
    assert grinding().motion_offset is not None


def test_a_grinding_time_lets_evidence_count_that_is_better_than_even() -> None:
    assert GRIND_CERTAINTY == 0.5
    assert grinding(certainty=0.9).certain == score_of(0.5)
    assert rule(certainty=0.9).certain == score_of(0.9)
    assert rule(certainty=0.51).certain == score_of(0.51)


def test_a_grinding_time_begins_when_motion_has_ended_and_ends_at_the_nearest_look() -> None:
    it = grinding(0.5)
    assert it.judge(T) is None, "the handle still moves"
    it.slow(T)
    over = T - FILTER_LAG_US + 500_000 - HALF_A_LOOK_US
    assert it.judge(over - 1) is None
    assert it.judge(over) == pytest.approx((500_000 - HALF_A_LOOK_US) * 1e-6, abs=1e-12)
    assert HALF_A_LOOK_US == 5_000


def test_a_grinding_time_is_kept_to_the_microsecond_and_may_be_over_for_long() -> None:
    for late_us in (0, 70_000):
        it = found_exactly(grinding(2.0), T)
        assert it.judge(T + 2_000_000 - HALF_A_LOOK_US - 1) is None
        assert it.judge(T + 2_000_000 - HALF_A_LOOK_US + late_us) is not None


def test_the_shortest_grinding_time_is_one_too() -> None:
    it = grinding(1e-6)
    assert it.motion_offset is not None
    assert it.judge(T) is None, "motion has not ended"


def test_the_exact_end_of_motion_counts_where_it_was_found() -> None:
    it = found_exactly(grinding(0.5), T + 40_000)
    it.slow(T)
    over = T + 40_000 + 500_000 - HALF_A_LOOK_US
    assert it.judge(over - 1) is None
    assert it.judge(over) is not None


def test_a_grinding_time_is_added_to_the_limit_of_stillness() -> None:
    it = grinding(0.5)
    it.slow(T)
    assert it.slow(T - FILTER_LAG_US + 1_499_999) is None
    assert it.slow(T - FILTER_LAG_US + 1_500_000) == pytest.approx(1.5, abs=1e-12)
    dwelling = grinding(0.5, rule="dwell", dwell_s=0.2)
    dwelling.slow(T)
    assert dwelling.slow(T - FILTER_LAG_US + 699_999) is None
    assert dwelling.slow(T - FILTER_LAG_US + 700_000) == pytest.approx(0.7, abs=1e-12)


@pytest.mark.parametrize("again", ["recovered", "hold"])
def test_a_new_ascent_forgets_the_exact_end_of_motion(again: str) -> None:
    it = found_exactly(grinding(), T)
    if again == "hold":
        it.hold(T)
    else:
        it.recovered()
    assert it.motion_offset is not None
    assert it.motion_offset.at_us is None


# --- what need not be asked yet -------------------------------------------------------------------------------------


def test_a_slow_sample_is_first_to_be_judged_when_standing_may_be_a_stall_for_somebody() -> None:
    it = rule()
    assert it.due_us == 0
    it.slow(T)
    assert it.due_us == T - FILTER_LAG_US + 700_000, "the shorter limit, of who slowed down for want of strength"
    it.not_slowed()
    assert it.due_us == T - FILTER_LAG_US + LIMIT
    it.ask_anew()
    assert it.due_us == T - FILTER_LAG_US + 700_000
    it.moving()
    assert it.due_us == 0
    dwelling = rule(rule="dwell", dwell_s=0.2)
    dwelling.slow(T)
    assert dwelling.due_us == T - FILTER_LAG_US + 200_000


def test_a_tremble_counts_for_when_standing_may_be_a_stall() -> None:
    it = rule()
    it.slow(T)
    it.moving()
    it.slow(T + 50_000)
    assert it.due_us == T - FILTER_LAG_US + 700_000
    it.not_slowed()
    assert it.due_us == T + 50_000 - FILTER_LAG_US + LIMIT


@pytest.mark.parametrize("by", ["evidence", "stillness"])
def test_after_a_stall_no_slow_sample_asks_anything_until_it_is_over(by: str) -> None:
    it = rule()
    it.slow(T)
    assert (it.judge(T + 1) if by == "evidence" else it.slow(T + LIMIT)) is not None
    it.not_slowed()
    assert it.due_us > T * 1_000
    it.ask_anew()
    assert it.due_us > T * 1_000
    it.moving()
    it.slow(T + 2 * LIMIT)
    assert it.due_us > T * 1_000, "a new stop in the same ascent is no new stall"
    it.recovered()
    assert it.due_us == 0
    it.slow(T + 3 * LIMIT)
    it.judge(T + 3 * LIMIT)
    it.hold(T + 4 * LIMIT)
    assert it.due_us == 0


def test_evidence_before_the_handle_is_slow_leaves_the_first_slow_sample_to_be_judged() -> None:
    for it in (rule(), rule(rule="dwell")):
        it.not_slowed()
        it.ask_anew()
        assert it.due_us == 0
        it.judge(T)
        it.ask_anew()
        it.not_slowed()
        assert it.due_us == 0


def test_with_a_grinding_time_each_slow_sample_is_judged_until_the_stall() -> None:
    for grind_s in (1e-6, 0.5):
        it = grinding(grind_s)
        it.slow(T)
        assert it.due_us == 0
        it.not_slowed()
        assert it.due_us == 0
        it.ask_anew()
        assert it.due_us == 0
        it.judge(T + LIMIT)
        assert it.due_us > T * 1_000


def test_a_tremble_counts_for_no_grinding_time() -> None:
    it = grinding(0.5)
    it.slow(T, slowed=True)
    it.moving()
    it.slow(T + 50_000, slowed=True)
    limit_us = T + 50_000 - FILTER_LAG_US + 500_000 + 700_000
    assert it.slow(limit_us - 1, slowed=True) is None
    assert it.slow(limit_us, slowed=True) is not None
