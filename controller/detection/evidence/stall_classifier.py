"""The stall classifier: a sum of small decision trees over the evidence of an ascent, and the probability of a score.

What lives here: the evaluator of the trees, and score against probability. The figures are in
`stall_classifier_figures`. What never does: what the evidence is (`stall_evidence`), the decision (`stall`).
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Any, Final

from ebbset.controller.detection.evidence.stall_classifier_figures import KNOTS, Node

LARGE: Final = 0.4
FIRST_STOP: Final = 14
STOP_EVERY: Final = 8
# Chosen by timing the score over the looks of simulated sets.
ROUNDING: Final = 1e-4
"""More than rounding can add to a sum of all trees."""

Score = Callable[[Sequence[float], float], float]
Knots = Sequence[tuple[float, float]]
"""Score, and the share of such ascents that failed; both rising."""


def most_of(node: Node) -> float:
    """Largest value that a tree can return."""
    return max(most_of(node[2]), most_of(node[3])) if isinstance(node, tuple) else node


def compiled(baseline: float, trees: Sequence[Node], features: int, *, module: str) -> Score:
    """A function that adds the trees up in their order: ``score(evidence, least)``.

    It is compiled once into one expression a tree, since walking through the tuples takes four times as long.

    Args:
        baseline: score before the first tree.
        trees: roots of the trees.
        features: length of an evidence vector.
        module: name of the module that the function belongs to.
    """
    names: dict[str, Any] = {"__name__": module}
    # one name for each figure: the trees ask for them several hundred times
    head = f"def score(evidence, least):\n    {', '.join(f'e{k}' for k in range(features))} = evidence\n"
    exec(compile(head + body_of(baseline, trees), "<stall classifier>", "exec"), names)
    score: Score = names["score"]
    return score


def body_of(baseline: float, trees: Sequence[Node]) -> str:
    """The body of such a function, for figures by the names ``e0``, ``e1`` and so on.

    Most ascents come through, and for most looks that shows long before the last tree: a score under ``least`` may come
    out as any number under ``least``. A tree that can add much for a few ascents would keep the question open, so those
    few are asked first; they are added in their place all the same.

    Args:
        baseline: score before the first tree.
        trees: roots of the trees.
    """
    most = [most_of(tree) for tree in trees]
    large = [k for k in range(FIRST_STOP + 1, len(trees)) if most[k] > LARGE]
    lines = [f"    t{k} = {_expression(trees[k])}" for k in large]
    lines.append(f"    s = {baseline!r}")
    for k, tree in enumerate(trees):
        lines.append(f"    s += {f't{k}' if k in large else _expression(tree)}")
        if FIRST_STOP <= k < len(trees) - 1 and (k - FIRST_STOP) % STOP_EVERY == 0:
            waiting = [f"t{j}" for j in large if j > k]
            rest = sum(most[j] for j in range(k + 1, len(trees)) if j not in large) + ROUNDING
            lines.append(f"    if (m := {' + '.join(['s', *waiting, repr(rest)])}) < least: return m")
    lines.append("    return s")
    return "\n".join(lines)


def _expression(node: Node) -> str:
    if not isinstance(node, tuple):
        return repr(node)
    feature, threshold, low, high = node
    return f"({_expression(low)} if e{feature} <= {threshold!r} else {_expression(high)})"


def probability_of(score: float, knots: Knots = KNOTS) -> float:
    """Share of such ascents that failed in the tuning sets, linear between knots.

    Args:
        score: of the ascent.
        knots: what a score means.
    """
    before = knots[0]
    if score <= before[0]:
        return before[1]
    for knot in knots[1:]:
        if score < knot[0]:
            return before[1] + (knot[1] - before[1]) * (score - before[0]) / (knot[0] - before[0])
        before = knot
    return before[1]


def score_of(probability: float, knots: Knots = KNOTS) -> float:
    """Lowest score that means at least this probability; above the last knot the last slope is extrapolated.

    Args:
        probability: asked for.
        knots: what a score means.
    """
    before = knots[0]
    for knot in knots[1:]:
        if knot[1] >= probability and knot[1] > before[1]:
            return before[0] + (knot[0] - before[0]) * (probability - before[1]) / (knot[1] - before[1])
        before = knot
    return before[0] + 10.0 * (probability - before[1])
