"""How an ascent was stopped: hard, as gently as it began, or for want of strength."""

from __future__ import annotations

import math
from collections.abc import Callable

import pytest

from ebbset.controller.detection.ascent import Ascent

STEP_S = 0.01


def driven(
    velocity_m_s: Callable[[float], float],
    lasts_s: float,
    *,
    load_falling: bool = False,
    from_m: float = 0.0,
    step_s: float = STEP_S,
) -> Ascent:
    """An ascent that was fed a velocity as a function of time, the way that a segmenter feeds it."""
    it = Ascent(0, from_m, 0.0, start_t_us=0, start_m=from_m, load_n=400.0, taking_up=False, load_falling=load_falling)
    x = from_m
    for k in range(1, round(lasts_s / step_s) + 1):
        t_s = k * step_s
        v = velocity_m_s(t_s)
        x += v * step_s
        if v > 0.1:
            it.fast(round(t_s * 1e6), x, v, 0.15)
        else:
            it.peak_m = max(it.peak_m, x)
            if v > 0.05:
                it.moving(round(t_s * 1e6), x, v)
    return it


def bell(way_m: float, lasts_s: float) -> Callable[[float], float]:
    """Minimum jerk (Flash and Hogan 1985, 10.1523/JNEUROSCI.05-07-01688.1985)."""
    return lambda t: 30.0 * way_m / lasts_s * (t / lasts_s) ** 2 * (1.0 - t / lasts_s) ** 2


def runs_out(t_s: float) -> float:
    """Up to 0.3 m/s in 0.1 s, and down again over the next 1.2 s."""
    return 3.0 * t_s if t_s < 0.1 else max(0.0, 0.3 * (1.0 - (t_s - 0.1) / 1.2))


@pytest.mark.parametrize("lasts_s", [1.0, 2.0, 4.0])
def test_a_movement_without_hurry_was_stopped_on_purpose(lasts_s: float) -> None:
    it = driven(bell(0.45, lasts_s), lasts_s)
    assert it.braked
    assert not it.slowed


def test_who_gathers_speed_at_once_and_loses_it_slowly_ran_out_of_strength() -> None:
    it = driven(runs_out, 1.3)
    assert it.slowed
    assert not it.braked


def test_a_quick_start_that_few_samples_make_gentler_was_still_no_gentle_one() -> None:
    """At 20 samples a second a start at once is spread over three of them."""

    def seen(t_s: float) -> float:
        return 0.03 if t_s < 0.07 else 0.12 if t_s < 0.12 else 0.26 * min(1.0, math.exp(-9.0 * (t_s - 0.55)))

    it = driven(seen, 1.2, step_s=0.05)
    assert it.slowed
    assert not it.braked


def test_who_stops_at_once_braked_however_the_ascent_began() -> None:
    it = driven(lambda t: 3.0 * t if t < 0.1 else 0.3 if t < 0.8 else max(0.0, 0.3 - 3.0 * (t - 0.8)), 0.95)
    assert it.braked


def test_a_bell_tells_nothing_under_a_load_on_its_way_down_or_over_a_few_centimetres() -> None:
    assert not driven(bell(0.45, 2.0), 2.0, load_falling=True).braked
    assert driven(bell(0.11, 1.0), 1.0).braked
    assert not driven(bell(0.09, 1.0), 1.0).braked


def test_a_handle_that_hardly_moved_was_neither() -> None:
    it = driven(lambda t: 0.04 * min(1.0, t), 1.0)
    assert not it.braked
    assert not it.slowed
