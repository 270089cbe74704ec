"""Fits how far the estimates are trusted, over families of lifters that differ in structure.

Run it by hand after a family, the simulator or the estimator has changed: ``python -m campaigns.fits.fit_judgement``.
It writes the figures that are shipped, fitted on every family, and beside them for each family those fitted without
it, by which an evaluation judges that family. ``--kept DIR`` keeps what was seen, so that a second run is quick.

Three things are fitted in turn: the prior of an exercise that nobody described, by the moments of the truth; the doubt
about each kind of estimate, so that its 80 % interval holds 80 % in each family, as nearly as one figure allows; and
how early a budget ends. The unseen seeds are not used.
"""

from __future__ import annotations

import argparse
import itertools
import math
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, fields, replace
from pathlib import Path
from typing import Any, Final

import numpy as np
import numpy.typing as npt

from campaigns.fits.judgement_examples import Example, examples
from campaigns.fits.judgement_modules import left_out_module, shipped_module
from campaigns.fits.sharing import add_options, shared_out
from ebbset.controller.estimation.capacity import CapacityEstimator
from ebbset.controller.estimation.exercise_prior_figures import EXERCISE_PRIORS
from ebbset.controller.estimation.exercise_priors import UNKNOWN, ExercisePrior
from ebbset.controller.estimation.intervals import estimates_of
from ebbset.controller.estimation.judgement import Judgement, StructuralDoubt
from ebbset.controller.estimation.repetitions_in_reserve import repetition_cost
from ebbset.models.contract.constants import INTERVAL_COVERAGE, Z_INTERVAL
from ebbset.models.contract.rig_messages import RepetitionOutcome
from ebbset.models.physiology.load_velocity import generic_line
from ebbset.simulators.evaluation.estimates import Knowledge, Seen, estimator_with, tell

FloatArray = npt.NDArray[np.float64]
FAMILIES: Final = ("compiled_muscle", "jointed", "motor_units", "published_statistics", "velocity_line")
SETS: Final = 60
KNOWLEDGE: Final[tuple[Knowledge, ...]] = ("no profile", "profile")
KINDS: Final = ("one_rm", "capacity", "budget", "reserve")
NEAR: Final = 5
PARTS: Final = tuple(float(x) for x in np.geomspace(0.01, 1.0, 45))
TOO_NARROW: Final = 2.0
"""An interval that collapses is worse than a wide one: a lack of coverage counts this much more than an excess."""
WIDTH: Final = 0.01
EARLY: Final = tuple(float(x) for x in np.arange(0.0, 2.01, 0.1))
LIMITS: Final = (0.2, 0.25, 0.3, 0.35, 0.4)
LEAST_SD: Final = ExercisePrior(0.0, 0.002, 0.0, 0.0, 0.0, 0.0, 0.0, 0.2, 0.0, 0.05)
"""Standard deviations between people that are not gone below, whatever a few simulated ones say (judgement)."""
ROOT: Final = Path(__file__).resolve().parents[2]
SHIPPED_FILE: Final = ROOT / "controller" / "estimation" / "judgement_figures.py"
LEFT_OUT_FILE: Final = ROOT / "simulators" / "evaluation" / "left_out_figures.py"


@dataclass(frozen=True, slots=True)
class Residual:
    """One estimate beside the truth: error, the filter's standard deviation, and what the doubt is a part of."""

    family: str
    error: float
    own_sd: float
    scale: float


# --- an exercise that nobody described ----------------------------------------------------------------------------


def unknown_prior(examples: Sequence[Example]) -> ExercisePrior:
    """The prior of an exercise without one, from true lines and losses in such exercises, each family counted alike.

    Args:
        examples: sets.
    """
    undescribed = [one for one in examples if one.exercise not in EXERCISE_PRIORS]
    costs = _moments([(one.family, cost) for one in undescribed for cost in _true_cost(one)])
    shifts = [(one.family, shift) for one in undescribed for shift in _true_shifts(one)]
    v0 = _moments([(family, shift[0]) for family, shift in shifts])
    v1 = _moments([(family, shift[1]) for family, shift in shifts])
    if costs is None or v0 is None or v1 is None:
        return UNKNOWN
    return replace(
        UNKNOWN,
        cost=costs[0],
        cost_sd=max(costs[1], LEAST_SD.cost_sd),
        v0_shift_m_s=v0[0],
        v0_sd_m_s=max(v0[1], LEAST_SD.v0_sd_m_s or 0.0),
        v1_shift_m_s=v1[0],
        v1_sd_m_s=max(v1[1], LEAST_SD.v1_sd_m_s or 0.0),
    )


def _moments(values: Sequence[tuple[str, float]]) -> tuple[float, float] | None:
    """Mean and standard deviation over people, with the same weight for every family."""
    if len(values) < 3:
        return None
    counts = {family: sum(name == family for name, _ in values) for family, _ in values}
    weights = np.array([1.0 / counts[family] for family, _ in values])
    numbers = np.array([number for _, number in values])
    mean = float(np.average(numbers, weights=weights))
    return mean, math.sqrt(float(np.average((numbers - mean) ** 2, weights=weights)))


def _true_cost(one: Example) -> list[float]:
    """The middle cost of a very fast repetition in a set; empty where no two repetitions follow each other."""
    costs = []
    for before, seen in itertools.pairwise([seen for seen in one.seen if not seen.stall]):
        if seen.outcome is RepetitionOutcome.COMPLETED and seen.velocity_m_s > 0.0 and before.capacity > 0.0:
            lost = 1.0 - seen.capacity / before.capacity
            costs.append(lost / repetition_cost(1.0, seen.velocity_m_s, UNKNOWN.seconds_at_1_m_s))
    return [float(np.median(costs))] if costs else []


def _true_shifts(one: Example) -> list[tuple[float, float]]:
    """Differences of this person's line from the generic one, at no load and at 1RM; empty without two tested loads."""
    if len(one.tested_m_s) < 2:
        return []
    slope, v0 = np.polyfit([load for load, _ in one.tested_m_s], [v for _, v in one.tested_m_s], 1)
    line = generic_line(one.exercise)
    return [(float(v0) - line.v0_m_s, float(v0 + slope) - line.v_1rm_m_s)]


# --- the doubt about each kind of estimate ------------------------------------------------------------------------


def estimator_of(one: Example, knowledge: Knowledge, judgement: Judgement) -> CapacityEstimator | None:
    """A fresh estimator for the lifter of a set; None where no profile could have been written.

    Args:
        one: the set.
        knowledge: how much is known.
        judgement: how far its estimates are trusted.
    """
    if knowledge == "no profile":
        return estimator_with(one.exercise, None, judgement=judgement)
    return None if one.profile is None else estimator_with(one.exercise, one.profile, judgement=judgement)


def residuals(examples: Sequence[Example], knowledge: Knowledge, judgement: Judgement) -> dict[str, list[Residual]]:
    """Every estimate that an evaluation judges, beside the truth, by its kind.

    Args:
        examples: sets.
        knowledge: how much is known of the lifter.
        judgement: with no doubt in it, so that the standard deviations are the filter's.
    """
    found: dict[str, list[Residual]] = {kind: [] for kind in KINDS}
    for one in examples:
        estimator = estimator_of(one, knowledge, judgement)
        if estimator is None:
            continue
        done = 0
        for seen in one.seen:
            if seen.load_n <= 0.0:
                continue
            done += tell(estimator, seen)
            if seen.stall or done == 0:
                continue
            for kind, row in _judged(one, seen, done, estimator):
                found[kind].append(row)
    return found


def _judged(one: Example, seen: Seen, done: int, estimator: CapacityEstimator) -> Iterator[tuple[str, Residual]]:
    told = estimates_of(estimator)
    now, now_sd, spent, spent_sd = (
        told.capacity_n.value,
        estimator.capacity_sd_n,
        told.budget_spent.value,
        estimator.budget_sd,
    )
    fresh, fresh_sd, left = told.one_rm_n.value, estimator.fresh_sd_n, told.reserve
    if now is None or now_sd is None or spent is None or spent_sd is None or fresh is None or fresh_sd is None:
        return
    yield "capacity", Residual(one.family, now - one.one_rm_n * seen.capacity, now_sd, now)
    yield "budget", Residual(one.family, spent - (1.0 - seen.capacity), spent_sd, spent)
    if seen.outcome is not RepetitionOutcome.COMPLETED:
        return
    if done == 3:
        yield "one_rm", Residual(one.family, fresh - one.one_rm_n, fresh_sd, fresh)
    if seen.left is not None and seen.left <= NEAR and done >= 2 and left.value is not None and left.high is not None:
        own = (left.high - left.value) / Z_INTERVAL
        yield "reserve", Residual(one.family, left.value - seen.left, own, 1.0 + left.value)


def fitted_part(rows: Sequence[Residual]) -> float:
    """The doubt under which each family's coverage is nearest to what is promised; of equals, the narrower.

    Args:
        rows: estimates beside the truth.
    """
    if not rows:
        return 0.0
    error = np.array([row.error for row in rows])
    own = np.array([row.own_sd for row in rows])
    scale = np.array([row.scale for row in rows])
    families = [np.array([row.family == name for row in rows]) for name in dict.fromkeys(row.family for row in rows)]

    def cost(part: float) -> float:
        sd = np.sqrt(own**2 + (part * scale) ** 2)
        inside = np.abs(error) <= Z_INTERVAL * sd
        off = [float(np.mean(inside[these])) - INTERVAL_COVERAGE for these in families]
        missed = sum((TOO_NARROW if x < 0.0 else 1.0) * x * x for x in off) / len(off)
        return missed + WIDTH * float(np.mean(np.log(sd / scale)))

    return min(PARTS, key=cost)


def fitted_parts(no_profile: Sequence[Residual], profile: Sequence[Residual]) -> tuple[float, float]:
    """The doubt without a profile and with one; who knows more never doubts more, so then both are fitted as one.

    Args:
        no_profile: estimates beside the truth.
        profile: the same with one.
    """
    parts = fitted_part(no_profile), fitted_part(profile)
    if parts[1] <= parts[0]:
        return parts
    both = fitted_part([*no_profile, *profile])
    return both, both


# --- how early a budget ends --------------------------------------------------------------------------------------


def repetitions_off(examples: Sequence[Example], knowledge: Knowledge, judgement: Judgement) -> dict[str, list[int]]:
    """Repetitions after (+) or before (-) the true budget at which a set would have ended, by family.

    Args:
        examples: sets; those that do not truly spend a budget are left out.
        knowledge: how much is known of the lifter.
        judgement: by which it ends.
    """
    found: dict[str, list[int]] = {}
    for one in examples:
        estimator = estimator_of(one, knowledge, judgement)
        if estimator is None:
            continue
        track = []
        for seen in one.seen:
            if seen.load_n > 0.0:
                tell(estimator, seen)
                counted = estimator.view().budget_counted
                if not seen.stall and counted is not None:
                    track.append((1.0 - seen.capacity, counted))
        for limit in LIMITS:
            true = next((k for k, (lost, _) in enumerate(track) if lost >= limit), None)
            ended = next((k for k, (_, counted) in enumerate(track) if counted >= limit), None)
            if true is not None:
                # a set that the estimate would not have ended goes on at least to the end of what was seen
                found.setdefault(one.family, []).append((len(track) if ended is None else ended) - true)
    return found


def fitted_early(
    examples: Sequence[Example], knowledge: Knowledge, doubt: StructuralDoubt, unknown: ExercisePrior
) -> StructuralDoubt:
    """With as early an end that the most budgets end within one repetition while late ends are rarer than early ones.

    Args:
        examples: sets.
        knowledge: how much is known of the lifter.
        doubt: about the other estimates.
        unknown: prior of an exercise that nobody described.
    """

    def worth(candidate: StructuralDoubt) -> tuple[bool, float]:
        off = repetitions_off(examples, knowledge, Judgement(candidate, candidate, unknown))
        within, late, early = (
            float(np.mean([np.mean(test(np.array(values))) for values in off.values()])) if off else 0.0
            for test in _ENDS
        )
        return late <= early, within

    return max((replace(doubt, early_sd=early) for early in EARLY), key=worth)


_ENDS: Final[tuple[Callable[[FloatArray], Any], ...]] = (
    lambda off: np.abs(off) <= 1,
    lambda off: off > 1,
    lambda off: off < -1,
)


def fitted(examples: Sequence[Example]) -> Judgement:
    """Every figure, on these sets.

    Args:
        examples: sets of the families to fit on.
    """
    unknown = _rounded(unknown_prior(examples))
    rows = [residuals(examples, knowledge, Judgement(unknown=unknown)) for knowledge in KNOWLEDGE]
    parts = {kind: fitted_parts(rows[0][kind], rows[1][kind]) for kind in KINDS}
    doubts = []
    for k, knowledge in enumerate(KNOWLEDGE):
        doubt = StructuralDoubt(**{kind: parts[kind][k] for kind in KINDS})
        doubts.append(_rounded(fitted_early(examples, knowledge, _rounded(doubt), unknown)))
    return Judgement(doubts[0], doubts[1], unknown)


def _rounded(value: Any) -> Any:
    """The same with four significant figures, so that what is judged is what is written."""
    changes = {
        f.name: float(f"{getattr(value, f.name):.4g}") for f in fields(value) if getattr(value, f.name) is not None
    }
    return replace(value, **changes)


def main() -> None:
    """Fit, write both files, and say what the figures came to on the sets that they were fitted on and without."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--sets", type=int, default=SETS, help="sets of each family")
    parser.add_argument("--kept", type=Path, default=None, help="folder in which what was seen of the sets is kept")
    add_options(parser)
    arguments = parser.parse_args()
    with shared_out(arguments, "sets and figures") as mapper:
        found = examples([(name, k) for k in range(arguments.sets) for name in FAMILIES], arguments.kept, mapper)
        without = [[one for one in found if one.family != name] for name in FAMILIES]
        shipped, *others = mapper(fitted, [found, *without])
    left_out = dict(zip(FAMILIES, others, strict=True))
    SHIPPED_FILE.write_text(shipped_module(shipped), encoding="utf-8")
    LEFT_OUT_FILE.write_text(left_out_module(left_out), encoding="utf-8")


if __name__ == "__main__":
    # By its own name, so that other processes find what they are to run.
    from campaigns.fits.fit_judgement import main as fit_by_name

    fit_by_name()
