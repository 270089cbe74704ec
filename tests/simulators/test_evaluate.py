"""A short evaluation on unseen seeds: figures guarded as counts and ratios, wide enough for so few sets."""

from __future__ import annotations

import json
import math
from collections.abc import Callable, Iterable, Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from ebbset.controller.estimation.judgement import FIRST
from ebbset.simulators.evaluation import evaluate
from ebbset.simulators.evaluation.estimates import errors_by_knowledge
from ebbset.simulators.evaluation.ground_truth import OWN_BEHAVIOURS, true_set
from ebbset.simulators.evaluation.operating_curves import best
from ebbset.simulators.evaluation.report_parts import as_json


@pytest.fixture(scope="module")
def sets() -> list[evaluate.SetFindings]:
    """The sets of the report, once it has been made."""
    return []


@pytest.fixture(scope="module")
def report(sets: list[evaluate.SetFindings]) -> evaluate.EvaluationReport:
    def keeping(function: Callable[[Any], Any], jobs: Iterable[Any]) -> Iterator[Any]:
        for found in map(function, jobs):
            if isinstance(found, evaluate.SetFindings):
                sets.append(found)
            yield found

    return evaluate.run(short=True, mapper=keeping)


def test_stalls_are_distinguished_from_repetitions_far_better_than_by_a_threshold(
    report: evaluate.EvaluationReport,
) -> None:
    ours, threshold = (best(report.detector.curves[name], 0.02) for name in ("habits", "threshold"))
    assert ours is not None
    # On the people of before, who were easier to predict than anybody measured, it was 0.35 late and half within 0.1 s;
    # now it is 0.47, half within 0.11 s, with 74 % called. What is asked of it (2 % false, 92 % called) is not met;
    # docs/method.md has the figures.
    assert ours.late_part <= 0.5
    assert ours.missed_part <= 0.3
    assert threshold is None or ours.late_part <= 0.55 * threshold.late_part
    shipped = report.detector.kinds["all"]
    assert shipped["stalls"] >= 50
    assert shipped["false_rate"] <= 0.03
    assert shipped["called_in_attempt"] >= 0.68
    # 0.21; it was 0.13 with the rule "evidence", which was fitted on these people alone and was the default before
    assert shipped["missed_at_all"] <= 0.25


def test_every_behaviour_and_telemetry_has_its_row(report: evaluate.EvaluationReport) -> None:
    assert set(OWN_BEHAVIOURS) <= set(report.detector.kinds)
    for name in ("20 Hz", "no force sensor", "no velocity", "velocity noisy", "jitter and 10 % lost"):
        row = report.detector.telemetry[name]
        assert row["within_150_ms"] >= 0.25, name
        assert row["false_rate"] <= 0.06, name
    assert report.summaries_only["median_latency_s"] > 0.3


def test_estimates_are_near_and_their_intervals_mean_something(report: evaluate.EvaluationReport) -> None:
    with_profile, without = report.estimates["profile"], report.estimates["no profile"]
    assert with_profile["one_rm_median_error"] <= 0.03
    assert without["one_rm_median_error"] <= 0.05
    for row in (with_profile, without):
        assert row["budget_median_error"] <= 0.025
        # 0.8 on the people of before; people call their own reserve with an error of 0.65.
        assert row["reserve_mean_error"] <= 1.8
        # No upper bound here: the doubt is that of lifters of other structures, so that on this family, whose structure
        # is the model's own, the interval holds nearly everything (docs/method.md). The filter's own has one below.
        assert row["capacity_in_80"] >= 0.6
        assert 0.6 <= row["reserve_in_80"] <= 0.95
    assert report.estimates["stale profile"]["stale_said"] >= 3 * with_profile["stale_said"]


@pytest.mark.usefixtures("report")
def test_intervals_without_the_added_doubt_neither_collapse_nor_hold_everything(
    sets: list[evaluate.SetFindings],
) -> None:
    maximal = [(one.item, one.seen) for one in sets if one.seen is not None]
    assert len(maximal) == 20
    items, seen = zip(*maximal, strict=True)
    for row in errors_by_knowledge(items, seen, ("no profile", "profile"), FIRST).values():
        # Narrower than they should be on people who are as hard to predict as people are: what the doubt is for.
        assert 0.5 <= row["capacity_in_80"] <= 0.95
        assert 0.5 <= row["reserve_in_80"] <= 0.95


def test_drops_give_about_what_was_wished_and_nothing_is_broken(report: evaluate.EvaluationReport) -> None:
    sizing = report.closed_loop.sizing
    assert sizing["3 repetitions wanted"]["steps"] >= 20
    sized = [sizing[f"{n} repetitions wanted"] for n in (2, 3, 4)]
    assert sum(row["within_1"] * row["steps"] for row in sized) / sum(row["steps"] for row in sized) >= 0.55
    assert all(sizing[f"fixed {n} %"]["within_1"] < 0.3 for n in (20, 25))
    for row in sizing.values():
        assert row["floor_broken"] == 0
        assert row["violations"] == 0
    assert sum(row["steps"] for row in report.closed_loop.by_exercise.values()) == sum(
        sizing[f"{n} repetitions wanted"]["steps"] for n in (2, 3, 4)
    )
    wished = [sizing[f"{n} repetitions wanted"]["mean_achieved"] for n in (2, 3, 4)]
    assert wished == sorted(wished)


def test_budgets_end_sets_near_their_truth(report: evaluate.EvaluationReport) -> None:
    for row in report.closed_loop.budget.values():
        assert row["ended_by_budget"] >= 3
        assert row["median_error"] <= 0.03


def test_the_report_is_whole_and_can_be_kept(report: evaluate.EvaluationReport, tmp_path: Path) -> None:
    document = json.loads(as_json(report.plain()))
    assert document["simulated"] is True
    assert {row["name"] for row in document["tables"]["Targets"]} == {t.name for t in report.targets}
    assert all(isinstance(t.met, bool | np.bool_) for t in report.targets)
    evaluate.plot(report, tmp_path / "page.png")
    assert (tmp_path / "page.png").stat().st_size > 20_000


def test_the_same_seed_gives_the_same_set_and_its_truth_is_consistent() -> None:
    one, two = (true_set(np.random.default_rng([5, 1]), "maximal") for _ in range(2))
    assert np.array_equal(one.position_m, two.position_m)
    assert one.attempts == two.attempts
    assert any(a.stalled for a in one.attempts)
    for attempt in one.attempts:
        assert attempt.start_s <= attempt.end_s
        assert math.isfinite(attempt.motion_ended_s)


def test_seeds_are_checked(tmp_path: Path) -> None:
    assert len(evaluate.unseen_seeds()) >= 1
    for text in ("{", "[]", '{"unseen": []}', '{"unseen": [1.5]}', '{"unseen": [3], "tuning": [3]}'):
        path = tmp_path / "seeds.json"
        path.write_text(text, encoding="utf-8")
        with pytest.raises(evaluate.SeedsError, match="allowed"):
            evaluate.unseen_seeds(path)
