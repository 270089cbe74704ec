"""Draws of the assumptions behind `models.physiology.stimulus`, constrained by published trials.

Plausible values are drawn from each assumption's own spread, weighted by how well they explain the trials, and
resampled by weight, so that values which contradict the trials are rare. Randomness comes from the generator passed in.
Nothing here depends on a lifter or a set.
"""

from __future__ import annotations

from functools import lru_cache
from typing import Final

import numpy as np

from ebbset.models.physiology.stimulus import ASSUMPTIONS, Draws, log_likelihood

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
    values = {
        name: rng.normal(a.a, a.b, n) if a.kind == "normal" else rng.uniform(a.a, a.b, n)
        for name, a in ASSUMPTIONS.items()
    }
    values["growth"] = np.maximum(values["growth"], _LEAST_GROWTH)
    return Draws.of(values)


def draw_assumptions(rng: np.random.Generator, n: int) -> Draws:
    """Draw every assumption after the trials: systematic importance resampling of `PRIOR_DRAWS` prior draws.

    Args:
        rng: generator.
        n: number of draws.

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
        before = f"{a.a:.2f} ± {a.b:.2f}" if a.kind == "normal" else f"{a.a:g} to {a.b:g}, all alike"
        low, middle, high = np.quantile(getattr(draws, name), (0.1, 0.5, 0.9))
        lines.append(f"| {a.label} | {before} | {middle:.2f} ({low:.2f} to {high:.2f}) | {a.source} |")
    return "\n".join(lines) + "\n"
