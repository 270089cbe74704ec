"""Fits the trees that weigh the evidence of an ascent, on the tuning seeds alone, and writes them as plain Python.

Run it by hand after the simulator or the evidence has changed: ``python -m campaigns.fits.fit_stall_classifier``. It
needs scikit-learn, which nothing else does. The result is a module of comparisons and additions: quick, and the same
bits on any machine.
"""

from __future__ import annotations

import argparse
import importlib
import itertools
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

import numpy as np
import numpy.typing as npt

from ebbset.controller.detection.segmenter import RepetitionSegmenter
from ebbset.controller.detection.stall_evidence import FEATURES, StallEvidence
from ebbset.models.contract.prescription import StallSection
from ebbset.models.physiology.load_velocity import LoadVelocityLine, generic_line
from ebbset.simulators.evaluation.detector_runs import RATES, TOP_SHARE, WHOLE_SHARE, TelemetryQuality, measure
from ebbset.simulators.evaluation.ground_truth import BEHAVIOURS, TrueSet, true_set

FloatArray = npt.NDArray[np.float64]
TREES: Final = 60
FEWEST_LOOKS: Final = 8
LEAVES: Final = 8
# Chosen by timing the score over the looks of simulated sets.
LARGE: Final = 0.4
FIRST_STOP: Final = 14
STOP_EVERY: Final = 8
SETS: Final = 800
TUNING_SEED: Final = 0
HEADER: Final = '''"""Weighs the evidence of an ascent by a sum of small trees, and says what its score means.

Written by campaigns/fits/fit_stall_classifier.py from tuning seeds; do not edit. `score` takes the vector named by
`foresight.FEATURES` in its order; comparisons and additions only.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final


'''


class _Noting(StallEvidence):
    """Notes the evidence of every look, and lets none of them lead to a stall."""

    def __init__(self, line: LoadVelocityLine) -> None:
        super().__init__(line)
        self.looks: list[list[float]] = []

    def worth_a_look(self) -> bool:
        if super().worth_a_look():
            self.looks.append([self._t, *self.evidence()])
        return False


def examples(sets: list[TrueSet], telemetry: TelemetryQuality) -> tuple[FloatArray, npt.NDArray[np.int64], FloatArray]:
    """Evidence vectors at every look, whether the ascent they belong to never came through, and weights.

    An ascent weighs the same however many looks it was given: what counts is ascents, not seconds.
    """
    rows: list[FloatArray] = []
    labels: list[npt.NDArray[np.int64]] = []
    weights: list[FloatArray] = []
    never = StallSection(rule="evidence", certainty=0.999, still_limit_s=10.0)
    for number, item in enumerate(sets):
        line = generic_line(item.lifter.exercise)
        tracker = RepetitionSegmenter(stall=never, line=line, rom_m=None, has_force=True)
        tracker._foresight = noting = _Noting(line)
        clock = measure(item, tracker, telemetry, np.random.default_rng(number)).true_s
        if not noting.looks:
            continue
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
        rows.append(table[keep, 1:])
        labels.append(y[keep])
        weights.append(1.0 / np.maximum(np.bincount(part[keep])[part[keep]], FEWEST_LOOKS))
    return np.concatenate(rows), np.concatenate(labels), np.concatenate(weights)


@dataclass(frozen=True, slots=True)
class Tree:
    """One tree as an expression over e0, e1, ..., and the most that it can come to."""

    source: str
    most: float


def _tree(nodes: Any, k: int) -> Tree:
    node = nodes[k]
    if node["is_leaf"]:
        value = f"{node['value']:.4f}"
        return Tree(value, float(value))
    left, right = _tree(nodes, int(node["left"])), _tree(nodes, int(node["right"]))
    source = f"({left.source} if e{int(node['feature_idx'])} <= {node['num_threshold']:.5g} else {right.source})"
    return Tree(source, max(left.most, right.most))


def write_score(baseline: float, trees: Sequence[Tree]) -> list[str]:
    """Lines of a function that adds the trees up in their order, and gives up where the rest cannot matter.

    Most ascents come through, and for most looks that shows long before the last tree. A tree that can add much for a
    few ascents would keep the question open, so those few are asked first; they are added in their place all the same.
    """
    large = [k for k, tree in enumerate(trees) if k > FIRST_STOP and tree.most > LARGE]
    lines = ["def score(e: Sequence[float], least: float = -1e9) -> float:\n"]
    lines.append('    """Strength of the evidence that this ascent will not come through; larger is surer.\n\n')
    lines.append("    One under ``least`` may come out as any number under ``least``: it is not added up to the end.\n")
    lines.append('    """\n')
    # one name for each figure: the trees ask for them several hundred times
    lines.append(f"    {', '.join(f'e{k}' for k in range(len(FEATURES)))} = e\n")
    lines += [f"    t{k} = {trees[k].source}\n" for k in large]
    lines.append(f"    s = {baseline:.4f}\n")
    for k, tree in enumerate(trees):
        lines.append(f"    s += t{k}\n" if k in large else f"    s += {tree.source}\n")
        if FIRST_STOP <= k < len(trees) - 1 and (k - FIRST_STOP) % STOP_EVERY == 0:
            waiting = [f"t{j}" for j in large if j > k]
            most = sum(later.most for j, later in enumerate(trees) if j > k and j not in large)
            # one more in the last digit than they can come to, far more than rounding can add
            lines.append(f"    if (m := {' + '.join(['s', *waiting, f'{most + 1e-4:.4f}'])}) < least:\n")
            lines.append("        return m\n")
    lines.append("    return s\n\n\n")
    return lines


def write_module(model: Any, scores: FloatArray, labels: npt.NDArray[np.int64], weight: FloatArray) -> str:
    """The fitted model as source text, with the share of stalls observed at each score."""
    lines = [HEADER, "# fmt: off\n", "# ruff: noqa: E501, RUF059\n"]
    trees = [_tree(stage[0].nodes, 0) for stage in model._predictors]
    lines += write_score(float(model._baseline_prediction.ravel()[0]), trees)
    edges = np.quantile(scores, np.linspace(0.0, 1.0, 41))
    knots: list[tuple[float, float]] = []
    for low, high in itertools.pairwise(edges):
        inside = (scores >= low) & (scores <= high)
        if inside.any():
            p = ((labels * weight)[inside].sum() + 0.5) / (weight[inside].sum() + 1.0)
            knots.append((float(scores[inside].mean()), max(float(p), knots[-1][1] if knots else 0.0)))
    body = "".join(f"    ({s:.3f}, {p:.4f}),\n" for s, p in knots)
    lines.append(f"KNOTS: Final = (\n{body})\n# fmt: on\n")
    lines.append('''

def probability_of(value: float) -> float:
    """Share of such ascents that did not come through in the tuning sets, linear between knots."""
    before = KNOTS[0]
    if value <= before[0]:
        return before[1]
    for knot in KNOTS[1:]:
        if value < knot[0]:
            return before[1] + (knot[1] - before[1]) * (value - before[0]) / (knot[0] - before[0])
        before = knot
    return before[1]


def score_of(probability: float) -> float:
    """Least score that means at least this probability; above the last knot it goes on along the last slope."""
    before = KNOTS[0]
    for knot in KNOTS[1:]:
        if knot[1] >= probability and knot[1] > before[1]:
            return before[0] + (knot[0] - before[0]) * (probability - before[1]) / (knot[1] - before[1])
        before = knot
    return before[0] + 10.0 * (probability - before[1])
''')
    return "".join(lines)


def fit(sets: list[TrueSet]) -> str:
    """Fit on these sets, at the usual rate, at a low one and with noise; the module's source text."""
    ensemble: Any = importlib.import_module("sklearn.ensemble")
    parts = [examples(sets, RATES["100 Hz"]), examples(sets[::5], RATES["20 Hz"])]
    parts.append(examples(sets[1::5], RATES["velocity noisy"]))
    x = np.concatenate([part[0] for part in parts])
    y = np.concatenate([part[1] for part in parts])
    weight = np.concatenate([part[2] for part in parts])
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
    return write_module(model, model.decision_function(x), y, weight)


def main() -> None:
    """Fit and write ``controller/detection/stall_classifier.py``."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else None)
    parser.add_argument("module", type=Path, help="file to write: controller/detection/stall_classifier.py")
    parser.add_argument("--sets", type=int, default=SETS, help="tuning sets to draw")
    arguments = parser.parse_args()
    kinds = len(BEHAVIOURS)
    sets = [true_set(np.random.default_rng([TUNING_SEED, k]), BEHAVIOURS[k % kinds]) for k in range(arguments.sets)]
    arguments.module.write_text(fit(sets), encoding="utf-8")


if __name__ == "__main__":
    main()
