"""Draws of the assumptions behind `models.physiology.stimulus`, constrained by published trials.

Plausible values are drawn from each assumption's own spread, weighted by how well they explain the trials, and
resampled by weight, so that values which contradict the trials are rare. Randomness comes from the generator passed in.
Nothing here depends on a lifter or a set.
"""

from __future__ import annotations

from functools import lru_cache
from typing import Final

import numpy as np

from ebbset.models.physiology.stimulus import ASSUMPTIONS, Assumption, Draws, FloatArray, log_likelihood

PRIOR_DRAWS: Final = 20_000
REPORT_SEED: Final = 20_261_125
"""Seed of the draws behind reports and plans, so that the same recording always gives the same figures."""
_LEAST_GROWTH: Final = 0.1


def prior_draws(rng: np.random.Generator, n: int) -> Draws:
    """Draw every assumption from its prior, before the trials are taken into account.

    Args:
        rng: generator.
        n: number of draws.
    """
    values = {name: _drawn(rng, a, n) for name, a in ASSUMPTIONS.items()}
    values["growth"] = np.maximum(values["growth"], _LEAST_GROWTH)
    return Draws.of(values)


def _drawn(rng: np.random.Generator, assumption: Assumption, n: int) -> FloatArray:
    if assumption.kind == "normal":
        return rng.normal(assumption.a, assumption.b, n)
    drawn = rng.uniform(assumption.a, assumption.b, n)
    if assumption.kind == "uniform":
        return drawn
    return np.where(drawn < 0.5 * (assumption.a + assumption.b), assumption.a, assumption.b)


def draw_assumptions(rng: np.random.Generator, n: int) -> Draws:
    """Draw every assumption after the trials: systematic importance resampling of `PRIOR_DRAWS` prior draws.

    Args:
        rng: source of the draws.
        n: number of draws, 1 to 10 000.

    Raises:
        ValueError: ``n`` outside 1 to 10 000.
    """
    if not 1 <= n <= 10_000:
        raise ValueError(f"n is {n!r}; allowed: 1 to 10000")
    prior = prior_draws(rng, PRIOR_DRAWS)
    log_weight = log_likelihood(prior)
    weight = np.exp(log_weight - log_weight.max())
    edges = np.cumsum(weight / weight.sum())
    index = np.searchsorted(edges, (np.arange(n) + rng.random()) / n).clip(max=PRIOR_DRAWS - 1)
    return prior.take(rng.permutation(index))


@lru_cache(maxsize=4)
def report_draws(n: int = 1_000) -> Draws:
    """The ``n`` draws that reports, plans and comparisons share; the same in every run."""
    return draw_assumptions(np.random.default_rng(REPORT_SEED), n)


def as_markdown(draws: Draws) -> str:
    """The assumptions as a Markdown table: each with its spread before and after the trials, and its source."""
    lines = ["| assumption | before the trials | after them, 80 % | from |", "|---|---|---|---|"]
    for name, a in ASSUMPTIONS.items():
        values = getattr(draws, name)
        if a.kind == "either":
            before, after = (
                "one or the other, equally likely",
                f"the second in {np.mean(values == a.b):.0%} of the draws",
            )
        else:
            before = f"{a.a:.2f} ± {a.b:.2f}" if a.kind == "normal" else f"uniform, {a.a:g} to {a.b:g}"
            low, middle, high = np.quantile(values, (0.1, 0.5, 0.9))
            after = f"{middle:.2f} ({low:.2f} to {high:.2f})"
        lines.append(f"| {a.label} | {before} | {after} | {a.source} |")
    return "\n".join(lines) + "\n"
