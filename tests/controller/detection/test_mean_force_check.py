"""Mean force against applied load: what an honest rig may do, and how soon one that is not is told.

The rig is the textbook one of the check's own derivation: tension is load, inertia, Coulomb and viscous friction, and
an error. Movements are minimum-jerk, so that they begin and end at rest.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from itertools import pairwise

import pytest

from ebbset.controller.detection.mean_force_check import (
    FRICTION_N,
    OFFSET_N,
    PART,
    WINDOW_S,
    AscentForceCheck,
    MeanForceCheck,
    allowed_mean_n,
    allowed_one_way_n,
)
from ebbset.controller.detection.signals import SensorTrouble
from ebbset.controller.messages.reasons import Reason

LOAD = 400.0
START_M = 0.3
Sample = tuple[float, float, float, float]
"""Time, position, velocity and acceleration, SI units."""


@dataclass(frozen=True)
class TextbookRig:
    """Tension from movement; ``error_n`` may grow with time."""

    inertia_kg: float = 3.0
    coulomb_n: float = 6.0
    viscous_n_s_m: float = 4.0
    error_n: float = 0.0
    from_s: float = 0.0
    creep_n_per_s: float | None = None

    def tension_n(self, load_n: float, sample: Sample) -> float:
        t, _, v, a = sample
        sign = 1.0 if v > 1e-4 else -1.0 if v < -1e-4 else 0.0
        error_n = self.error_n if t >= self.from_s else 0.0
        if self.creep_n_per_s is not None and t >= self.from_s:
            error_n = min(abs(self.error_n), self.creep_n_per_s * (t - self.from_s)) * (1 if self.error_n > 0 else -1)
        return load_n + self.inertia_kg * a + self.coulomb_n * sign + self.viscous_n_s_m * v + error_n


def moves(goals: list[tuple[float, float]], rate_hz: float, start_m: float = START_M) -> Iterator[Sample]:
    """Minimum-jerk movements to each goal in so many seconds; a goal where the handle is already is a pause."""
    t = 0.0
    for (from_m, _), (to_m, seconds) in pairwise([(start_m, 0.0), *goals]):
        way_m = to_m - from_m
        for k in range(round(seconds * rate_hz)):
            s = k / (seconds * rate_hz)
            yield (
                t + k / rate_hz,
                from_m + way_m * (10 * s**3 - 15 * s**4 + 6 * s**5),
                way_m / seconds * (30 * s**2 - 60 * s**3 + 30 * s**4),
                way_m / seconds**2 * (60 * s - 180 * s**2 + 120 * s**3),
            )
        t += round(seconds * rate_hz) / rate_hz


def repetitions(n: int, up_s: float = 1.0, down_s: float = 2.0, pause_s: float = 0.3) -> list[tuple[float, float]]:
    return [
        (START_M + 0.5, up_s),
        (START_M + 0.5, pause_s),
        (START_M, down_s),
        (START_M, pause_s),
    ] * n


def told(
    rig: TextbookRig,
    goals: list[tuple[float, float]],
    *,
    rate_hz: float = 100.0,
    frame: int = 5,
    loads_n: tuple[float, ...] = (LOAD,),
    lost: frozenset[int] = frozenset(),
    docked: frozenset[int] = frozenset(),
) -> list[SensorTrouble]:
    """What a check says of a handle moved like that; ``loads_n`` one per frame, the last one kept."""
    check, found = MeanForceCheck(), []
    samples = list(moves(goals, rate_hz))
    frames = [samples[k : k + frame] for k in range(0, len(samples) - frame + 1, frame)]
    before = samples[0]
    load_before_n = loads_n[0]
    for k, columns in enumerate(frames):
        load_n = loads_n[min(k, len(loads_n) - 1)]
        ramp = [load_before_n + (load_n - load_before_n) * (i + 1) / frame for i in range(frame)]
        load_before_n = load_n
        if k in lost:
            continue
        newest = columns[-1]
        trouble = check.frame(
            round(newest[0] * 1e6),
            round((newest[0] - before[0]) * 1e6),
            before[1],
            newest[1],
            newest[2],
            [rig.tension_n(n, sample) for n, sample in zip(ramp, columns, strict=True)],
            load_n,
            docked=k in docked,
        )
        before = newest
        if trouble is not None:
            found.append(trouble)
    return found


HEAVY = TextbookRig(inertia_kg=12.0, coulomb_n=50.0, viscous_n_s_m=25.0)


@pytest.mark.parametrize(("rate_hz", "frame"), [(20.0, 1), (50.0, 5), (100.0, 5), (1_000.0, 50)])
@pytest.mark.parametrize(("up_s", "down_s", "pause_s"), [(0.6, 2.5, 0.0), (3.0, 0.7, 0.3), (1.0, 1.0, 4.0)])
@pytest.mark.parametrize("load_n", [60.0, 1_000.0])
def test_inertia_and_friction_of_an_honest_rig_are_never_told(
    rate_hz: float, frame: int, up_s: float, down_s: float, pause_s: float, load_n: float
) -> None:
    goals = repetitions(12, up_s, down_s, pause_s)
    assert told(HEAVY, goals, rate_hz=rate_hz, frame=frame, loads_n=(load_n,)) == []


@pytest.mark.parametrize("part", [-0.95, 0.95])
def test_an_honest_rig_may_be_off_by_all_that_its_checks_allow(part: float) -> None:
    rig = replace(HEAVY, viscous_n_s_m=0.0, error_n=part * (OFFSET_N + PART * LOAD))
    assert told(rig, repetitions(12)) == []


@pytest.mark.parametrize(("rate_hz", "frame"), [(20.0, 1), (100.0, 5), (1_000.0, 50)])
@pytest.mark.parametrize("error_n", [-60.0, 60.0])
def test_a_bias_just_beyond_is_told_within_three_repetitions_whatever_friction_hides(
    error_n: float, rate_hz: float, frame: int
) -> None:
    rig = TextbookRig(coulomb_n=40.0, error_n=error_n, from_s=4.0)
    first = told(rig, repetitions(6), rate_hz=rate_hz, frame=frame)[0]
    assert first.reason is Reason.SENSORS_DISAGREE
    assert first.quantity == "force_difference_over_repetitions_n"
    assert 4.0e6 < first.t_us <= 4.0e6 + 2.5 * 3.6e6
    assert first.value == pytest.approx(error_n, abs=6.0)
    assert first.allowed == pytest.approx(allowed_mean_n(LOAD))


def test_the_mean_is_over_distance_so_a_slow_direction_or_a_pause_weighs_no_more() -> None:
    """Over time, 60 N of friction would leave -60 · (3 - 0.6) / (3 + 0.6 + 2 · 0.3) = -34 N at a load of 60 N."""
    rig = TextbookRig(coulomb_n=60.0, error_n=24.0)
    assert told(rig, repetitions(10, up_s=0.6, down_s=3.0), loads_n=(60.0,)) == []
    assert told(replace(rig, error_n=36.0), repetitions(10, up_s=0.6, down_s=3.0), loads_n=(60.0,)) != []


@pytest.mark.parametrize("error_n", [-240.0, 240.0])
def test_a_load_that_creeps_is_told_long_before_half_as_much_again(error_n: float) -> None:
    rig = TextbookRig(error_n=error_n, from_s=4.0, creep_n_per_s=20.0)
    assert told(rig, repetitions(8))[0].t_us < 4.0e6 + 7.5e6


@pytest.mark.parametrize(("error_n", "seen"), [(-120.0, True), (120.0, True), (-100.0, False), (100.0, False)])
def test_a_motionless_hold_has_a_bound_as_wide_as_friction(error_n: float, seen: bool) -> None:
    found = told(TextbookRig(error_n=error_n, from_s=3.1), [(START_M, 20.0)])
    assert bool(found) is seen
    if seen:
        assert found[0].quantity == "force_difference_over_time_n"
        assert found[0].allowed == FRICTION_N + OFFSET_N + PART * LOAD
        assert found[0].t_us <= (3.1 + 2 * WINDOW_S) * 1e6


def test_a_descent_that_never_turns_is_bounded_too() -> None:
    found = told(TextbookRig(error_n=150.0), [(START_M + 0.5, 0.5), (START_M - 0.3, 8.0)])
    assert found[0].quantity == "force_difference_over_time_n"


def test_one_odd_movement_is_not_told_and_a_whole_odd_repetition_is() -> None:
    """One descent in which the cable drags: a mean beyond at its end; the next ascent is sound again."""

    @dataclass(frozen=True)
    class Dragging(TextbookRig):
        drags: tuple[tuple[float, float], ...] = ()

        def tension_n(self, load_n: float, sample: Sample) -> float:
            dragging = any(start <= sample[0] < end for start, end in self.drags)
            return super().tension_n(load_n, sample) - (110.0 if dragging else 0.0)

    goals = repetitions(6, up_s=1.0, down_s=1.0, pause_s=0.0)
    assert told(Dragging(drags=((5.0, 6.0),)), goals) == []
    assert told(Dragging(drags=((5.0, 7.0),)), goals) != []


def test_lost_frames_partial_repetitions_and_a_drop_on_the_way_up_are_no_disagreement() -> None:
    partial = [(START_M + 0.25, 0.8), (START_M, 1.2), (START_M + 0.5, 1.0), (START_M + 0.1, 1.5)] * 8
    assert told(HEAVY, partial) == []
    assert told(HEAVY, repetitions(8), lost=frozenset(k for k in range(700) if k % 7 in (2, 3))) == []
    # from 700 N at 300 N/s in the middle of the second ascent, frames of 50 ms
    ramp = [700.0 - 15.0 * k for k in range(1, 21)]
    assert told(HEAVY, repetitions(6), loads_n=(*(700.0,) * 82, *ramp)) == []


def test_what_the_dock_holds_and_what_is_unloaded_is_not_compared() -> None:
    rig = TextbookRig(error_n=240.0)
    assert told(rig, repetitions(3), docked=frozenset(range(1_000))) == []
    assert told(rig, repetitions(3), loads_n=(0.0,)) == []
    assert told(rig, repetitions(3)) != []


def test_a_dock_in_between_begins_anew() -> None:
    """A second of a bias under the wider bound on either side of the dock makes no whole repetition."""
    up_then_down = [(START_M + 0.5, 1.0), (START_M, 1.0)]
    rig = TextbookRig(error_n=80.0)
    assert told(rig, up_then_down * 3) != []
    assert told(rig, up_then_down * 3, docked=frozenset({18, 19, 38, 39, 58, 59, 78, 79, 98, 99})) == []


def test_a_disagreement_is_told_once() -> None:
    assert len(told(TextbookRig(error_n=240.0), repetitions(6))) == 1


# --- summaries ---------------------------------------------------------------------------------------------------


def ascents(*rows: tuple[float, float]) -> list[bool]:
    """Which of the ascents, each a mean force and an applied load, lead to a trouble."""
    check = AscentForceCheck()
    return [check.ascent(k, force_n, load_n) is not None for k, (force_n, load_n) in enumerate(rows)]


def test_two_summaries_in_a_row_beyond_friction_are_told() -> None:
    off_n = allowed_one_way_n(LOAD) + 1.0
    assert ascents((LOAD + off_n, LOAD), (LOAD + off_n, LOAD)) == [False, True]
    assert ascents((LOAD - off_n, LOAD), (LOAD - off_n, LOAD)) == [False, True]
    assert ascents((LOAD + off_n, LOAD), (LOAD - off_n, LOAD), (LOAD + off_n, LOAD)) == [False] * 3
    assert ascents((LOAD + off_n, LOAD), (LOAD, LOAD), (LOAD + off_n, LOAD)) == [False] * 3
    assert ascents(*[(LOAD + off_n - 2.0, LOAD)] * 5) == [False] * 5


def test_a_summary_whose_load_went_down_may_hold_any_load_between() -> None:
    assert ascents((400.0, 400.0), (400.0, 200.0), (210.0, 200.0)) == [False] * 3
    assert ascents((400.0, 400.0), (400.0, 200.0), (400.0, 200.0), (400.0, 200.0)) == [False, False, False, True]


def test_summaries_begin_anew_with_a_bout() -> None:
    check = AscentForceCheck()
    assert check.ascent(0, 700.0, LOAD) is None
    check.restart()
    assert check.ascent(1, 700.0, LOAD) is None
    trouble = check.ascent(2, 700.0, LOAD)
    assert trouble is not None
    assert (trouble.reason, trouble.quantity) == (Reason.SENSORS_DISAGREE, "force_difference_over_repetitions_n")
    assert (trouble.value, trouble.allowed) == (300.0, allowed_one_way_n(LOAD))
