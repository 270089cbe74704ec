"""Fits the exercise priors and the common standard deviations, on the tuning seed alone.

Run it by hand after the simulator or the estimator has changed: ``python -m campaigns.fits.fit_capacity FILE``. It
feeds the estimator many segmented sets of known truth, with and without a profile, and searches for the figures under
which the truth is most likely. The unseen seeds are not used.
"""

from __future__ import annotations

import argparse
import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, fields, replace
from pathlib import Path
from typing import Any, Final, TypeVar, cast

import numpy as np
import numpy.typing as npt
from scipy.optimize import minimize

from campaigns.fits.fitting_sets import SEEN_BY
from campaigns.fits.sharing import add_options, shared_out
from ebbset.controller.estimation.capacity import CapacityEstimator
from ebbset.controller.estimation.exercise_priors import ExercisePrior, Spread
from ebbset.controller.estimation.judgement import Judgement
from ebbset.controller.estimation.second_prior_figures import SECOND_PRIORS, SECOND_SPREAD
from ebbset.models.contract.constants import Z_INTERVAL
from ebbset.models.contract.profile import LifterProfile
from ebbset.models.contract.rig_messages import RepetitionOutcome
from ebbset.simulators.evaluation.estimates import (
    TO_FAILURE,
    EstimateErrors,
    Seen,
    compare,
    estimator_with,
    profile_written,
    tell,
    what_was_seen,
)
from ebbset.simulators.evaluation.ground_truth import true_set

FloatArray = npt.NDArray[np.float64]
T = TypeVar("T", ExercisePrior, Spread)
TUNING_SEED: Final = 0
FIRST_SET: Final = 1000
SETS: Final = 800
NEAR: Final = 5
SURPRISE_CAP: Final = 8.0
RESERVE_WEIGHT: Final = 1.5
ROUNDS: Final = 1
"""The search starts from the figures of the second version, whatever the present ones are; after a larger change of the
simulator it needs more."""
LEAST_COST_CV: Final = 0.08
LEAST_V1_SD_M_S: Final = 0.015
HEADER: Final = '''"""Exercise priors, and the standard deviations that hold for every exercise.

Written by campaigns/fits/fit_capacity.py from the tuning seed; do not edit. Simulated, not measured on people.
"""

from __future__ import annotations

from typing import Final

from ebbset.controller.estimation.exercise_priors import ExercisePrior, Spread

'''


@dataclass(frozen=True, slots=True)
class Example:
    """One set: what a controller saw of it, and the profile that a test would have given."""

    exercise: str
    one_rm_n: float
    seen: tuple[Seen, ...]
    profile: LifterProfile


def example(number: int) -> Example:
    """Draw one set of the tuning seed and observe it as a controller would."""
    item = true_set(np.random.default_rng([TUNING_SEED, number]), TO_FAILURE[number % len(TO_FAILURE)])
    profile = profile_written(item, np.random.default_rng([number, 11]))
    return Example(item.exercise, item.one_rm_n, tuple(what_was_seen(item, number, SEEN_BY)), profile)


# --- how unlikely the truth is to the estimator ------------------------------------------------------------------


def estimator_of(
    one: Example, profile: LifterProfile | None, prior: ExercisePrior, spread: Spread
) -> CapacityEstimator:
    """An estimator with these figures that takes its model at its word.

    With the doubt that is told beside the filter's own spreads, these would shrink to nothing: the doubt, which is
    fitted after them, already covers the errors.

    Args:
        one: the set.
        profile: the lifter's; ``None``: no profile.
        prior: of the exercise.
        spread: common standard deviations.
    """
    return estimator_with(one.exercise, profile, prior=prior, spread=spread, judgement=Judgement())


def surprise(estimator: CapacityEstimator, one: Example) -> list[float]:
    """For each repetition of a set, how unlikely the truth is and by how much the reserve is off.

    Args:
        estimator: which is fed the set.
        one: the set.
    """
    terms: list[float] = []
    done = 0
    for seen in one.seen:
        if seen.load_n <= 0.0:
            continue
        done += tell(estimator, seen)
        now, now_sd = estimator.capacity_n, estimator.capacity_sd_n
        fresh, fresh_sd = estimator.fresh_n, estimator.fresh_sd_n
        spent, spent_sd = estimator.budget_spent, estimator.budget_sd
        if seen.stall or done < 1 or now is None or fresh is None or spent is None:
            continue
        if now_sd is None or fresh_sd is None or spent_sd is None:
            continue
        true_now = one.one_rm_n * seen.capacity
        total = _unlikely((now - true_now) / true_now, now_sd / true_now)
        total += 2.0 * _unlikely(spent - (1.0 - seen.capacity), spent_sd)
        if done <= 4:
            total += _unlikely((fresh - one.one_rm_n) / one.one_rm_n, fresh_sd / one.one_rm_n)
        reserve, interval = estimator.repetitions_in_reserve, estimator.reserve_interval
        completed = seen.outcome is RepetitionOutcome.COMPLETED and done >= 2
        if completed and seen.left is not None and seen.left <= NEAR and reserve is not None and interval is not None:
            sd = max(0.1, (interval[1] - max(reserve, interval[0])) / Z_INTERVAL)
            total += RESERVE_WEIGHT * (3.0 * abs(reserve - seen.left) + _unlikely(reserve - seen.left, sd))
        terms.append(total)
    return terms


def _unlikely(error: float, sd: float) -> float:
    """Negative log-likelihood of an error, capped so that one outlier does not dominate the fit."""
    sd = max(sd, 1e-4)
    return min(SURPRISE_CAP, 0.5 * (error / sd) ** 2) + math.log(sd)


def loss(examples: Sequence[Example], priors: dict[str, ExercisePrior], spread: Spread) -> float:
    """Mean surprise, with a profile and without one.

    Args:
        examples: sets.
        priors: prior of each of their exercises.
        spread: common standard deviations.
    """
    terms = [
        term
        for one in examples
        for profile in (None, one.profile)
        for term in surprise(estimator_of(one, profile, priors[one.exercise], spread), one)
    ]
    return float(np.mean(terms))


# --- minimisation ------------------------------------------------------------------------------------------------


def _pack(value: ExercisePrior | Spread, signed: tuple[str, ...]) -> FloatArray:
    """Parameters as a vector: logarithms of those that must stay above zero, the others times ten."""
    rows = []
    for field in fields(value):
        number = getattr(value, field.name)
        rows.append(number * 10.0 if field.name in signed else math.log(number))
    return np.array(rows)


def _unpack(like: T, x: FloatArray, signed: tuple[str, ...]) -> T:
    values = {
        field.name: float(number / 10.0 if field.name in signed else math.exp(number))
        for field, number in zip(fields(like), x, strict=True)
    }
    if "cost_sd" in values:
        # people unlike all the simulated ones must remain possible
        values["cost_sd"] = max(values["cost_sd"], LEAST_COST_CV * values["cost"])
        values["v1_sd_m_s"] = max(values["v1_sd_m_s"], LEAST_V1_SD_M_S)
    return replace(like, **values)


STEPS: Final = (0.15, 0.3, 5.0, 0.3, 0.05, 0.05, 0.5, 0.3, 0.5, 0.3)
"""First steps of the search, in the order of `ExercisePrior`."""
SIGNED: Final = ("bend_m_s", "completes_at", "stalls_at", "v0_shift_m_s", "v1_shift_m_s")


def fit_exercise(job: tuple[str, ExercisePrior, Spread, tuple[Example, ...]]) -> ExercisePrior:
    """Fit the prior of one exercise, all else given.

    Args:
        job: exercise, prior to start from, common standard deviations, and the sets of this exercise.
    """
    exercise, start, spread, examples = job

    def cost(x: FloatArray) -> float:
        return loss(examples, {exercise: _unpack(start, x, SIGNED)}, spread)

    return _unpack(start, _least(cost, _pack(start, SIGNED), STEPS, 400), SIGNED)


def fit_spread(examples: Sequence[Example], priors: dict[str, ExercisePrior], start: Spread) -> Spread:
    """Fit the common standard deviations, the priors given.

    Args:
        examples: sets of every exercise.
        priors: prior of each exercise.
        start: where the search begins.
    """

    def cost(x: FloatArray) -> float:
        return loss(examples, priors, _unpack(start, x, ()))

    packed = _pack(start, ())
    return _unpack(start, _least(cost, packed, [0.3] * len(packed), 70), ())


def _least(cost: Callable[[FloatArray], float], start: FloatArray, steps: Sequence[float], most: int) -> FloatArray:
    """Minimise the cost from ``start`` with these first steps and at most ``most`` evaluations."""
    simplex = np.vstack([start, *(start + step for step in np.diag(steps))])
    # the stubs know neither a first simplex nor that the search may adapt to the number of parameters
    options = cast("Any", {"maxfev": most, "initial_simplex": simplex, "adaptive": True})
    return np.asarray(minimize(cost, start, method="Nelder-Mead", options=options).x)


def calibrated(examples: Sequence[Example], priors: dict[str, ExercisePrior], spread: Spread) -> Spread:
    """The spread whose 80 % intervals, with a profile, hold 80 % of the tuning sets' 1RM and capacity.

    Args:
        examples: sets.
        priors: prior of each of their exercises.
        spread: all but ``profile_sd`` is kept.
    """
    low, high = 0.0, 0.04
    for _ in range(7):
        spread = replace(spread, profile_sd=0.5 * (low + high))
        errors = EstimateErrors()
        for one in examples:
            estimator = estimator_of(one, one.profile, priors[one.exercise], spread)
            compare(one.one_rm_n, one.seen, estimator, errors)
        inside = 0.5 * (float(np.mean(errors.fresh_inside)) + float(np.mean(errors.capacity_inside)))
        low, high = (low, spread.profile_sd) if inside > 0.8 else (spread.profile_sd, high)
    return spread


def as_module(priors: dict[str, ExercisePrior], spread: Spread) -> str:
    """The source text of the controller's module, to four significant figures.

    Args:
        priors: prior of each exercise.
        spread: common standard deviations.
    """

    def told(value: ExercisePrior | Spread, indent: str) -> str:
        rows = (f"{indent}    {field.name}={getattr(value, field.name):.4g},\n" for field in fields(value))
        return f"{type(value).__name__}(\n{''.join(rows)}{indent})"

    body = "".join(f'    "{name}": {told(one, "    ")},\n' for name, one in priors.items())
    return f"{HEADER}EXERCISE_PRIORS: Final = {{\n{body}}}\nSPREAD: Final = {told(spread, '')}\n"


def main() -> None:
    """Fit and write."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("file", type=Path, help="module to write, e.g. controller/estimation/exercise_prior_figures.py")
    parser.add_argument("--sets", type=int, default=SETS, help="sets of the tuning seed")
    add_options(parser)
    arguments = parser.parse_args()
    with shared_out(arguments, "sets and priors") as mapper:
        examples = list(mapper(example, range(FIRST_SET, FIRST_SET + arguments.sets)))
        priors, spread = dict(SECOND_PRIORS), SECOND_SPREAD
        for _ in range(ROUNDS):
            jobs = [(k, one, spread, tuple(e for e in examples if e.exercise == k)) for k, one in priors.items()]
            priors = dict(zip(priors, mapper(fit_exercise, jobs), strict=True))
            spread = fit_spread(examples[::3], priors, spread)
    spread = calibrated(examples, priors, spread)
    arguments.file.write_text(as_module(priors, spread), encoding="utf-8")


if __name__ == "__main__":
    # By its own name, so that other processes find what they are to run.
    from campaigns.fits.fit_capacity import main as fit_by_name

    fit_by_name()
