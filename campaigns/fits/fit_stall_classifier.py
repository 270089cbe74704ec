"""Fits the trees of the stall rule "habits" across families of lifters, and writes them as plain numbers.

``python -m campaigns.fits.fit_stall_classifier`` draws sets of known truth from tuning seeds (invented lifters and
every family), fits once on all of them and once without each family, and writes both: the figures of the controller,
and those that `ebbset evaluate` judges each family by when it is left out. ``--cache DIR`` keeps the examples, so that
another fit takes minutes less.

How patient a patience is comes from families left out too: each family is scored by the trees that never saw it, and
the score of a patience is the lowest at which the rule, with all that it says of standing, calls so many of the
attempts that came through by mistake, in the mean over families. Figures without a family take that score from the
other families alone.

It needs scikit-learn, which nothing else does. Evaluating the trees takes only comparisons and additions, so it is fast
and gives the same bits on any machine. The figures of the rule "evidence" (`stall_classifier_figures`) are kept as they
are, so that recordings made with it replay to the same bits; nothing fits them any more.
"""

from __future__ import annotations

import argparse
import importlib
import itertools
import json
import pickle
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

import numpy as np
import numpy.typing as npt

from campaigns.fits.fitting_sets import family_set, invented_set
from campaigns.fits.sharing import add_options, shared_out
from campaigns.fits.stall_examples import SetExamples, Table, examples_of, table_of
from ebbset.controller.detection.evidence.habit_figures import (
    HABIT_FEATURES,
    MONOTONIC,
    MOST_OUTSIDE,
    UNKNOWN,
)
from ebbset.controller.detection.evidence.stall_classifier_figures import Node
from ebbset.simulators.closed_loop.parallel import Mapper
from ebbset.simulators.evaluation.detector_runs import RATES
from ebbset.simulators.evaluation.operating_curves import called_at
from ebbset.simulators.evaluation.stall_figures import left_out_name
from ebbset.simulators.population.families import family_names

FloatArray = npt.NDArray[np.float64]
Parts = list[tuple[float, SetExamples]]
TREES: Final = 120
LEAVES: Final = 8
LEAST_EXAMPLES: Final = 80
LEARNING_RATE: Final = 0.1
INVENTED: Final = "invented"
INVENTED_AT: Final = (("100 Hz", range(400)), ("200 Hz", range(400, 440)), ("50 Hz", range(440, 480)))
EACH_FAMILY: Final = 40
FAMILY_WEIGHT: Final = 2.0
OUTLIERS: Final = 0.0005
MOST_FALSE: Final = {"quick": 0.04, "balanced": 0.02, "patient": 0.0125}
"""Attempts that came through and were called by mistake, in the mean over families left out."""
SCORES: Final = np.round(np.arange(-3.0, 7.0, 0.05), 2)
MODULE: Final = Path("controller/detection/evidence/stall_habits_figures.py")
DATA: Final = Path("simulators/evaluation/data")
"""In the working tree: an editable install links to copies."""
HEADER: Final = '''"""Figures of the stall classifier of the rule "habits": decision trees and what their score means.

Written by campaigns/fits/fit_stall_classifier.py from tuning seeds; do not edit. Simulated, not measured on people.
"""

from __future__ import annotations

from typing import Final

from ebbset.controller.detection.evidence.stall_classifier_figures import Node

# fmt: off
# ruff: noqa: E501
'''


@dataclass(frozen=True, slots=True)
class Trees:
    """A fitted model: scikit-learn's, to score examples with, and the same as plain numbers."""

    model: Any
    baseline: float
    trees: list[Node]
    ranges: list[tuple[float, float]]

    def scores(self, evidence: FloatArray) -> FloatArray:
        """Score of each row.

        Args:
            evidence: shape (n, number of features).
        """
        return np.asarray(self.model.decision_function(evidence))


@dataclass(frozen=True, slots=True)
class Fitted:
    """Plain numbers of a fit; see `HabitFigures`."""

    baseline: float
    trees: list[Node]
    ranges: list[tuple[float, float]]
    knots: list[tuple[float, float]]
    patience: dict[str, float]
    fitted_on: tuple[str, ...]

    def as_module(self) -> str:
        """The figures as a module of the controller."""
        rows = "".join(f"    {tree!r},\n" for tree in self.trees)
        return (
            f"{HEADER}BASELINE: Final = {self.baseline!r}\n"
            f"TREES: Final[tuple[Node, ...]] = (\n{rows})\n"
            f"KNOTS: Final = (\n{_pairs(self.knots)})\n"
            '"""Score, and the share of such ascents that failed in families that the trees had not seen."""\n'
            f"RANGES: Final = (\n{_pairs(self.ranges)})\n"
            '"""Lowest and highest value of each figure in the tuning sets, without the outermost."""\n'
            f"FITTED_ON: Final = {self.fitted_on!r}\n"
            '"""Families of lifters among the tuning sets."""\n'
            f"PATIENCE: Final = {json.dumps(self.patience)}\n"
            '"""Score that is a stall, for each patience that may be prescribed."""\n# fmt: on\n'
        )

    def as_json(self) -> str:
        """The figures as a document."""
        note = "Written by campaigns/fits/fit_stall_classifier.py from tuning seeds; do not edit."
        return json.dumps(
            {
                "note": note,
                "baseline": self.baseline,
                "trees": self.trees,
                "knots": self.knots,
                "ranges": self.ranges,
                "patience": self.patience,
            }
        )


def _pairs(pairs: Sequence[tuple[float, float]]) -> str:
    return "".join(f"    ({first!r}, {second!r}),\n" for first, second in pairs)


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


def knots_of(scores: FloatArray, labels: FloatArray, weight: FloatArray) -> list[tuple[float, float]]:
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
            share = max(float(p), knots[-1][1] if knots else 0.0)
            knots.append((round(float(scores[inside].mean()), 3), round(share, 4)))
    return knots


def ranges_of(evidence: FloatArray) -> list[tuple[float, float]]:
    """Lowest and highest value of each figure, without the outermost few.

    Args:
        evidence: shape (n, number of features).
    """
    low, high = np.quantile(evidence, [OUTLIERS, 1.0 - OUTLIERS], axis=0)
    return [(float(f"{a:.5g}"), float(f"{b:.5g}")) for a, b in zip(low, high, strict=True)]


def grown(table: Table) -> Trees:
    """Fit the trees.

    Args:
        table: examples.
    """
    ensemble: Any = importlib.import_module("sklearn.ensemble")
    model = ensemble.HistGradientBoostingClassifier(
        max_iter=TREES,
        max_leaf_nodes=LEAVES,
        learning_rate=LEARNING_RATE,
        l2_regularization=5.0,
        min_samples_leaf=LEAST_EXAMPLES,
        early_stopping=False,
        monotonic_cst=[MONOTONIC.get(name, 0) for name in HABIT_FEATURES],
    )
    # more threads than free cores wait for each other
    with importlib.import_module("threadpoolctl").threadpool_limits(1):
        model.fit(table.evidence, table.failed, sample_weight=table.weight)
    # scikit-learn has no public way to its trees
    trees = [tree_of(stage[0].nodes, 0) for stage in model._predictors]  # noqa: SLF001, RUF100
    baseline = round(float(model._baseline_prediction.ravel()[0]), 4)  # noqa: SLF001, RUF100
    return Trees(model, baseline, trees, ranges_of(table.evidence))


@dataclass(frozen=True, slots=True)
class JudgedFamily:
    """A family scored by trees that never saw it.

    Attributes:
        false_rate: shape (number of ``SCORES``,): attempts called by mistake for each that came through.
        scores: shape (n,), of its examples.
        table: its examples.
    """

    false_rate: FloatArray
    scores: FloatArray
    table: Table


def outside(evidence: FloatArray, ranges: Sequence[tuple[float, float]]) -> npt.NDArray[np.bool_]:
    """Rows that are out of the depth of a fit, as `HabitFigures.out_of_depth` has it.

    Args:
        evidence: shape (n, number of features).
        ranges: lowest and highest value of each figure in what was fitted on.
    """
    low, high = np.array(ranges).T
    return ((evidence != UNKNOWN) & ((evidence < low) | (evidence > high))).sum(axis=1) > MOST_OUTSIDE  # type: ignore[no-any-return]


def judged(trees: Trees, parts: Parts) -> JudgedFamily:
    """Score a family.

    Args:
        trees: fitted without it.
        parts: its sets.
    """
    through_ascents = [one for _, examples in parts for one in examples.ascents if not one.stalled]
    lengths = np.cumsum([0, *(len(one.t_s) for one in through_ascents)])
    evidence = np.concatenate([one.evidence for one in through_ascents])
    scores = np.where(outside(evidence, trees.ranges), np.nan, trees.scores(evidence))
    highest = np.array([called_at(evidence[a:b], scores[a:b]).max() for a, b in itertools.pairwise(lengths)])
    table = table_of(parts)
    through = max(sum(examples.through for _, examples in parts), 1)
    rate = (highest[:, None] >= SCORES).sum(axis=0) / through
    return JudgedFamily(rate, trees.scores(table.evidence), table)


def told(trees: Trees, others: Mapping[str, JudgedFamily], fitted_on: Sequence[str]) -> Fitted:
    """Say what the score of trees means, and when each patience calls a stall, by families that trees had not seen.

    Args:
        trees: whose score it is.
        others: the families, by name.
        fitted_on: families that the trees did see.
    """
    patience: dict[str, float] = {}
    for name, most in MOST_FALSE.items():
        few = np.mean([one.false_rate for one in others.values()], axis=0) <= most
        patience[name] = float(SCORES[np.argmax(few)] if few.any() else SCORES[-1])
    knots = knots_of(
        np.concatenate([one.scores for one in others.values()]),
        np.concatenate([one.table.failed for one in others.values()]),
        np.concatenate([one.table.weight for one in others.values()]),
    )
    return Fitted(trees.baseline, trees.trees, trees.ranges, knots, patience, tuple(fitted_on))


def all_examples(families: Sequence[str], cache: Path | None, mapper: Mapper = map) -> dict[str, Parts]:
    """Examples of invented lifters and of every family, by family.

    Args:
        families: their names.
        cache: folder to keep them in.
        mapper: `map`, or a parallel version that keeps the order.
    """
    jobs = [(INVENTED, number, rate, cache) for rate, numbers in INVENTED_AT for number in numbers]
    jobs += [(name, number, "100 Hz", cache) for number in range(EACH_FAMILY) for name in families]
    out: dict[str, Parts] = {INVENTED: [], **{name: [] for name in families}}
    for (name, *_), found in zip(jobs, mapper(_examples, jobs), strict=True):
        out[name].append((1.0 if name == INVENTED else FAMILY_WEIGHT, found))
    return out


def _examples(job: tuple[str, int, str, Path | None]) -> SetExamples:
    name, number, rate, cache = job
    kept = None if cache is None else cache / name.replace(":", "_") / f"{number}.pkl"
    if kept is not None and kept.exists():
        known: SetExamples = pickle.loads(kept.read_bytes())  # our own file
        return known
    item = invented_set(number) if name == INVENTED else family_set(name, number)
    found = examples_of(item, RATES[rate], number)
    if kept is not None:
        kept.parent.mkdir(parents=True, exist_ok=True)
        kept.write_bytes(pickle.dumps(found))
    return found


def fits_of(examples: Mapping[str, Parts]) -> dict[str | None, Fitted]:
    """The fit on everybody under ``None``, and each without one family under its name.

    Args:
        examples: by family, the invented lifters among them.
    """
    families = [name for name in examples if name != INVENTED]
    without = {name: grown(table_of(_all_but(examples, name))) for name in families}
    unseen = {name: judged(without[name], examples[name]) for name in families}
    out: dict[str | None, Fitted] = {None: told(grown(table_of(_all_but(examples, None))), unseen, families)}
    for name in families:
        others = {other: judged_ for other, judged_ in unseen.items() if other != name}
        out[name] = told(without[name], others, tuple(others))
    return out


def _all_but(examples: Mapping[str, Parts], family: str | None) -> Parts:
    return [part for name, parts in examples.items() if name != family for part in parts]


def write(fits: Mapping[str | None, Fitted], families: Iterable[str]) -> None:
    """Write every fit where it is read from.

    Args:
        fits: as `fits_of` returns them.
        families: to write figures without.
    """
    MODULE.write_text(fits[None].as_module(), encoding="utf-8")
    for name in families:
        (DATA / left_out_name(name)).write_text(fits[name].as_json(), encoding="utf-8")


def main() -> None:
    """Fit on everybody and without each family, and write all of it."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else None)
    parser.add_argument("--cache", type=Path, help="folder to keep examples in")
    add_options(parser)
    arguments = parser.parse_args()
    families = family_names()
    with shared_out(arguments, "sets of known truth") as mapper:
        examples = all_examples(families, arguments.cache, mapper)
    write(fits_of(examples), families)


if __name__ == "__main__":
    # By its own name, so that other processes find what they are to run.
    from campaigns.fits.fit_stall_classifier import main as fit_by_name

    fit_by_name()
