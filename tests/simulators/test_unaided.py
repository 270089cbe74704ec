"""A drop by the evaluation itself takes nothing from the rule that is judged: the attempt goes on beside the set."""

from __future__ import annotations

import numpy as np
import pytest

from ebbset.controller.detection.signals import StallSeen
from ebbset.controller.messages.reasons import Reason
from ebbset.models.contract.prescription import StallSection
from ebbset.simulators.evaluation.attempt_looks import LookingSegmenter, looks_of
from ebbset.simulators.evaluation.detector_runs import RATES, measure, score_calls
from ebbset.simulators.evaluation.ground_truth import Attempt, TrueSet, true_set
from ebbset.simulators.evaluation.stalls import run_rule


@pytest.fixture(scope="module")
def item() -> TrueSet:
    """A set with a drop in mid-ascent, of the family that is fastest to simulate."""
    for number in range(20):
        found = true_set(np.random.default_rng([5, number]), "maximal")
        if found.unaided:
            return found
    raise AssertionError("no set with a drop in mid-ascent")


def test_an_attempt_goes_on_at_its_load_from_the_drop_until_the_lifter_gives_in(item: TrueSet) -> None:
    for one in item.unaided:
        attempt = item.attempts[one.attempt]
        assert attempt.stalled
        assert item.drops[one.drop][0] == pytest.approx(attempt.end_s)
        assert one.samples[0, 0] == pytest.approx(attempt.end_s + 0.001)
        assert one.samples[-1, 0] == pytest.approx(attempt.failed_s, abs=0.006)
        assert np.diff(one.samples[:, 0]) == pytest.approx(0.001)


def test_a_dwell_longer_than_the_time_to_the_drop_is_seen_to_call_what_lasts(item: TrueSet) -> None:
    dwell_s = 0.3
    rows = run_rule(item, RATES["100 Hz"], StallSection(rule="dwell", dwell_s=dwell_s), 0).rows
    for one in item.unaided:
        attempt, row = item.attempts[one.attempt], rows[one.attempt]
        assert row.end_s == pytest.approx(attempt.failed_s)
        if attempt.failed_s > attempt.motion_ended_s + dwell_s + 0.1:
            assert row.fired_s <= attempt.failed_s + 0.01


def test_looks_go_on_after_the_drop(item: TrueSet) -> None:
    lasts = [a.failed_s - a.motion_ended_s for a in item.attempts if a.stalled and a.motion_ended_s > a.start_s + 0.02]
    seen = [one.t_s[-1] for one in looks_of(item, RATES["100 Hz"], 0) if one.stalled and one.moved and len(one.t_s)]
    assert max(seen) == pytest.approx(max(lasts), abs=0.1)


def test_whoever_is_looked_at_is_never_called_however_long_they_stand(item: TrueSet) -> None:
    signals = measure(item, LookingSegmenter(item), RATES["100 Hz"], np.random.default_rng(0)).signals
    standing = {Reason.STALL_IN_CONCENTRIC, Reason.STALL_FORESEEN}
    assert [one for one in signals if isinstance(one, StallSeen) and one.reason in standing] == []


def _stalled(start_s: float, end_s: float, failed_s: float) -> Attempt:
    return Attempt(start_s, end_s, True, start_s + 0.5, failed_s, 0.0, 300.0, 0.5, False)


def test_calls_without_the_drop_count_until_the_lifter_would_have_given_in() -> None:
    attempts = [_stalled(1.0, 2.0, 3.0)]

    def called_s(*unaided: float) -> float:
        (row,) = score_calls(attempts, [], behaviour="", exercise="", unaided={0: unaided}).rows
        assert row.end_s == 3.0
        return row.fired_s

    assert called_s(2.5) == 2.5
    assert np.isnan(called_s(3.1))
    assert np.isnan(called_s())


def test_who_failed_and_waits_under_the_same_load_is_called_late_and_not_by_mistake() -> None:
    attempts = [_stalled(1.0, 2.0, 2.0), _stalled(8.0, 9.0, 9.0)]
    score = score_calls(attempts, [7.0, 9.5], behaviour="", exercise="")
    assert score.stray == 0
    assert [row.late_s for row in score.rows] == [7.0, 9.5]
    through = Attempt(3.0, 4.0, False, 3.0, 4.0, 0.3, 300.0, 1.0, False)
    assert score_calls([attempts[0], through, attempts[1]], [7.0], behaviour="", exercise="").stray == 1
