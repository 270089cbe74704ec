"""The rule "evidence" on ascents made by a formula, not by the simulator that its trees were fitted on."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from ebbset.controller.detection.evidence.stall_classifier import probability_of, score_of
from ebbset.controller.detection.evidence.stall_classifier_figures import BASELINE, TREES, Node
from ebbset.controller.detection.evidence.stall_evidence import FEATURES, StallEvidence, score
from ebbset.controller.detection.segmenter import RepetitionSegmenter
from ebbset.controller.detection.signals import RepetitionEnded, StallSeen
from ebbset.controller.messages.reasons import Reason
from ebbset.models.contract.prescription import StallSection
from ebbset.models.contract.rig_messages import RepetitionOutcome
from ebbset.models.physiology.load_velocity import generic_line
from tests.support.segmented import ended, run, stalls
from tests.support.tiring_ascents import BOTTOM, ascent, tiring
from tests.support.traces import Trace

EVERY = -1e9


def evidence_segmenter(**stall: float) -> RepetitionSegmenter:
    return RepetitionSegmenter(
        stall=StallSection(rule="evidence", **stall),
        line=generic_line("bench_press"),
        rom_m=None,
        has_force=False,
    )


NOISE: dict[str, Any] = {"position_noise_m": 0.0002, "velocity_noise_m_s": 0.012}


def test_a_stall_of_fatigue_is_called_soon_after_motion_ended_or_before() -> None:
    trace, stopped_s = tiring(0.4, 0.08)
    assert stopped_s is not None
    signals = run(evidence_segmenter(), trace, **NOISE)
    (seen,) = stalls(signals)
    assert seen.t_us * 1e-6 - stopped_s <= 0.3
    assert seen.reason in (Reason.STALL_FORESEEN, Reason.STALL_IN_CONCENTRIC)
    assert seen.probability >= 0.9
    through = [r for r in ended(signals) if r.outcome is RepetitionOutcome.COMPLETED]
    assert len(through) == 3


def test_repetitions_that_come_through_slowly_are_left_alone() -> None:
    trace, stopped_s = tiring(0.17, 0.08)
    assert stopped_s is None
    signals = run(evidence_segmenter(), trace, **NOISE)
    assert not stalls(signals)
    assert ended(signals)[-1].min_velocity_m_s < 0.12


@pytest.mark.parametrize("pause_s", [0.5, 1.0, 1.5])
def test_a_pause_on_purpose_is_left_alone_until_its_limit(pause_s: float) -> None:
    def with_pause(seconds: float) -> list[StallSeen]:
        trace = Trace().hold(0.8)
        for _ in range(3):
            ascent(trace, 0.0)
            trace.hold(0.3).move(BOTTOM, 1.2).hold(0.2)
        trace.speeds([(0.0, 0.0), (0.12, 0.5), (0.4, 0.5), (0.5, 0.0)]).hold(seconds)
        trace.speeds([(0.0, 0.0), (0.15, 0.5), (0.55, 0.5), (0.65, 0.0)]).hold(0.4)
        return stalls(run(evidence_segmenter(still_limit_s=2.0), trace, **NOISE))

    assert with_pause(pause_s) == []
    (seen,) = with_pause(3.0)
    assert seen.duration_s == pytest.approx(2.0, abs=0.1)


def test_grinding_time_counts_from_the_end_of_motion() -> None:
    trace, stopped_s = tiring(0.4, 0.08)
    assert stopped_s is not None
    (seen,) = stalls(run(evidence_segmenter(grind_s=1.0), trace, **NOISE))
    assert seen.t_us * 1e-6 - stopped_s == pytest.approx(1.0, abs=0.04)


def test_one_stall_is_called_once_and_a_failed_repetition_is_no_completed_one() -> None:
    trace, stopped_s = tiring(0.4, 0.08)
    assert stopped_s is not None
    signals = run(evidence_segmenter(), trace.move(BOTTOM, 1.0).hold(0.3), **NOISE)
    assert len([s for s in signals if isinstance(s, StallSeen)]) == 1
    assert [s for s in signals if isinstance(s, RepetitionEnded)][-1].outcome is RepetitionOutcome.FAILED


def test_strength_over_load_is_hills_inverse() -> None:
    # f(u) = (1 - u) / (1 + u / k), Hill 1938 10.1098/rspb.1938.0050; q = 1 / f
    evidence = StallEvidence(generic_line("bench_press"))
    v_max = 1.3 * generic_line("bench_press").v0_m_s
    for u in (0.0, 0.1, 0.4, 0.8):
        assert evidence.strength_over_load(u * v_max) == pytest.approx((1.0 + u) / (1.0 - u))
    speeds = [evidence.strength_over_load(0.01 * k) for k in range(-30, 200)]
    assert speeds == sorted(speeds)


def test_scores_and_probabilities_belong_together() -> None:
    probabilities = [probability_of(0.1 * k) for k in range(-80, 80)]
    assert probabilities == sorted(probabilities)
    assert all(0.0 <= p <= 1.0 for p in probabilities)
    for p in (0.6, 0.8, 0.9, 0.95):
        assert probability_of(score_of(p)) == pytest.approx(p, abs=0.02)
    assert score_of(0.95) > score_of(0.8)


def test_a_hopeless_ascent_scores_above_a_healthy_one() -> None:
    def vector(**values: float) -> list[float]:
        base = dict.fromkeys(FEATURES, 0.0) | {"learned": 3.0, "shape_ahead": 1.0, "peak_m_s": 0.3, "rise_s": 1.0}
        return [{**base, **values}[name] for name in FEATURES]

    margins = ("margin_now", "margin_early", "margin_slow", "margin_lag", "margin_floor", "margin_expected")
    hopeless = vector(velocity_m_s=0.01, still_s=0.3, share=0.3, short_of_top=0.68, **dict.fromkeys(margins, -0.02))
    healthy = vector(velocity_m_s=0.2, share=0.6, past_weakest=0.3, **dict.fromkeys(margins, 0.2))
    assert score(hopeless, EVERY) > score_of(0.9)
    assert score(healthy, EVERY) < score_of(0.5)


def test_a_score_that_is_not_added_up_to_the_end_is_one_that_would_not_have_sufficed() -> None:
    rng = np.random.default_rng(7)
    # slow ascents with little or no margin: scores on both sides of what is certain enough
    vectors = rng.normal(0.0, 0.1, (3_000, len(FEATURES)))
    vectors[:, FEATURES.index("share")] = rng.uniform(0.2, 1.0, len(vectors))
    vectors[:, FEATURES.index("peak_m_s")] = 0.3
    cut = enough = 0
    for vector in vectors.tolist():
        whole = score(vector, EVERY)
        for probability in (0.5, 0.8, 0.975):
            least = score_of(probability)
            shown = score(vector, least)
            assert shown == whole if whole >= least else shown < least
            cut += shown != whole
            enough += whole >= least
    assert cut > 1_000
    assert enough > 100


def walked(node: Node, vector: list[float]) -> float:
    while isinstance(node, tuple):
        feature, threshold, low, high = node
        node = low if vector[feature] <= threshold else high
    return node


def test_the_score_is_the_sum_of_the_trees_that_the_figures_hold() -> None:
    rng = np.random.default_rng(11)
    for vector in rng.normal(0.0, 0.5, (500, len(FEATURES))).tolist():
        total = BASELINE
        for tree in TREES:
            total += walked(tree, vector)
        assert score(vector, EVERY) == total
