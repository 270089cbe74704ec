"""Fits the trees that score the evidence of an ascent, on the tuning seeds alone, and writes them as plain numbers.

Run it by hand after the simulator or the evidence has changed: ``python -m campaigns.fits.fit_stall_classifier FILE``.
It needs scikit-learn, which nothing else does. Evaluating the trees takes only comparisons and additions, so it is fast
and gives the same bits on any machine.
"""

from __future__ import annotations

import argparse
import importlib
import itertools
from collections.abc import Sequence
from pathlib import Path
from typing import Any, Final

import numpy as np
import numpy.typing as npt

from campaigns.fits.sharing import add_options, shared_out
from ebbset.controller.detection.segmenter import RepetitionSegmenter
from ebbset.controller.detection.stall_classifier_figures import Node
from ebbset.controller.detection.stall_evidence import StallEvidence
from ebbset.models.contract.prescription import StallSection
from ebbset.models.physiology.load_velocity import LoadVelocityLine, generic_line
from ebbset.simulators.closed_loop.parallel import Mapper
from ebbset.simulators.evaluation.detector_runs import RATES, TOP_SHARE, WHOLE_SHARE, TelemetryQuality, measure
from ebbset.simulators.evaluation.ground_truth import OWN_BEHAVIOURS, TrueSet, true_set

FloatArray = npt.NDArray[np.float64]
TREES: Final = 60
FEWEST_LOOKS: Final = 8
LEAVES: Final = 8
SETS: Final = 800
TUNING_SEED: Final = 0
HEADER: Final = '''"""Figures of the stall classifier: decision trees and what their score means, as plain numbers.

Written by campaigns/fits/fit_stall_classifier.py from tuning seeds; do not edit. Simulated, not measured on people.
"""

from __future__ import annotations

from typing import Final, TypeAlias

Node: TypeAlias = "float | tuple[int, float, Node, Node]"
"""A value, or (number of the feature in `stall_evidence.FEATURES`, threshold, node at most it, node above it)."""

# fmt: off
# ruff: noqa: E501
'''


class _NotingEvidence(StallEvidence):
    """Records the evidence at every evaluation and never reports a stall."""

    def __init__(self, line: LoadVelocityLine) -> None:
        super().__init__(line)
        self.looks: list[list[float]] = []

    def worth_a_look(self) -> bool:
        if super().worth_a_look():
            self.looks.append([self._t, *self.evidence()])
        return False


Evidence = tuple[FloatArray, npt.NDArray[np.int64], FloatArray]
"""Evidence vectors, shape (n, features); whether their ascent failed, shape (n,); weights, shape (n,)."""


def evidence(job: tuple[int, TrueSet, TelemetryQuality]) -> Evidence | None:
    """Evidence at every evaluation in one set, whether its ascent failed, and weights; None if there was none.

    Every ascent has about the same weight, however often it was evaluated.

    Args:
        job: number of the set, which fixes the noise; the set of known truth; rate and noise of the samples.
    """
    number, item, telemetry = job
    never = StallSection(rule="evidence", certainty=0.999, still_limit_s=10.0)
    line = generic_line(item.exercise)
    noting = _NotingEvidence(line)
    segmenter = RepetitionSegmenter(stall=never, line=line, rom_m=None, has_force=True, evidence=noting)
    clock = measure(item, segmenter, telemetry, np.random.default_rng(number)).true_s
    if not noting.looks:
        return None
    table = np.array(noting.looks)
    t = np.array([clock(int(value)) for value in table[:, 0]])
    y = np.zeros(len(t), dtype=np.int64)
    keep = np.ones(len(t), dtype=bool)
    part = np.zeros(len(t), dtype=np.int64)
    for k, attempt in enumerate(item.attempts):
        during = (t >= attempt.start_s + (0.01 if attempt.continued else -0.02)) & (t <= attempt.end_s - 0.004)
        y[during] = attempt.stalled
        part[during] = k + 1
        if attempt.stalled:
            if attempt.end_share > TOP_SHARE:
                keep[during] = False
            after = item.attempts[k + 1].start_s if k + 1 < len(item.attempts) else np.inf
            keep[(t > attempt.end_s - 0.004) & (t < after)] = False
        elif attempt.end_share < WHOLE_SHARE:
            keep[during | ((t > attempt.end_s) & (t < attempt.end_s + 2.0))] = False
    return table[keep, 1:], y[keep], 1.0 / np.maximum(np.bincount(part[keep])[part[keep]], FEWEST_LOOKS)


def drawn(number: int) -> TrueSet:
    """One set of the tuning seed.

    Args:
        number: of the set.
    """
    return true_set(np.random.default_rng([TUNING_SEED, number]), OWN_BEHAVIOURS[number % len(OWN_BEHAVIOURS)])


def tree_of(nodes: Any, k: int) -> Node:
    """One tree of the fitted model from its node ``k`` down, rounded as written to the file.

    Args:
        nodes: scikit-learn's table of nodes.
        k: row of the root.
    """
    node = nodes[k]
    if node["is_leaf"]:
        return float(f"{node['value']:.4f}")
    threshold = float(f"{node['num_threshold']:.5g}")
    return (
        int(node["feature_idx"]),
        threshold,
        tree_of(nodes, int(node["left"])),
        tree_of(nodes, int(node["right"])),
    )


def knots_of(scores: FloatArray, labels: npt.NDArray[np.int64], weight: FloatArray) -> list[tuple[float, float]]:
    """Mean score and share of stalls of each fortieth of the examples; the share never falls.

    Args:
        scores: shape (n,), what the classifier says.
        labels: shape (n,), 1 for an ascent that failed.
        weight: shape (n,), of each example.
    """
    edges = np.quantile(scores, np.linspace(0.0, 1.0, 41))
    knots: list[tuple[float, float]] = []
    for low, high in itertools.pairwise(edges):
        inside = (scores >= low) & (scores <= high)
        if inside.any():
            p = ((labels * weight)[inside].sum() + 0.5) / (weight[inside].sum() + 1.0)
            knots.append((float(scores[inside].mean()), max(float(p), knots[-1][1] if knots else 0.0)))
    return knots


def as_module(baseline: float, trees: Sequence[Node], knots: Sequence[tuple[float, float]]) -> str:
    """The figures as a module of the controller.

    Args:
        baseline: score before the first tree.
        trees: their roots.
        knots: score and share of stalls.
    """
    rows = "".join(f"    {tree!r},\n" for tree in trees)
    pairs = "".join(f"    ({score:.3f}, {share:.4f}),\n" for score, share in knots)
    return (
        f"{HEADER}BASELINE: Final = {baseline:.4f}\n"
        f"TREES: Final[tuple[Node, ...]] = (\n{rows})\n"
        f"KNOTS: Final = (\n{pairs})\n"
        '"""Score, and the share of such ascents of the tuning sets that failed."""\n# fmt: on\n'
    )


def fit(sets: Sequence[TrueSet], mapper: Mapper = map) -> str:
    """Fit on these sets, at the usual rate, at a low one and with noise; returns the module's source text.

    Args:
        sets: of known truth.
        mapper: `map`, or a parallel version that keeps the order.
    """
    ensemble: Any = importlib.import_module("sklearn.ensemble")
    parts = ((sets, "100 Hz"), (sets[::5], "20 Hz"), (sets[1::5], "velocity noisy"))
    jobs = [(number, item, RATES[rate]) for some, rate in parts for number, item in enumerate(some)]
    found = [one for one in mapper(evidence, jobs) if one is not None]
    x, y, weight = (np.concatenate([one[k] for one in found]) for k in range(3))
    weight /= weight.mean()
    model = ensemble.HistGradientBoostingClassifier(
        max_iter=TREES,
        max_leaf_nodes=LEAVES,
        learning_rate=0.15,
        l2_regularization=5.0,
        min_samples_leaf=400,
        early_stopping=False,
    )
    model.fit(x, y, sample_weight=weight)
    # scikit-learn has no public way to its trees
    trees = [tree_of(stage[0].nodes, 0) for stage in model._predictors]  # noqa: SLF001, RUF100
    baseline = float(model._baseline_prediction.ravel()[0])  # noqa: SLF001, RUF100
    return as_module(baseline, trees, knots_of(model.decision_function(x), y, weight))


def main() -> None:
    """Fit and write ``controller/detection/stall_classifier_figures.py``."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else None)
    parser.add_argument("module", type=Path, help="file to write: controller/detection/stall_classifier_figures.py")
    parser.add_argument("--sets", type=int, default=SETS, help="tuning sets to draw")
    add_options(parser)
    arguments = parser.parse_args()
    with shared_out(arguments, "sets of known truth") as mapper:
        text = fit(list(mapper(drawn, range(arguments.sets))), mapper)
    arguments.module.write_text(text, encoding="utf-8")


if __name__ == "__main__":
    # By its own name, so that other processes find what they are to run.
    from campaigns.fits.fit_stall_classifier import main as fit_by_name

    fit_by_name()
