"""The instant at which motion ended, against movements whose instant is known."""

from __future__ import annotations

import numpy as np
import pytest

from ebbset.controller.detection.kinematic_filter import MotionOffset

STALL_M_S = 0.05


def followed(
    brake_m_s2: float, *, rate_hz: float = 100.0, step_m: float = 1e-4, last_s: float = 0.6, first_m_s: float = 0.3
) -> tuple[MotionOffset, float]:
    """A handle that brakes evenly to a stand, read by an encoder; and when it really became slower than the stall."""
    it = MotionOffset(STALL_M_S)
    true_s = (first_m_s - STALL_M_S) / brake_m_s2
    stands_s = first_m_s / brake_m_s2
    for t in np.arange(0.0, true_s + last_s, 1.0 / rate_hz):
        moved = min(t, stands_s)
        x = first_m_s * moved - 0.5 * brake_m_s2 * moved**2
        it.sample(round(t * 1e6), round(x / step_m) * step_m)
    return it, true_s


@pytest.mark.parametrize("rate_hz", [50.0, 100.0, 200.0, 1000.0])
@pytest.mark.parametrize("brake_m_s2", [0.15, 0.3, 0.8])
def test_it_finds_the_instant_to_within_ten_milliseconds(brake_m_s2: float, rate_hz: float) -> None:
    it, true_s = followed(brake_m_s2, rate_hz=rate_hz)
    assert it.at_us is not None
    assert it.at_us * 1e-6 == pytest.approx(true_s, abs=0.010)


def test_a_filter_without_lag_compensation_would_not() -> None:
    # the same handle at 20 Hz with a coarse encoder: still within one sample
    it, true_s = followed(0.3, rate_hz=20.0, step_m=1e-3)
    assert it.at_us is not None
    assert it.at_us * 1e-6 == pytest.approx(true_s, abs=0.05)


def test_it_says_nothing_while_the_handle_moves_and_forgets_when_it_moves_again() -> None:
    it = MotionOffset(STALL_M_S)
    x = 0.0
    for k in range(100):
        v = 0.02 if 30 <= k < 60 else 0.2
        x += v * 0.01
        it.sample(k * 10_000, x)
        if 45 <= k < 60:
            assert it.at_us is not None
            assert it.at_us == pytest.approx(300_000, abs=20_000)
        if k < 28 or k > 70:
            assert it.at_us is None


def test_a_new_ascent_begins_with_nothing() -> None:
    it, _ = followed(0.3)
    it.restart()
    assert it.at_us is None
    it.sample(10_000_000, 0.1)
    assert it.at_us is None
