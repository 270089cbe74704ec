"""What the record of an ascent keeps and says at its end, and each boundary of how an ascent was stopped.

The figures are written out here, not taken from the module, so that a figure that changes is seen.
"""

from __future__ import annotations

import pytest

from ebbset.controller.detection.ascent import Ascent
from ebbset.controller.detection.signals import RepetitionEnded
from ebbset.models.contract.rig_messages import RepetitionOutcome

T = 10_000_000


def begun(
    *, at_m: float = 0.0, m_s: float = 0.4, after_us: int = 100_000, start_m: float = 0.0, load_falling: bool = False
) -> Ascent:
    """An ascent that is certain at ``T``.

    Args:
        at_m: position then, metres.
        m_s: velocity then, m/s.
        after_us: how long before it began, microseconds.
        start_m: where it began, metres.
        load_falling: the load is on its way down.
    """
    return Ascent(
        T,
        at_m,
        m_s,
        start_t_us=T - after_us,
        start_m=start_m,
        load_n=400.0,
        taking_up=False,
        load_falling=load_falling,
    )


def stopped(
    *, m_s: float, way_m: float, after_us: int = 100_000, start_m: float = 0.0, load_falling: bool = False
) -> Ascent:
    """An ascent that was last healthy at 0 m and came this far from there.

    Args:
        m_s: velocity when it was last healthy, m/s.
        way_m: from there to its highest position, metres.
        after_us: how long it took to gather that speed, microseconds.
        start_m: where it began, metres.
        load_falling: the load is on its way down.
    """
    it = begun(m_s=m_s, after_us=after_us, start_m=start_m, load_falling=load_falling)
    it.moving(T, 0.0, m_s, healthy=True)
    it.peak_m = way_m
    return it


# --- the record -----------------------------------------------------------------------------------------------------


def test_an_ascent_begins_without_a_stall_and_without_a_force() -> None:
    it = Ascent(T, 0.3, 0.4, start_t_us=T - 5, start_m=0.1, load_n=400.0, taking_up=True)
    assert (it.taking_up, it.load_falling, it.load_changed) == (True, False, False)
    assert (it.start_m, it.start_t_us, it.origin_m, it.start_load_n) == (0.1, T - 5, 0.1, 400.0)
    assert (it.peak_m, it.up_m, it.peak_m_s) == (0.3, 0.3, 0.4)
    assert (it.up_t_us, it.fast_t_us) == (T, T)
    assert (it.force_sum_n, it.force_count) == (0.0, 0)
    assert (it.stalls, it.stall_m, it.stall_m_s) == (0, 0.0, 0.0)
    assert not it.braked
    assert not it.slowed, "it has not been healthy yet"


def test_only_what_is_faster_than_an_attempt_with_all_there_is_counts_as_fast() -> None:
    it = begun()
    for velocity_m_s in (0.15, 0.12):
        it.fast(T + 1, 0.1, velocity_m_s, 0.15)
        assert it.fast_t_us == T
    it.fast(T + 2, 0.1, 0.151, 0.15)
    assert it.fast_t_us == T + 2


def test_a_sample_on_its_way_up_moves_the_peak_outward_only() -> None:
    it = begun(at_m=0.1)
    it.fast(T + 1, 0.2, 0.3, 0.15)
    assert (it.up_m, it.up_t_us, it.peak_m, it.peak_m_s) == (0.2, T + 1, 0.2, 0.4)
    it.fast(T + 2, 0.19, 0.5, 0.15)
    assert (it.up_m, it.up_t_us, it.peak_m, it.peak_m_s) == (0.19, T + 2, 0.2, 0.5)


def finished(it: Ascent, load_n: float = 400.0) -> RepetitionEnded:
    return it.ended(RepetitionOutcome.COMPLETED, load_n)


def test_a_repetition_is_told_as_far_as_the_handle_was_on_its_way_up() -> None:
    it = begun(at_m=0.2, after_us=0, start_m=0.1)
    it.fast(T + 500_000, 0.35, 0.5, 0.15)
    it.peak_m, it.least_m_s = 0.36, 0.02
    it.force_sum_n, it.force_count = 1_200.0, 3
    told = finished(it)
    assert (told.outcome, told.t_start_us, told.t_end_us) == (RepetitionOutcome.COMPLETED, T, T + 500_000)
    assert (told.rom_m, told.mean_velocity_m_s) == pytest.approx((0.26, 0.5))
    assert (told.peak_velocity_m_s, told.min_velocity_m_s, told.mean_force_n) == (0.5, 0.02, 400.0)
    assert not told.load_changed
    assert it.ended(RepetitionOutcome.FAILED, 400.0).outcome is RepetitionOutcome.FAILED


def test_an_ascent_without_duration_or_force_has_no_mean_of_them_and_one_that_was_never_slow_no_slower_velocity() -> (
    None
):
    told = finished(begun(at_m=0.3, after_us=0))
    assert told.mean_velocity_m_s == 0.0
    assert told.mean_force_n is None
    assert told.min_velocity_m_s == 0.4
    assert finished(begun(at_m=0.3, after_us=1)).mean_velocity_m_s == pytest.approx(300_000.0)


def test_a_load_has_changed_if_it_was_seen_to_or_differs_by_more_than_a_fiftieth() -> None:
    for load_n, changed in ((392.0, False), (391.9, True), (408.0, False), (408.1, True)):
        assert finished(begun(), load_n).load_changed is changed
    it = begun()
    it.load_changed = True
    assert finished(it).load_changed


# --- stopped hard ---------------------------------------------------------------------------------------------------


def test_a_stop_harder_than_1_4_m_s2_is_on_purpose() -> None:
    assert 0.5 * 0.35 * 0.35 / 0.04375 == 1.4
    assert not stopped(m_s=0.35, way_m=0.04375).braked, "1.4 m/s² is not more"
    assert stopped(m_s=0.35, way_m=0.0437).braked
    assert not stopped(m_s=0.35, way_m=0.0438).braked


def test_a_stop_within_half_a_millimetre_is_taken_for_one_over_half_a_millimetre() -> None:
    for way_m in (0.0, 0.0004):
        assert stopped(m_s=0.06, way_m=way_m).braked
    assert not stopped(m_s=0.06, way_m=0.0013).braked


def test_a_handle_that_was_never_faster_than_6_cm_s_was_not_stopped_but_slowed() -> None:
    assert stopped(m_s=0.06, way_m=0.0).braked
    assert not stopped(m_s=0.0599, way_m=0.0).braked
    assert stopped(m_s=0.0599, way_m=0.0).slowed
    assert stopped(m_s=0.001, way_m=0.0).slowed
    assert not stopped(m_s=0.06, way_m=0.0).slowed


@pytest.mark.parametrize(("m_s", "braked"), [(0.375, False), (0.376, True)])
def test_it_is_stopped_from_the_last_velocity_above_three_quarters_of_its_highest(m_s: float, braked: bool) -> None:
    it = begun(at_m=0.2, m_s=0.5)
    it.moving(T, 0.2, 0.5, healthy=True)
    it.moving(T + 100_000, 0.3, m_s)
    it.peak_m = 0.3
    assert it.braked is braked


def test_a_velocity_that_nobody_has_who_gives_all_there_is_counts_however_fast_it_was_before() -> None:
    for healthy in (False, True):
        it = begun(at_m=0.2, m_s=0.5)
        it.moving(T, 0.2, 0.5, healthy=True)
        it.moving(T + 100_000, 0.3, 0.2, healthy=healthy)
        it.peak_m = 0.3
        assert it.braked is healthy
    for m_s, braked in ((0.12, False), (0.15, False), (0.151, True)):
        it = begun(at_m=0.2, m_s=0.5)
        it.fast(T, 0.2, 0.5, 0.15)
        it.fast(T + 100_000, 0.3, m_s, 0.15)
        assert it.braked is braked


# --- stopped as gently as it began ----------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("after_us", "eased"),
    [
        (500_000, True),  # gathered at 0.5 m/s², lost at 0.25 m/s²
        (499_999, False),
        (2_000_000, True),
    ],
)
def test_who_gathers_speed_at_most_twice_as_hard_as_it_is_lost_eases_out(after_us: int, eased: bool) -> None:
    it = stopped(m_s=0.25, way_m=0.125, after_us=after_us)
    assert it.braked is eased
    assert it.slowed is not eased
    ten_times_as_long = stopped(m_s=0.25, way_m=1.25, after_us=10 * after_us + (9 if after_us == 499_999 else 0))
    assert ten_times_as_long.braked is eased, "to the microsecond"


def test_who_gathers_speed_at_1_4_m_s2_may_still_ease_out() -> None:
    assert 0.35 * 1e6 / 250_000 == 1.4
    assert stopped(m_s=0.35, way_m=0.07, after_us=250_000, start_m=-0.05).braked
    assert not stopped(m_s=0.35, way_m=0.09, after_us=250_000, start_m=-0.05).braked


def test_easing_out_needs_7_5_cm_s_and_10_cm_and_a_load_that_stands() -> None:
    for m_s, eased in ((0.075, True), (0.0749, False)):
        assert stopped(m_s=m_s, way_m=0.1, after_us=1_500_000).braked is eased
    for way_m, eased in ((0.1, True), (0.0999, False)):
        assert stopped(m_s=0.25, way_m=way_m, after_us=500_000).braked is eased
    for start_m, eased in ((0.025, True), (0.026, False)):
        assert stopped(m_s=0.25, way_m=0.125, start_m=start_m, after_us=500_000).braked is eased
    assert not stopped(m_s=0.25, way_m=0.125, after_us=500_000, load_falling=True).braked


def gathered_twice(*, first_m_s: float, first_us: int, m_s: float, at_us: int, way_m: float) -> Ascent:
    """An ascent that came to one velocity and later to a higher one, from which it was stopped.

    Args:
        first_m_s: the first, m/s.
        first_us: how long it took.
        m_s: the second, m/s.
        at_us: how long it took, from the start too.
        way_m: how far it came from there, metres.
    """
    it = begun(m_s=first_m_s, after_us=first_us)
    it.moving(T - first_us + at_us, 0.0, m_s)
    it.peak_m = way_m
    return it


@pytest.mark.parametrize(("first_m_s", "eased"), [(0.12, False), (0.1, False), (0.099, True)])
def test_who_came_to_half_the_highest_velocity_at_once_was_in_a_hurry(first_m_s: float, eased: bool) -> None:
    """Though the second half took long: 0.2 m/s after 0.5 s, and lost over 0.1 m."""
    it = gathered_twice(first_m_s=first_m_s, first_us=100_000, m_s=0.2, at_us=500_000, way_m=0.1)
    assert it.braked is eased


def test_the_harder_of_the_two_accelerations_counts() -> None:
    it = gathered_twice(first_m_s=0.1, first_us=1_000_000, m_s=0.2, at_us=1_050_000, way_m=0.3)
    assert not it.braked


@pytest.mark.parametrize(("m_s", "eased"), [(0.24, True), (0.25, True), (0.2501, False)])
def test_only_a_velocity_a_third_above_the_one_before_is_a_new_one(m_s: float, eased: bool) -> None:
    """0.1875 m/s took a second, 0.25 m/s hardly more, and it was lost over 0.3 m."""
    it = gathered_twice(first_m_s=0.1875, first_us=1_000_000, m_s=m_s, at_us=1_001_000, way_m=0.3)
    assert it.braked is eased
