"""How well capacity, 1RM of the day, repetitions in reserve and the budget are known, against the truth.

Estimators are fed with what a segmenter saw of sets of known truth: with no profile, a fresh one and a stale one.

Truth: momentary capacity is the fresh 1RM on this rig times the share of maximal force left; repetitions left are those
that the set went on to complete at the same load before its first stall.
"""

from __future__ import annotations

import datetime
import math
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any, Final, Literal

import numpy as np

from ebbset.controller.detection.segmenter import RepetitionSegmenter
from ebbset.controller.detection.signals import RepetitionEnded, StallSeen
from ebbset.controller.estimation.capacity import CapacityEstimator
from ebbset.controller.estimation.intervals import Estimates, estimates_of
from ebbset.controller.estimation.judgement import Judgement
from ebbset.controller.estimation.judgement_figures import CURRENT
from ebbset.models.contract.prescription import StallSection
from ebbset.models.contract.profile import LifterProfile, Uncertain
from ebbset.models.contract.rig_messages import RepetitionOutcome
from ebbset.models.physiology.load_velocity import LoadVelocityLine, generic_line
from ebbset.simulators.evaluation.detector_runs import RATES, measure
from ebbset.simulators.evaluation.ground_truth import TrueSet

Knowledge = Literal["no profile", "profile", "stale profile"]
TO_FAILURE: Final = ("maximal", "sticking_region", "talk", "jerking", "release", "as_drawn")
TEST_VELOCITY_SD: Final = 0.02
TEST_1RM_CV: Final = 0.025
"""Repeated 1RM tests differ by about 2 % (Ruf et al. 2018: CV 1.9 %), plus the day."""
STALE_PART: Final = 0.15
SETTLED: Final = 3
"""The 1RM of the day is judged after this many completed repetitions."""
LEAST_DONE: Final = 2
MOST_LEFT: Final = 5
"""Repetitions in reserve are judged after so many, and where at most this many are truly left."""


@dataclass(frozen=True, slots=True)
class Seen:
    """One observation of the segmenter, with the truth at that moment."""

    stall: bool
    t_s: float
    load_n: float
    velocity_m_s: float
    outcome: RepetitionOutcome
    load_changed: bool
    capacity: float
    left: int | None


@dataclass(frozen=True, slots=True)
class MomentTruth:
    """The truth when a repetition has ended; ``None`` for what is not known.

    Attributes:
        one_rm_n: fresh 1RM on this rig.
        capacity: share of it that is left.
        left: repetitions that were still completed at the same load before the first stall.
    """

    one_rm_n: float | None
    capacity: float | None
    left: int | None


@dataclass(slots=True)
class EstimateErrors:
    """Errors over sets: estimate less truth, and truths inside 80 % intervals as ones."""

    fresh: list[float] = field(default_factory=list)
    fresh_inside: list[float] = field(default_factory=list)
    capacity: list[float] = field(default_factory=list)
    capacity_inside: list[float] = field(default_factory=list)
    budget: list[float] = field(default_factory=list)
    budget_inside: list[float] = field(default_factory=list)
    reserve: list[float] = field(default_factory=list)
    reserve_inside: list[float] = field(default_factory=list)
    stale_said: list[float] = field(default_factory=list)

    def add(self, told: Estimates, truth: MomentTruth, *, done: int, completed: bool) -> None:
        """Compare what was told after one repetition with the truth.

        Args:
            told: the estimates with their intervals.
            truth: what is known of that moment.
            done: completed repetitions of the set so far.
            completed: the repetition was completed.
        """
        now, spent, fresh, reserve = told.capacity_n, told.budget_spent, told.one_rm_n, told.reserve
        if truth.one_rm_n is not None and truth.capacity is not None:
            true_now, true_spent = truth.one_rm_n * truth.capacity, 1.0 - truth.capacity
            if now.value is not None:
                self.capacity.append(now.value / true_now - 1.0)
                self.capacity_inside.append(float(now.holds(true_now)))
            if spent.value is not None:
                self.budget.append(spent.value - true_spent)
                self.budget_inside.append(float(spent.holds(true_spent)))
        if not completed:
            return
        if done == SETTLED and truth.one_rm_n is not None and fresh.value is not None:
            self.fresh.append(fresh.value / truth.one_rm_n - 1.0)
            self.fresh_inside.append(float(fresh.holds(truth.one_rm_n)))
        near_failure = truth.left is not None and truth.left <= MOST_LEFT and done >= LEAST_DONE
        if near_failure and truth.left is not None and reserve.value is not None:
            self.reserve.append(reserve.value - truth.left)
            self.reserve_inside.append(float(reserve.holds(truth.left)))

    def summary(self) -> dict[str, float]:
        """Figures as the report prints them."""

        def middle(values: list[float]) -> float:
            return float(np.median(np.abs(values))) if values else math.nan

        def part(values: list[float]) -> float:
            return float(np.mean(values)) if values else math.nan

        return {
            "sets": float(len(self.stale_said)),
            "one_rm_median_error": middle(self.fresh),
            "one_rm_bias": float(np.median(self.fresh)) if self.fresh else math.nan,
            "one_rm_in_80": part(self.fresh_inside),
            "capacity_median_error": middle(self.capacity),
            "capacity_in_80": part(self.capacity_inside),
            "budget_median_error": middle(self.budget),
            "budget_in_80": part(self.budget_inside),
            "reserve_mean_error": float(np.mean(np.abs(self.reserve))) if self.reserve else math.nan,
            "reserve_bias": part(self.reserve),
            "reserve_in_80": part(self.reserve_inside),
            "stale_said": part(self.stale_said),
        }


def what_was_seen(item: TrueSet, seed: int, stall: StallSection | None = None) -> list[Seen]:
    """Run the segmenter over a set and keep what an estimator would be given.

    Args:
        item: a set of known truth.
        seed: of the sensors' noise.
        stall: the stall rule; the default one if None.
    """
    rule = StallSection() if stall is None else stall
    segmenter = RepetitionSegmenter(stall=rule, line=generic_line(item.exercise), rom_m=None, has_force=True)
    measured = measure(item, segmenter, RATES["100 Hz"], np.random.default_rng(seed))
    first_stall_s = next((a.start_s for a in item.attempts if a.stalled and not a.continued), None)
    first_drop_s = item.drops[0][0] if item.drops else math.inf
    out: list[Seen] = []
    for signal in measured.signals:
        if not isinstance(signal, StallSeen | RepetitionEnded):
            continue
        is_stall = isinstance(signal, StallSeen)
        t_s = measured.true_s(signal.t_us if isinstance(signal, StallSeen) else signal.t_end_us)
        sample = min(len(item.applied_n) - 1, max(0, int(np.searchsorted(item.t_s, t_s - 0.05))))
        left = None
        if first_stall_s is not None and t_s < min(first_stall_s, first_drop_s):
            left = sum(t_s + 0.05 < a.start_s < first_stall_s and a.end_share > 0.85 for a in item.attempts)
        ended = signal if isinstance(signal, RepetitionEnded) else None
        out.append(
            Seen(
                stall=is_stall,
                t_s=t_s,
                load_n=float(item.applied_n[sample]),
                velocity_m_s=ended.mean_velocity_m_s if ended else 0.0,
                outcome=ended.outcome if ended else RepetitionOutcome.FAILED,
                load_changed=ended.load_changed if ended else False,
                capacity=float(item.capacity[min(len(item.capacity) - 1, sample // 5)]),
                left=left,
            )
        )
    return out


def profile_written(item: TrueSet, rng: np.random.Generator, off: float = 1.0) -> LifterProfile:
    """What a load–velocity test of this person on this rig would have written down; ``off``: how strong they were.

    Args:
        item: a set of known truth.
        rng: source of all randomness of the call.
        off: how strong the person was at the test, over today.
    """
    loads = [part for part, _ in item.tested_m_s]
    speeds = [v + TEST_VELOCITY_SD * float(rng.standard_normal()) for _, v in item.tested_m_s]
    slope, v0 = np.polyfit(loads, speeds, 1)
    v0 = float(v0)
    v1 = max(0.06, v0 + float(slope))
    one_rm = item.one_rm_n * off * (1.0 + TEST_1RM_CV * float(rng.standard_normal()))
    return LifterProfile(
        lifter="simulated",
        exercise=item.exercise,
        date=datetime.date(2026, 1, 1),
        one_rm_n=Uncertain(mean=one_rm, sd=0.035 * one_rm),
        velocity_at_zero_m_s=Uncertain(mean=v0, sd=0.05),
        velocity_at_1rm_m_s=Uncertain(mean=v1, sd=0.025),
        residual_sd_m_s=0.03,
    )


def estimator_with(exercise: str, profile: LifterProfile | None, **figures: Any) -> CapacityEstimator:
    """An estimator for a lifter in an exercise, with or without a profile.

    Args:
        exercise: name of the exercise.
        profile: the lifter's profile; ``None``: no profile.
        **figures: passed on to the estimator.
    """
    if profile is None:
        line = generic_line(exercise)
        return CapacityEstimator(line=line, one_rm_n=None, exercise=exercise, generic=True, **figures)
    line = LoadVelocityLine(
        profile.velocity_at_zero_m_s.mean,
        profile.velocity_at_zero_m_s.sd,
        profile.velocity_at_1rm_m_s.mean,
        profile.velocity_at_1rm_m_s.sd,
        profile.residual_sd_m_s,
    )
    return CapacityEstimator(line=line, one_rm_n=profile.one_rm_n, exercise=exercise, **figures)


def estimator_for(
    item: TrueSet, knowledge: Knowledge, rng: np.random.Generator, judgement: Judgement = CURRENT
) -> CapacityEstimator:
    """An estimator that knows this much about the person.

    Args:
        item: a set of known truth.
        knowledge: how much is known.
        rng: source of all randomness of the call.
        judgement: how far its estimates are trusted.
    """
    if knowledge == "no profile":
        return estimator_with(item.exercise, None, judgement=judgement)
    off = 1.0 if knowledge == "profile" else 1.0 + STALE_PART * (1.0 if rng.random() < 0.5 else -1.0)
    return estimator_with(item.exercise, profile_written(item, rng, off), judgement=judgement)


def tell(estimator: CapacityEstimator, seen: Seen) -> bool:
    """Give an estimator one observation; returns whether it was a completed repetition.

    Args:
        estimator: which takes it in.
        seen: the observation.
    """
    if seen.stall:
        estimator.stall(load_n=seen.load_n)
        return False
    estimator.repetition(
        load_n=seen.load_n,
        mean_velocity_m_s=seen.velocity_m_s,
        outcome=seen.outcome,
        load_changed=seen.load_changed,
    )
    return seen.outcome is RepetitionOutcome.COMPLETED


def compare(one_rm_n: float, seen: Sequence[Seen], estimator: CapacityEstimator, errors: EstimateErrors) -> None:
    """Feed one set of a lifter with this fresh 1RM to an estimator and add its errors.

    Args:
        one_rm_n: fresh 1RM, N.
        seen: what was seen of the set, oldest first.
        estimator: a fresh one.
        errors: added to in place.
    """
    done = 0
    for one in seen:
        if one.load_n <= 0.0:
            continue
        done += tell(estimator, one)
        if not one.stall and done:
            truth = MomentTruth(one_rm_n, one.capacity, one.left)
            errors.add(estimates_of(estimator), truth, done=done, completed=one.outcome is RepetitionOutcome.COMPLETED)
    errors.stale_said.append(float(estimator.profile_stale))


def errors_by_knowledge(
    items: Sequence[TrueSet],
    seen: Sequence[Sequence[Seen]],
    knowledges: Sequence[Knowledge],
    judgement: Judgement = CURRENT,
) -> dict[str, dict[str, float]]:
    """Errors and coverage of every estimate; a row for each state of knowledge about the lifters.

    Args:
        items: sets of known truth; their samples are not asked for.
        seen: what was seen of each.
        knowledges: how much is known. Who came through fewer than two test loads has no profile and is left out there.
        judgement: how far the estimates are trusted.
    """
    out: dict[str, dict[str, float]] = {}
    for knowledge in knowledges:
        errors = EstimateErrors()
        for seed, (item, one) in enumerate(zip(items, seen, strict=True)):
            if len(item.tested_m_s) < 2 and knowledge != "no profile":
                continue
            estimator = estimator_for(item, knowledge, np.random.default_rng([seed, 11]), judgement)
            compare(item.one_rm_n, one, estimator, errors)
        out[knowledge] = errors.summary()
    return out
