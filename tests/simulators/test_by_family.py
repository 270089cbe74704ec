"""The evaluation by family of lifters: what is measured, what is asked, and the page of plots."""

from __future__ import annotations

import json
import math
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from ebbset.controller.detection.evidence.habit_figures import (
    HABIT_FEATURES,
    SINCE_DROP_AT,
    STANDING_COUNTS,
    STILL_AT,
    USUAL_PAUSE_AT,
)
from ebbset.simulators.evaluation import family_report, sizing
from ebbset.simulators.evaluation.by_family import FamilyResult, FamilySize, judged
from ebbset.simulators.evaluation.family_report import FamilyReport, targets_of
from ebbset.simulators.evaluation.operating_curves import (
    FloatArray,
    Point,
    at_most_false,
    called_at,
    counts_from,
    dominated,
)
from ebbset.simulators.evaluation.report_parts import as_json
from ebbset.simulators.evaluation.stall_rules import (
    AS_SHIPPED,
    BALANCED,
    BY_LINE,
    DWELL,
    LEFT_OUT,
    PLAIN,
    StallRules,
)
from ebbset.simulators.lifter.exercises import exercise


@pytest.fixture(scope="module")
def result() -> FamilyResult:
    return judged("velocity_line", 11, FamilySize(sets=1, people=1))


def test_a_family_is_measured_in_stalls_estimates_steps_and_budgets(result: FamilyResult) -> None:
    row = result.row()
    assert row["family"] == "velocity_line"
    assert row["completed_attempts"] > 0
    assert row["stalls"] == len(result.rules.latencies_s[LEFT_OUT])
    assert [one["rule"] for one in result.rules.rows] == [LEFT_OUT, LEFT_OUT, LEFT_OUT, AS_SHIPPED, PLAIN, BY_LINE]
    assert {one["setting"] for one in result.rules.rows} == {"quick", "balanced", "patient", "0.8 s", "0.975"}
    assert all(0.0 <= share <= 1.0 or math.isnan(share) for share in result.rules.lasting.values())
    assert 0.0 <= row["false_drops_each"] <= 1.0
    assert row["invariants_broken"] == 0.0
    assert 0.0 <= row["capacity_in_80"] <= 1.0
    assert row["budget_median_error"] < 0.5


def _rules(result: FamilyResult, figures: dict[str, float]) -> StallRules:
    """What the rules did, with other figures of ours, and better than any dwell."""
    ours, *others = result.rules.rows
    best = Point("habits", "", 0.0, -1.0, 0.0, 0.0, 1.0, 0.0)
    plain = [Point("threshold", "", 0.02, 0.8, 1.0, 0.2, 0.0, 0.9)]
    curves = result.rules.curves | {LEFT_OUT: [best], PLAIN: plain}
    return replace(result.rules, rows=(ours | figures, *others), curves=curves)


def test_a_rule_is_dominated_only_where_another_is_better_in_everything() -> None:
    dwell = [Point("threshold", "", false, 0.8, 1.0, missed, 0.0, 0.9) for false, missed in ((0.02, 0.2), (0.05, 0.1))]
    same = Point("habits", "", 0.02, 0.8, 1.0, 0.2, 0.0, 0.9)
    assert dominated([same], dwell) == 0.5
    assert dominated([replace(same, missed_part=0.1)], dwell) == 1.0
    assert dominated([replace(same, missed_part=0.1, median_latency_s=0.81)], dwell) == 0.0
    assert dominated([replace(same, false_rate=0.021)], dwell[:1]) == 0.0
    assert math.isnan(dominated([same], [replace(dwell[0], false_rate=0.3)])), "nobody would set a dwell like that"
    assert at_most_false(dwell, 0.03) is dwell[0]
    assert at_most_false(dwell, 0.1) is dwell[1]
    assert at_most_false(dwell, 0.01) is None


def test_curves_call_by_the_same_rule_as_the_controller() -> None:
    """Standing lowers what the score must be, the limit asks for none, and who is out of their depth is not asked."""
    still_s = [0.0, 0.71, 0.71, 2.0, 0.1, 0.71]
    pause_s = [0.0, 0.0, 0.7, 3.0, 0.0, 0.0]
    scores = np.array([1.0, 1.0, 1.0, 1.0, np.nan, np.nan])
    once = 1.0 + STANDING_COUNTS
    called = called_at(_standing(still_s, pause_s), scores).tolist()
    assert called == [1.0, once, 1.0, math.inf, -math.inf, math.inf]
    since_drop_s = [0.0, 0.2, 0.71, 0.71, 60.0, 60.0]
    called = called_at(_standing(still_s, pause_s, since_drop_s), scores).tolist()
    assert called == [1.0, 1.0, 1.0, 1.0, -math.inf, math.inf], "who stood before a drop stood under another load"


def test_what_a_rule_has_called_before_it_does_not_call_anew() -> None:
    still_s = [1.9, 2.0, 2.1, 0.0, 0.5, 0.71]
    called = called_at(_standing(still_s, [0.0] * 6), np.ones(6)).tolist()
    assert called == [-math.inf, -math.inf, -math.inf, 1.0, 1.0, 1.0 + STANDING_COUNTS]
    assert counts_from(_standing(still_s, [0.0] * 6)) == 3
    assert counts_from(_standing(still_s, [0.0] * 6, [0.2] * 6)) == 0, "it stands under another load"
    assert counts_from(_standing([1.0, 1.1], [0.0, 0.0])) == 2
    assert counts_from(np.full((2, len(HABIT_FEATURES)), math.nan)) == 0, "it moves"


def _standing(still_s: list[float], pause_s: list[float], since_drop_s: list[float] | None = None) -> FloatArray:
    evidence = np.zeros((len(still_s), len(HABIT_FEATURES)))
    evidence[:, STILL_AT], evidence[:, USUAL_PAUSE_AT] = still_s, pause_s
    evidence[:, SINCE_DROP_AT] = 60.0 if since_drop_s is None else since_drop_s
    return evidence


@pytest.mark.parametrize(
    ("part", "key", "value", "target"),
    [
        ("stalls", "false_rate", 0.021, "false drops"),
        ("stalls", "called_in_attempt", 0.91, "called in the attempt"),
        ("stalls", "slowest_tenth_s", 0.91, "slowest tenth"),
        ("steps", "within_1", 0.69, "steps within 1"),
        ("steps", "none_at_all", 0.06, "steps without any"),
        ("steps", "violations", 1.0, "invariant broken"),
        ("budget", "within_1_repetition", 0.7, "budgets ended"),
        ("estimates", "one_rm_in_80", 0.69, "one rm in 80"),
        ("estimates", "budget_in_80", 0.91, "budget in 80"),
        ("estimates", "reserve_in_80", math.nan, "reserve in 80"),
    ],
)
def test_each_figure_that_falls_short_fails_its_own_target_and_no_other(
    result: FamilyResult, part: str, key: str, value: float, target: str
) -> None:
    good = replace(
        result,
        rules=_rules(result, {"false_rate": 0.02, "called_in_attempt": 0.92, "slowest_tenth_s": 0.9}),
        steps=result.steps | {"within_1": 0.7, "none_at_all": 0.05, "violations": 0.0, "floor_broken": 0.0},
        budget=result.budget | {"within_1_repetition": 0.75},
        estimates={
            known: row | {"one_rm_in_80": 0.8, "reserve_in_80": 0.7, "capacity_in_80": 0.9, "budget_in_80": 0.8}
            for known, row in result.estimates.items()
        },
    )
    good = replace(good, left_out=good.estimates)
    assert all(one.met for one in targets_of(good))
    if part == "estimates":
        worse = replace(good, estimates={known: row | {key: value} for known, row in good.estimates.items()})
        worse = replace(worse, left_out=worse.estimates)
    elif part == "stalls":
        worse = replace(good, rules=_rules(good, {key: value}))
    else:
        worse = replace(good, **{part: getattr(good, part) | {key: value}})
    missed = [one.name for one in targets_of(worse) if not one.met]
    assert len(missed) == 1
    assert target in missed[0]


def test_the_report_can_be_kept_and_drawn(result: FamilyResult, tmp_path: Path) -> None:
    report = FamilyReport((11,), (result,))
    document = json.loads(as_json(report.plain()))
    assert document["simulated"] is True
    assert document["tables"]["By family of lifters"][0]["family"] == "velocity_line"
    family_report.plot(report, tmp_path / "families.png")
    assert (tmp_path / "families.png").stat().st_size > 10_000


def test_a_light_exercise_keeps_a_floor_that_the_rig_can_hold() -> None:
    lifter = exercise("curl").mean_lifter()
    load = sizing.order_for(lifter, 60.0, 0.8, "3 repetitions wanted").load
    assert load.start_n == pytest.approx(48.0)
    assert load.floor_n == 20.0
    assert sizing.order_for(lifter, 600.0, 0.8, "3 repetitions wanted").load.floor_n == pytest.approx(120.0)


def test_a_rule_does_the_same_whether_or_not_another_was_tried_on_the_person_before() -> None:
    both = sizing.sizing_runs(4, 1, "3 repetitions wanted", "velocity_line", (BALANCED, DWELL))
    assert both[1:] == sizing.sizing_runs(4, 1, "3 repetitions wanted", "velocity_line", (DWELL,))
    assert both[0].steps
    assert both[0] != both[1]
