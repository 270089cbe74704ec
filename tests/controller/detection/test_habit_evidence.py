"""The rule "habits" on ascents made by a formula, not by any lifter that its trees were fitted on."""

from __future__ import annotations

import copy
from typing import Any

import pytest

from ebbset.controller.detection.ascent import Ascent
from ebbset.controller.detection.evidence.habit_evidence import HabitEvidence
from ebbset.controller.detection.evidence.habit_figures import (
    HABIT_FEATURES,
    MONOTONIC,
    PAUSES,
    SHIPPED,
    STANDING_COUNTS,
    STANDING_S,
    UNKNOWN,
    HabitFigures,
)
from ebbset.controller.detection.evidence.stall_classifier_figures import Node
from ebbset.controller.detection.evidence.stall_habits_figures import PATIENCE, RANGES, TREES
from ebbset.controller.detection.segmenter import RepetitionSegmenter
from ebbset.controller.detection.signals import Signal, StallSeen
from ebbset.controller.detection.stall_rule import SLOWED_US
from ebbset.models.contract.prescription import Prescription, StallSection, example
from ebbset.models.physiology.load_velocity import generic_line
from tests.support.segmented import run, stalls
from tests.support.tiring_ascents import BOTTOM, ROM, ascent, tiring
from tests.support.traces import Trace

NOISE: dict[str, Any] = {"position_noise_m": 0.0002, "velocity_noise_m_s": 0.012}


def segmenter(**stall: Any) -> RepetitionSegmenter:
    line = generic_line("an exercise that nobody has heard of")
    fields = {"rule": "habits", **stall}
    return RepetitionSegmenter(stall=StallSection(**fields), line=line, rom_m=None, has_force=False)


@pytest.mark.parametrize("patience", ["quick", "balanced", "patient"])
def test_a_stall_of_fatigue_is_called_soon_after_motion_ended_or_before(patience: str) -> None:
    trace, stopped_s = tiring(0.4, 0.06)
    assert stopped_s is not None
    (seen,) = stalls(run(segmenter(patience=patience), trace, **NOISE))
    # whatever the trees say of a lifter made by a formula, nobody stands longer than the patience allows
    assert seen.t_us * 1e-6 - stopped_s <= STANDING_S + 0.1


def test_the_more_patient_the_later() -> None:
    trace, _ = tiring(0.4, 0.06)
    times = [
        stalls(run(segmenter(patience=patience), trace, **NOISE))[0].t_us
        for patience in ("quick", "balanced", "patient")
    ]
    assert times == sorted(times)
    assert PATIENCE["quick"] < PATIENCE["balanced"] < PATIENCE["patient"]


def test_a_set_that_slows_down_and_comes_through_has_no_stall() -> None:
    trace, stopped_s = tiring(0.15, 0.06)
    assert stopped_s is None
    assert stalls(run(segmenter(), trace, **NOISE)) == []


def _starts(signals: list[Signal]) -> list[StallSeen]:
    return [one for one in stalls(signals) if one.reason.name == "FAILED_START"]


def uneven(depths_m: tuple[float, ...], last_m: float) -> Trace:
    """Repetitions from bottoms of different depths; before the last the handle sinks slowly, as under a tired arm."""
    trace = Trace(position_m=[BOTTOM + depths_m[0]]).hold(0.8)
    for depth_m in depths_m[1:]:
        ascent(trace, 0.0, bottom_m=trace.position_m[-1])
        trace.hold(0.3).move(BOTTOM + depth_m, 1.2).hold(0.3)
    ascent(trace, 0.0, bottom_m=trace.position_m[-1])
    trace.hold(0.3).move(BOTTOM + 0.002, 1.2).hold(0.1)
    return trace.move(BOTTOM + last_m, 1.5).hold(0.3)


def test_a_bottom_that_varies_is_no_failed_start() -> None:
    depths_m = (0.0, 0.012, -0.011, 0.013, -0.012, 0.01, -0.013)
    assert _starts(run(segmenter(), uneven(depths_m, -0.03), **NOISE)) == []
    assert len(_starts(run(segmenter(rule="evidence"), uneven(depths_m, -0.03), **NOISE))) == 1


def test_what_sinks_below_a_bottom_that_does_not_vary_is_one() -> None:
    trace = uneven((0.0, 0.0, 0.0, 0.0), -0.05)
    assert len(_starts(run(segmenter(), trace, **NOISE))) == 1


def rebounding(rest_s: float, repetitions: int = 6) -> Trace:
    """Repetitions of somebody who comes back up 9 mm from the lowest point and waits there."""
    trace = Trace(position_m=[BOTTOM]).hold(0.8)
    for _ in range(repetitions):
        ascent(trace, 0.0, bottom_m=trace.position_m[-1])
        trace.hold(0.3).move(BOTTOM, 1.2).move(BOTTOM + 0.009, 0.3).hold(rest_s)
    return trace


def test_a_rest_above_the_lowest_point_is_learned_and_is_no_failed_start() -> None:
    assert len(_starts(run(segmenter(rule="evidence"), rebounding(0.9), **NOISE))) >= 4
    assert _starts(run(segmenter(), rebounding(0.8), **NOISE)) == []
    # the first long one is not known to be a rest, the others are like it
    assert len(_starts(run(segmenter(), rebounding(1.5), **NOISE))) == 1


def test_who_rests_much_longer_than_usual_above_the_lowest_point_is_trying_to_start() -> None:
    trace = rebounding(0.5)
    ascent(trace, 0.0, bottom_m=trace.position_m[-1])
    trace.hold(0.3).move(BOTTOM, 1.2).move(BOTTOM + 0.009, 0.3).hold(2.0)
    assert len(_starts(run(segmenter(), trace, **NOISE))) == 1


def test_who_stops_dead_and_is_thrown_back_a_little_is_still_in_the_ascent() -> None:
    trace = Trace(position_m=[BOTTOM]).hold(0.8)
    for _ in range(2):
        ascent(trace, 0.0, bottom_m=trace.position_m[-1])
        trace.hold(0.3).move(BOTTOM, 1.2).hold(0.3)
    trace.move(BOTTOM + 0.5 * ROM, 0.5).move(BOTTOM + 0.5 * ROM - 0.02, 0.1).hold(2.2)
    seen = stalls(run(segmenter(), trace, **NOISE))
    assert len(seen) == 1
    assert seen[0].position_fraction == pytest.approx(0.45, abs=0.04)


def _an_ascent() -> Ascent:
    return Ascent(0, 0.1, 0.1, start_t_us=0, start_m=0.1, load_n=300.0, taking_up=False)


def test_nothing_is_known_of_a_stranger() -> None:
    evidence = HabitEvidence()
    evidence.begin(0, 300.0)
    for k in range(1, 60):
        evidence.sample(k * 10_000, 0.3, 0.005 * k, None)
    vector = dict(zip(HABIT_FEATURES, evidence.evidence(_an_ascent()), strict=True))
    for name in ("of_usual_here", "usual_lowest_m_s", "of_usual_duration", "force_over_load", "of_load_before"):
        assert vector[name] == UNKNOWN
    assert len(RANGES) == len(HABIT_FEATURES) == len(vector)


def test_a_second_ascent_is_measured_against_the_first() -> None:
    evidence = HabitEvidence()
    for v in (0.4, 0.2):
        evidence.begin(0, 300.0)
        for k in range(1, 101):
            evidence.sample(k * 10_000, v, 0.01 * k, 300.0)
        vector = dict(zip(HABIT_FEATURES, evidence.evidence(_an_ascent()), strict=True))
        evidence.ended(completed=True, load_changed=False)
    assert vector["of_usual_here"] == pytest.approx(0.5)
    assert vector["of_usual_peak"] == pytest.approx(0.5)
    assert vector["under_usual_here_m_s"] == pytest.approx(-0.2)
    assert vector["of_usual_duration"] == pytest.approx(1.0)
    assert vector["foreseen_lowest_m_s"] == pytest.approx(0.4)
    assert vector["lowest_of_best"] == pytest.approx(1.0)


def test_the_next_ascent_is_foreseen_from_how_the_last_ones_fell() -> None:
    evidence = HabitEvidence()
    for v in (0.5, 0.4, 0.3):
        evidence.begin(0, 300.0)
        for k in range(1, 101):
            evidence.sample(k * 10_000, v, 0.01 * k, 300.0)
        evidence.ended(completed=True, load_changed=False)
    evidence.begin(0, 300.0)
    for k in range(1, 101):
        # up to 0.6 m/s, then slower by 1 m/s²
        evidence.sample(k * 10_000, 0.03 * k if k < 20 else max(0.6 - 0.01 * (k - 20), 0.0), 0.3, 300.0)
        if k == 60:
            vector = dict(zip(HABIT_FEATURES, evidence.evidence(_an_ascent()), strict=True))
    assert vector["foreseen_lowest_m_s"] == pytest.approx(0.2)
    assert vector["lowest_of_best"] == pytest.approx(0.6)
    assert vector["expected_lowest_by_ratio_m_s"] == pytest.approx(0.2)
    # smoothed over a tenth of a second, the deceleration lags
    assert vector["stops_in_s"] == pytest.approx(0.2, abs=0.04)
    assert vector["pauses_often"] == 0.0


def test_an_ascent_unlike_any_that_was_fitted_on_is_left_to_how_long_it_stands() -> None:
    evidence = HabitEvidence()
    evidence.begin(0, 300.0)
    for k in range(1, 40):
        # faster than anybody, stopped within a hundredth of a second, and shaking
        evidence.sample(k * 10_000, 9.0 if k % 2 else 7.0, 0.01 * k, 900.0)
    evidence.sample(400_000, 0.0, 0.4, 900.0)
    vector = evidence.evidence(_an_ascent())
    assert SHIPPED.out_of_depth(vector)
    surely = SHIPPED.score(vector, -1e6)
    assert evidence.scored(_an_ascent(), surely) < surely, "not asked as long as it may be a pause"
    for k in range(41, 140):
        evidence.sample(k * 10_000, 0.0, 0.4, 900.0)
    assert SHIPPED.out_of_depth(evidence.evidence(_an_ascent()))
    never = 1e6
    assert evidence.scored(_an_ascent(), never) == never, "stood longer than anybody pauses"
    evidence.begin(1_000_000, 300.0)
    for k in range(1, 60):
        # up to 0.3 m/s in a fifth of a second, and slower and slower from there
        v = min(0.015 * k, 0.3 - 0.006 * max(k - 20, 0))
        evidence.sample(1_000_000 + k * 10_000, v, 0.008 * k, 300.0)
    usual = evidence.evidence(_an_ascent())
    assert not SHIPPED.out_of_depth(usual)
    assert evidence.scored(_an_ascent(), -1e6) == SHIPPED.score(usual, -1e6)


def test_who_pauses_long_is_given_longer() -> None:
    evidence = HabitEvidence()

    def counts_after_s() -> float:
        """How long the handle stands until less certainty is enough."""
        evidence.begin(0, 300.0)
        for k in range(1, 400):
            evidence.sample(k * 10_000, 0.3 if k <= 50 else 0.0, 0.3, 300.0)
            if evidence.least_score(3.0) < 3.0:
                assert evidence.least_score(3.0) == 3.0 - STANDING_COUNTS
                return 0.01 * k - 0.5
        raise AssertionError("never")

    assert counts_after_s() == pytest.approx(STANDING_S, abs=0.011)
    evidence.begin(0, 300.0)
    for k in range(1, 300):
        evidence.sample(k * 10_000, 0.0 if 50 < k < 200 else 0.3, 0.3 if k < 200 else 0.9, 300.0)
    evidence.ended(completed=True, load_changed=False)
    assert counts_after_s() == pytest.approx(PAUSES * 1.5, abs=0.1)


def test_a_copy_of_a_detector_shares_the_figures_and_nothing_that_changes() -> None:
    it = segmenter()
    other = copy.deepcopy(it)
    assert copy.deepcopy(SHIPPED) is SHIPPED
    trace, _ = tiring(0.4, 0.06)
    seen = run(other, trace, **NOISE)
    assert stalls(seen)
    assert run(it, trace, **NOISE) == seen


@pytest.mark.parametrize(("paused_s", "called_after_s"), [(0.0, SLOWED_US * 1e-6), (0.5, 2.0)])
def test_who_never_paused_and_runs_out_of_strength_is_given_no_longer_than_anybody(
    paused_s: float, called_after_s: float
) -> None:
    """With trees that call nothing: what is left of the rule is time and this person's pauses."""
    line = generic_line("an exercise that nobody has heard of")
    silent = HabitEvidence(HabitFigures.of(-50.0, (), ((-50.0, 0.0), (50.0, 1.0)), RANGES, PATIENCE))
    it = RepetitionSegmenter(stall=StallSection(rule="habits"), line=line, rom_m=None, has_force=False, evidence=silent)
    trace = Trace().hold(0.8)
    for _ in range(2):
        if paused_s > 0.0:
            trace.move(BOTTOM + 0.5 * ROM, 0.5).hold(paused_s).move(BOTTOM + ROM, 0.5)
        else:
            ascent(trace, 0.0)
        trace.hold(0.3).move(BOTTOM, 1.2).hold(0.3)
    stopped_s = ascent(trace, 0.45)
    assert stopped_s is not None
    (seen,) = stalls(run(it, trace, **NOISE))
    assert seen.t_us * 1e-6 - stopped_s == pytest.approx(called_after_s, abs=0.1)


def test_who_was_stuck_until_the_load_went_down_did_not_pause() -> None:
    evidence = HabitEvidence()

    def stands_half_way(*, load_changed: bool) -> None:
        evidence.begin(0, 300.0)
        for k in range(1, 300):
            evidence.sample(k * 10_000, 0.0 if 50 < k < 200 else 0.3, 0.3 if k < 200 else 0.9, 300.0)
        evidence.ended(completed=True, load_changed=load_changed)

    stands_half_way(load_changed=True)
    assert not evidence.pauses
    stands_half_way(load_changed=False)
    assert evidence.pauses


def test_standing_counts_from_the_drop_on_where_a_load_became_less() -> None:
    evidence = HabitEvidence()
    evidence.begin(0, 300.0)
    counts: list[float] = []
    for k in range(1, 400):
        evidence.sample(k * 10_000, 0.3 if k <= 50 else 0.0, 0.3, 300.0)
        if k == 200:
            evidence.dropped(240.0)
        if evidence.least_score(3.0) < 3.0:
            counts.append(0.01 * k)
    before = [t for t in counts if t < 2.0]
    after = [t for t in counts if t >= 2.0]
    assert before[0] == pytest.approx(0.5 + STANDING_S, abs=0.011)
    assert after[0] == pytest.approx(2.0 + STANDING_S, abs=0.011), "who stood before stood under another load"


def test_whoever_it_is_who_stands_for_the_limit_has_stalled() -> None:
    trace = Trace().hold(0.8)
    for _ in range(3):
        # holds for 1.4 s half way up, every time, and at last for 4 s
        trace.move(BOTTOM + 0.5 * ROM, 0.5).hold(1.4).move(BOTTOM + ROM, 0.5).hold(0.3).move(BOTTOM, 1.2).hold(0.3)
    began_s = trace.now_s
    trace.move(BOTTOM + 0.5 * ROM, 0.5).hold(4.0)
    (seen,) = stalls(run(segmenter(still_limit_s=2.5), trace, **NOISE))
    assert 2.4 <= seen.t_us * 1e-6 - began_s - 0.5 <= 2.7


def test_a_tremble_is_no_movement() -> None:
    evidence = HabitEvidence()
    evidence.begin(0, 300.0)
    still_at = HABIT_FEATURES.index("still_s")
    for k in range(1, 101):
        # 40 ms above 0.05 m/s in every fifth of a second
        evidence.sample(k * 10_000, 0.3 if k < 20 else 0.06 if k % 20 < 4 else 0.0, 0.3, 300.0)
    assert evidence.evidence(_an_ascent())[still_at] == pytest.approx(0.78, abs=0.05)


def _values(node: Node, feature: int, seen: list[tuple[float, float]]) -> tuple[float, float]:
    """Least and greatest value of a tree; notes those on both sides of every question about a feature."""
    if not isinstance(node, tuple):
        return node, node
    low, high = _values(node[2], feature, seen), _values(node[3], feature, seen)
    if node[0] == feature:
        seen.append((low[1] - high[0], high[1] - low[0]))
    return min(low[0], high[0]), max(low[1], high[1])


@pytest.mark.parametrize("name", sorted(MONOTONIC))
def test_the_trees_keep_what_holds_for_anybody(name: str) -> None:
    """Standing longer never makes a stall less likely, and so on, in any tree."""
    feature, way = HABIT_FEATURES.index(name), MONOTONIC[name]
    asked = 0
    for tree in TREES:
        seen: list[tuple[float, float]] = []
        _values(tree, feature, seen)
        asked += len(seen)
        for falls_by, rises_by in seen:
            assert (falls_by if way > 0 else rises_by) <= 1e-9
    assert asked or name not in ("still_s", "velocity_m_s")


def test_a_prescription_of_another_rule_is_written_as_before() -> None:
    assert "patience" not in StallSection(rule="evidence").model_dump()
    assert "patience" not in StallSection(rule="dwell").model_dump()
    order = example(stall={"rule": "habits", "patience": "patient"})
    assert Prescription.from_toml(order.to_toml()) == order
    assert order.model_dump()["stall"]["patience"] == "patient"
