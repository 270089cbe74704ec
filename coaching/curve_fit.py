"""Where a person's 1RM and load–velocity curve lie, given a few sets and what is expected of the exercise.

For a given 1RM the curve is linear in its figures, so its posterior is known exactly; the 1RM itself is gone through on
a grid. No start value, no local minimum, and a range that says what it leaves out. What is expected is in
`curve_prior`; what makes a result worth refusing is in `profile_doubts`.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

import numpy as np

from ebbset.coaching.curve_prior import CurvePrior, FloatArray
from ebbset.models.contract.constants import Z_INTERVAL

DAY_SD: Final = 0.019
"""A load that was lifted lies above the 1RM by no more than days differ: CV of 1.9 % (Ruf et al. 2018,
10.1519/JSC.0000000000002369)."""
TESTED_SHARE: Final = 0.35
TESTED_LOG_SD: Final = 0.2
"""Before anything is seen, every share of the 1RM is equally probable for the heaviest load: its probability falls in
proportion on a scale of logarithms, where an even one would take half of all tests to be made below a load of half the
1RM, and put the 1RM too high. Nobody tests with a heaviest load far below this share; there it falls as a bell besides.
Judgement: published profiles begin at 20 to 40 %, and one load alone, lifted fast, would otherwise leave any 1RM
possible."""
_POINTS: Final = 300
_NEGLIGIBLE: Final = 1e-9


@dataclass(frozen=True, slots=True)
class CurveEvidence:
    """What a fit rests on.

    Attributes:
        loads_n: loads with a velocity, shape (n,), newtons per cable.
        velocities_m_s: their velocities, shape (n,).
        strengths: logarithm of a 1RM in newtons and its standard deviation, of sets to failure and 1RMs lifted.
        velocity_sd_m_s: of a measured velocity.
    """

    loads_n: FloatArray
    velocities_m_s: FloatArray
    strengths: tuple[tuple[float, float], ...]
    velocity_sd_m_s: float

    def without_velocity(self, k: int) -> CurveEvidence:
        """The same without velocity number ``k``."""
        loads, velocities = np.delete(self.loads_n, k), np.delete(self.velocities_m_s, k)
        return CurveEvidence(loads, velocities, self.strengths, self.velocity_sd_m_s)

    def without_strength(self, k: int) -> CurveEvidence:
        """The same without strength number ``k``."""
        kept = (*self.strengths[:k], *self.strengths[k + 1 :])
        return CurveEvidence(self.loads_n, self.velocities_m_s, kept, self.velocity_sd_m_s)


@dataclass(frozen=True, slots=True)
class CurvePosterior:
    """The 1RM on a grid, and the curve given each.

    Attributes:
        log_one_rm: logarithm of the 1RM in newtons, shape (g,).
        weights: their probabilities, shape (g,), sum 1.
        means: of the curve's three figures given each, shape (g, 3), m/s.
        covariances: of them, shape (g, 3, 3).
        prior: what was expected.
    """

    log_one_rm: FloatArray
    weights: FloatArray
    means: FloatArray
    covariances: FloatArray
    prior: CurvePrior

    @property
    def log_mean_sd(self) -> tuple[float, float]:
        """Mean and standard deviation of the logarithm of the 1RM in newtons."""
        mean = float(self.weights @ self.log_one_rm)
        return mean, math.sqrt(max(float(self.weights @ (self.log_one_rm - mean) ** 2), 0.0))

    @property
    def one_rm(self) -> tuple[float, float]:
        """Median of the 1RM, and the standard deviation that its 80 % range means, newtons; long tails weigh little."""
        low, middle, high = (self.one_rm_quantile(share) for share in (0.1, 0.5, 0.9))
        return middle, (high - low) / (2.0 * Z_INTERVAL)

    def one_rm_quantile(self, share: float) -> float:
        """The 1RM below which this share of the probability lies, newtons."""
        return float(np.exp(np.interp(share, np.cumsum(self.weights) - 0.5 * self.weights, self.log_one_rm)))

    def figures(self) -> tuple[FloatArray, FloatArray]:
        """Velocity at no load and at 1RM on the controller's straight part, and the log 1RM.

        Returns:
            Their means, shape (3,), and their covariance, shape (3, 3).
        """
        straight = self.prior.straight_part()
        ends = self.means @ straight.T
        each = np.column_stack([ends, self.log_one_rm])
        mean = self.weights @ each
        spread = np.einsum("g,gi,gj->ij", self.weights, each - mean, each - mean)
        spread[:2, :2] += straight @ np.einsum("g,gij->ij", self.weights, self.covariances) @ straight.T
        return mean, spread

    def velocity(self, load_n: float) -> tuple[float, float]:
        """Mean and standard deviation of this person's velocity at a load, m/s.

        Args:
            load_n: newtons per cable.
        """
        share = load_n / np.exp(self.log_one_rm)
        columns = self.prior.basis(share)
        each = np.einsum("gi,gi->g", columns, self.means) + self.prior.bent(share)
        mean = float(self.weights @ each)
        within = np.einsum("gi,gij,gj->g", columns, self.covariances, columns)
        return mean, math.sqrt(max(float(self.weights @ ((each - mean) ** 2 + within)), 0.0))


def fit_curve(seen: CurveEvidence, prior: CurvePrior) -> CurvePosterior:
    """The posterior of 1RM and curve.

    Args:
        seen: one velocity or strength, or more.
        prior: what is expected of the curve.

    Raises:
        ValueError: nothing was seen.
    """
    if not seen.loads_n.size and not seen.strengths:
        raise ValueError("sets are 0; allowed: one or more")
    low, high = _reach(seen)
    for _ in range(2):
        grid = np.linspace(low, high, _POINTS)
        log_weights, means, covariances = _given(grid, seen, prior)
        weights = np.exp(log_weights - np.max(log_weights))
        likely = grid[weights > _NEGLIGIBLE]
        step = grid[1] - grid[0]
        low, high = float(likely[0] - step), float(likely[-1] + step)
    return CurvePosterior(grid, weights / weights.sum(), means, covariances, prior)


def _reach(seen: CurveEvidence) -> tuple[float, float]:
    """The logarithms of the 1RM between which it must lie."""
    ends = [(mean - 6.0 * sd, mean + 6.0 * sd) for mean, sd in seen.strengths]
    if seen.loads_n.size:
        heaviest = math.log(float(seen.loads_n.max()))
        ends.append((heaviest - 6.0 * DAY_SD, heaviest - math.log(TESTED_SHARE) + 6.0 * TESTED_LOG_SD))
    return min(low for low, _ in ends), max(high for _, high in ends)


def _given(grid: FloatArray, seen: CurveEvidence, prior: CurvePrior) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Log-probability of each 1RM, and mean and covariance of the curve's figures given it."""
    share = seen.loads_n[None, :] / np.exp(grid)[:, None]
    columns = prior.basis(share)
    precision = 1.0 / (seen.velocity_sd_m_s**2 + prior.misfit_sd_m_s**2)
    off = seen.velocities_m_s - columns @ prior.mean - prior.bent(share)
    inverse = np.linalg.inv(prior.covariance)
    information = inverse + precision * np.einsum("gni,gnj->gij", columns, columns)
    pull = precision * np.einsum("gni,gn->gi", columns, off)
    covariances = np.linalg.inv(information)
    moved = np.einsum("gij,gj->gi", covariances, pull)
    log_weights = 0.5 * np.einsum("gi,gi->g", pull, moved) - 0.5 * precision * np.einsum("gn,gn->g", off, off)
    log_weights -= 0.5 * np.linalg.slogdet(information)[1]
    for mean, sd in seen.strengths:
        log_weights -= 0.5 * ((grid - mean) / sd) ** 2
    if seen.loads_n.size:
        log_share = math.log(float(seen.loads_n.max())) - grid
        log_weights += log_share
        log_weights -= 0.5 * (np.maximum(log_share, 0.0) / DAY_SD) ** 2
        log_weights -= 0.5 * (np.minimum(log_share - math.log(TESTED_SHARE), 0.0) / TESTED_LOG_SD) ** 2
    return log_weights, prior.mean + moved, covariances


def strongest_contradiction(seen: CurveEvidence, prior: CurvePrior) -> tuple[float, str, int]:
    """The observation that the others expect least.

    Args:
        seen: two observations or more.
        prior: what is expected of the curve.

    Returns:
        By how many standard deviations it lies off what the others expect, signed; "velocity" or "strength"; its index.
    """
    found: list[tuple[float, str, int]] = []
    for k, (load_n, velocity_m_s) in enumerate(zip(seen.loads_n, seen.velocities_m_s, strict=True)):
        mean, sd = fit_curve(seen.without_velocity(k), prior).velocity(float(load_n))
        sd = math.hypot(sd, seen.velocity_sd_m_s, prior.misfit_sd_m_s)
        found.append(((float(velocity_m_s) - mean) / sd, "velocity", k))
    for k, (log_n, log_sd) in enumerate(seen.strengths):
        mean, sd = fit_curve(seen.without_strength(k), prior).log_mean_sd
        found.append(((log_n - mean) / math.hypot(sd, log_sd), "strength", k))
    return max(found, key=lambda one: abs(one[0]))
