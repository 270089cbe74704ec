"""Hand-made sets with known answers, and intervals that widen when attempts of a person are alike."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Final

import numpy as np
import pytest

from ebbset.controller.estimation.intervals import EstimatedFigure, Estimates
from ebbset.controller.messages.reasons import Reason
from ebbset.simulators.evaluation.detector_runs import SetScore
from ebbset.simulators.evaluation.estimates import EstimateErrors
from ebbset.simulators.evaluation.labelled.agreement import AgreedAttempt, LabelledSet
from ebbset.simulators.evaluation.labelled.figures import ESTIMATES, STALLS, STEPS, FigureKind, over_people, statistics
from ebbset.simulators.evaluation.labelled.judging import SetJudgement, judge, reserve_left
from ebbset.simulators.evaluation.labelled.labels import AttemptOutcome, LabelSource
from ebbset.simulators.evaluation.labelled.watching import ToldRepetition, WatchedSet, by_name

COMPLETED, FAILED = AttemptOutcome.COMPLETED, AttemptOutcome.FAILED
CUT_SHORT, UNCLEAR = AttemptOutcome.CUT_SHORT, AttemptOutcome.UNCLEAR
NOTHING: Final = Estimates(EstimatedFigure(), EstimatedFigure(), EstimatedFigure(), EstimatedFigure())


def attempt(start_s: float, outcome: AttemptOutcome = COMPLETED, load_n: float = 500.0, **more: float) -> AgreedAttempt:
    ended = start_s + 0.6 if outcome is FAILED else None
    end_s = more.pop("end_s", start_s + (2.0 if outcome is FAILED else 1.0))
    return AgreedAttempt(start_s, ended, end_s, outcome, load_n, more.get("reserve"), more.get("capacity_n"))


def labelled(*attempts: AgreedAttempt, person: str = "P1", one_rm_n: float | None = None) -> LabelledSet:
    return LabelledSet("a", person, 0, one_rm_n, attempts, frozenset({LabelSource.VIDEO}))


def watched(
    calls_s: Sequence[float] = (), told: Sequence[ToldRepetition] = (), *, commanded: bool = False, **more: object
) -> WatchedSet:
    calls = tuple((t_s, 0) for t_s in calls_s)
    return WatchedSet(frozenset({"a"}), "a.mcap", "row", commanded, False, calls, tuple(told), **more)  # type: ignore[arg-type]


def told(t_s: float, *, one_rm_n: float = 600.0, half_n: float = 30.0, reserve: float = 2.0) -> ToldRepetition:
    one_rm = EstimatedFigure(one_rm_n, one_rm_n - half_n, one_rm_n + half_n)
    spent = EstimatedFigure(0.1, 0.05, 0.15)
    left = EstimatedFigure(reserve, reserve - 1.0, reserve + 1.0)
    return ToldRepetition(t_s, 0, True, Estimates(one_rm, one_rm, left, spent))


def test_calls_are_counted_by_what_they_were_called_in() -> None:
    """One foreseen by nobody, one in time, one late, one missed; one false, one stray, and one that nobody counts."""
    sets = labelled(
        attempt(0.0),
        attempt(4.0, FAILED),
        attempt(10.0, FAILED),
        attempt(16.0, FAILED),
        attempt(22.0, CUT_SHORT),
        attempt(26.0, UNCLEAR),
        attempt(30.0),
    )
    found = statistics([judge(sets, watched([0.5, 4.9, 12.5, 25.2, 26.5]))])
    assert (found["came_through"], found["stalls"]) == (2.0, 3.0)
    assert found["false_drops"] == 2.0, "one in the first repetition, one where nobody lifted"
    assert found["called_in_attempt"] == pytest.approx(1 / 3)
    assert found["missed_at_all"] == pytest.approx(1 / 3)
    assert found["slowest_tenth_s"] == pytest.approx(0.3), "4.9 s less 4.6 s, when motion ended"
    assert found["called"] == pytest.approx(1.0)
    found = statistics([judge(sets, watched([0.5, 4.9, 12.5, 20.0]))])
    assert found["false_drops"] == 1.0, "who failed at 18 s and has not tried again is called late"
    assert found["missed_at_all"] == 0.0


def test_reserve_is_what_was_still_done_before_one_failed_at_the_same_load() -> None:
    three = [attempt(0.0), attempt(4.0), attempt(8.0), attempt(12.0, FAILED), attempt(20.0, load_n=400.0)]
    assert [reserve_left(three, one) for one in three] == [2, 1, 0, None, None]
    assert reserve_left(three[:3], three[0]) is None, "nobody knows how many more there would have been"
    lowered = [attempt(0.0), attempt(4.0, load_n=400.0), attempt(8.0, FAILED, 400.0)]
    assert reserve_left(lowered, lowered[0]) is None
    short = [attempt(0.0), attempt(4.0, CUT_SHORT), attempt(8.0), attempt(12.0, FAILED)]
    assert reserve_left(short, short[0]) == 1


def test_estimates_are_held_against_what_the_labels_know_and_nothing_else() -> None:
    attempts = [attempt(4.0 * k, capacity_n=600.0 - 20.0 * k) for k in range(5)]
    attempts.append(attempt(20.0, FAILED))
    sets = labelled(*attempts, one_rm_n=640.0)
    judged = judge(sets, watched(told=[told(4.0 * k + 1.05) for k in range(5)]))
    assert judged.errors.fresh == [pytest.approx(600.0 / 640.0 - 1.0)], "after the third repetition, once"
    assert judged.errors.fresh_inside == [0.0]
    assert len(judged.errors.capacity) == 5
    assert judged.errors.reserve == [2.0 - 3, 2.0 - 2, 2.0 - 1, 2.0 - 0], "from the second on"
    assert judged.errors.reserve_inside == [1.0, 1.0, 1.0, 0.0]
    untested = judge(labelled(*attempts[:2]), watched(told=[told(1.0), told(5.0)]))
    assert untested.errors == EstimateErrors()


def test_a_lifters_own_call_is_judged_by_the_same_rule() -> None:
    sets = labelled(
        attempt(0.0, reserve=9.0), attempt(4.0, reserve=3.0), attempt(8.0, reserve=0.0), attempt(12.0, FAILED)
    )
    assert judge(sets, watched()).own_reserve == (2.0, 0.0)


def test_repetitions_are_matched_by_their_ends_each_once() -> None:
    sets = labelled(attempt(0.0), attempt(4.0), attempt(8.0))
    judged = judge(sets, watched(told=[told(1.1), told(1.3), told(9.2)]))
    assert (judged.repetitions_missed, judged.repetitions_more) == (1, 1)


def test_steps_are_those_between_ebbsets_own_drops() -> None:
    sets = labelled(
        attempt(0.0),
        attempt(4.0, FAILED),
        attempt(6.0, load_n=400.0),
        attempt(10.0, load_n=400.0),
        attempt(14.0, FAILED, 400.0),
        attempt(16.0, load_n=300.0),
    )
    more = {"commanded": True, "wanted": 3.0, "drops_s": (5.9, 15.9)}
    judged = judge(sets, watched([5.9, 15.9], **more, ended=Reason.DROPS_SPENT))  # type: ignore[arg-type]
    assert [(step.wanted, step.achieved) for step in judged.steps] == [(3.0, 2), (3.0, 1)]
    stopped = judge(sets, watched([5.9, 15.9], **more, ended=Reason.STOP_REQUESTED))  # type: ignore[arg-type]
    assert [step.achieved for step in stopped.steps] == [2], "the last step was broken off"
    rows = over_people([judged], STEPS, np.random.default_rng(1))
    assert [(row.name, row.value, row.trials) for row in rows] == [("within_1", 0.5, 2), ("none_at_all", 0.0, 2)]
    assert all(math.isnan(row.low) for row in rows), "one person cannot tell"


def test_a_name_that_two_sets_share_names_neither() -> None:
    one, two = watched(), watched(commanded=True)
    assert by_name([one]) == {"a": one}
    assert by_name([one, two]) == {}


# --- intervals over people ----------------------------------------------------------------------------------------

PART = (FigureKind("part", "part", "part", "n"),)


def plain(person: str, hits: int, trials: int) -> SetJudgement:
    """A set that holds nothing but a count; it travels in the columns that are easiest to fill."""
    return SetJudgement(person, "row", SetScore(), EstimateErrors(), (), (), hits, trials, 0)


def part_of(judged: Sequence[SetJudgement]) -> dict[str, float]:
    n = sum(one.repetitions_more for one in judged)
    return {"part": sum(one.repetitions_missed for one in judged) / n, "n": float(n)}


def test_intervals_hold_the_truth_four_times_in_five_though_sets_of_a_person_are_alike() -> None:
    """100 studies of 30 people with correlation 0.3; 0.80 ± 0.12 is three standard errors of so many studies."""
    rng = np.random.default_rng(11)
    inside = []
    for _ in range(100):
        people = rng.beta(0.7 * 7 / 3, 0.3 * 7 / 3, 30)
        judged = [plain(f"P{k}", int(rng.binomial(10, p)), 10) for k, p in enumerate(people) for _ in range(2)]
        [found] = over_people(judged, PART, rng, draws=80, statistic=part_of)
        inside.append(found.low <= 0.7 <= found.high)
    assert np.mean(inside) == pytest.approx(0.80, abs=0.12)


def test_an_interval_over_people_is_wider_than_one_over_alike_sets() -> None:
    rng = np.random.default_rng(2)
    alike = [plain(f"P{k}", 10 * (k % 2), 10) for k in range(20) for _ in range(8)]
    apart = [plain(f"P{k}", 5, 10) for k in range(160)]
    wide, narrow = (over_people(one, PART, rng, draws=300, statistic=part_of)[0] for one in (alike, apart))
    assert wide.value == narrow.value == 0.5
    # Twenty coins: 1.2816 times the root of 1/4/20.
    assert (wide.high - wide.low) / 2.0 == pytest.approx(1.2816 * math.sqrt(0.25 / 20), rel=0.2)
    assert narrow.high == narrow.low == 0.5


def test_what_never_happened_has_an_interval_all_the_same() -> None:
    judged = [plain(f"P{k}", 0, 50) for k in range(12)]
    [found] = over_people(judged, PART, np.random.default_rng(1), draws=50, statistic=part_of)
    assert (found.value, found.low) == (0.0, 0.0)
    assert 0.05 < found.high < 0.20


def test_figures_that_rest_on_nothing_are_left_out() -> None:
    judged = [judge(labelled(attempt(0.0), person=name), watched()) for name in ("P1", "P2")]
    names = [row.name for row in over_people(judged, (*STALLS, *ESTIMATES), np.random.default_rng(1), draws=10)]
    assert names == ["false_rate"]
