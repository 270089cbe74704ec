"""The same judgement on every family of lifters, side by side: stalls, estimates, steps and budgets.

A figure is only as good as the population that it was shown on. So each family has its own rows here, and what is asked
of a family is asked of each.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any, Final

import numpy as np

from ebbset.controller.estimation.judgement import Judgement
from ebbset.controller.estimation.judgement_figures import CURRENT
from ebbset.simulators.evaluation.detector_runs import without_samples
from ebbset.simulators.evaluation.estimates import Knowledge, Seen, errors_by_knowledge, what_was_seen
from ebbset.simulators.evaluation.ground_truth import OWN_BEHAVIOURS, TrueSet, true_set
from ebbset.simulators.evaluation.left_out_figures import LEFT_OUT
from ebbset.simulators.evaluation.sizing import (
    BudgetRun,
    SizingRun,
    budget_run,
    budget_summary,
    sizing_runs,
    sizing_summary,
)
from ebbset.simulators.evaluation.stall_rules import (
    BALANCED,
    DWELL,
    SetCompared,
    StallRules,
    compared_on,
    rules_of,
    unseen_figures,
)
from ebbset.simulators.population.families import COMPILED

STEP_POLICY: Final = "3 repetitions wanted"
KNOWLEDGE: Final[tuple[Knowledge, ...]] = ("no profile", "profile")
COVERED: Final = ("one_rm_in_80", "reserve_in_80", "capacity_in_80", "budget_in_80")
"""Shares of truths inside the 80 % intervals."""


@dataclass(frozen=True, slots=True)
class FamilySize:
    """How much is simulated of each family.

    Attributes:
        sets: sets of known truth, for stalls and estimates.
        people: closed-loop sets with drops, and as many with a budget.
    """

    sets: int
    people: int


LONG: Final = FamilySize(sets=60, people=30)
SHORT: Final = FamilySize(sets=3, people=2)


@dataclass(frozen=True, slots=True)
class FamilyResult:
    """What was measured on one family; rows of plain figures.

    Attributes:
        family: which.
        rules: what several stall rules did on the same sets.
        estimates: by what was known of the lifter, see `EstimateErrors.summary`.
        left_out: the same, told by figures that were fitted without this family; None: no figures saw it, so that
            ``estimates`` are left out already.
        steps: of the stall rule "habits" by figures that never saw the family, see `sizing_summary`.
        dwell_steps: the same with the stall rule "dwell".
        budget: by estimates that never saw it, see `budget_summary`.
    """

    family: str
    rules: StallRules
    estimates: dict[str, dict[str, float]]
    left_out: dict[str, dict[str, float]] | None
    steps: dict[str, float]
    dwell_steps: dict[str, float]
    budget: dict[str, float]

    @property
    def stalls(self) -> dict[str, Any]:
        """What the stall rule "habits" did by figures that never saw this family, see `stalls.summary`."""
        return self.rules.unseen

    @property
    def unseen(self) -> dict[str, dict[str, float]]:
        """Estimates by figures that never saw this family."""
        return self.estimates if self.left_out is None else self.left_out

    def left_out_row(self) -> dict[str, Any]:
        """One line of the table of coverage by figures that never saw the family."""
        return {
            "family": self.family,
            **{
                f"{key}{'' if knowledge == 'no profile' else '_with_profile'}": self.unseen[knowledge][key]
                for knowledge in KNOWLEDGE
                for key in COVERED
            },
        }

    def row(self) -> dict[str, Any]:
        """One line of the table over all families."""
        plain, known = (self.estimates[knowledge] for knowledge in KNOWLEDGE)
        return {
            "family": self.family,
            "completed_attempts": self.stalls["came_through"],
            "false_drops_each": self.stalls["false_rate"],
            "stalls": self.stalls["stalls"],
            "called_in_the_attempt": self.stalls.get("called_in_attempt", math.nan),
            "median_latency_s": self.stalls.get("median_latency_s", math.nan),
            "slowest_tenth_s": self.stalls.get("slowest_tenth_s", math.nan),
            "settings_of_dwell_beaten": self.rules.dominated,
            "steps_within_1": self.steps["within_1"],
            "steps_within_1_with_dwell": self.dwell_steps["within_1"],
            "steps_without_any": self.steps["none_at_all"],
            "one_rm_median_error": plain["one_rm_median_error"],
            "one_rm_in_80": plain["one_rm_in_80"],
            "reserve_mean_error": plain["reserve_mean_error"],
            "reserve_in_80": plain["reserve_in_80"],
            "capacity_in_80": plain["capacity_in_80"],
            "budget_median_error": plain["budget_median_error"],
            "budget_in_80": plain["budget_in_80"],
            "one_rm_median_error_with_profile": known["one_rm_median_error"],
            "one_rm_in_80_with_profile": known["one_rm_in_80"],
            "reserve_in_80_with_profile": known["reserve_in_80"],
            "budget_in_80_with_profile": known["budget_in_80"],
            "budgets_ended_within_1": self.budget["within_1_repetition"],
            "mean_repetitions_late": self.budget["mean_repetitions_late"],
            "invariants_broken": self.steps["floor_broken"] + self.steps["violations"],
        }


def judged(family: str, seed: int, size: FamilySize, map_: Any = map, judgement: Judgement = CURRENT) -> FamilyResult:
    """Measure everything on one family.

    Args:
        family: which.
        seed: of all randomness.
        size: how much is simulated.
        map_: a map over jobs; may run them in several processes.
        judgement: how far the controller trusts its estimates, where no figures stand in `left_out_figures`.

    Raises:
        FamilyError: the family cannot be used.
    """
    without = LEFT_OUT.get(family)
    sets: list[_Ran] = list(map_(_set_job, [(family, seed, k) for k in range(size.sets)]))
    items, seen = [one.item for one in sets], [one.seen for one in sets]
    rules = rules_of(family, items, [one.rules for one in sets])
    people = [(family, seed, k, judgement if without is None else without) for k in range(size.people)]
    steps: list[list[SizingRun]] = list(map_(_step_job, people))
    budgets: list[BudgetRun] = list(map_(_budget_job, people))
    return FamilyResult(
        family=family,
        rules=rules,
        estimates=errors_by_knowledge(items, seen, KNOWLEDGE, judgement),
        left_out=None if without is None else errors_by_knowledge(items, seen, KNOWLEDGE, without),
        steps=sizing_summary([ours for ours, _ in steps]),
        dwell_steps=sizing_summary([plain for _, plain in steps]),
        budget=budget_summary(budgets),
    )


def set_of(family: str, seed: int, number: int) -> TrueSet:
    """One set of known truth of one family; the same for the same seed and number.

    Args:
        family: which.
        seed: of all randomness.
        number: of the set.

    Raises:
        FamilyError: the family cannot be used.
    """
    behaviour = OWN_BEHAVIOURS[number % len(OWN_BEHAVIOURS)] if family == COMPILED else "as_drawn"
    return true_set(np.random.default_rng([seed, number, 17]), behaviour, None, family)


@dataclass(frozen=True, slots=True)
class _Ran:
    """One set: the truth without the samples, which are megabytes, and what was made of them."""

    item: TrueSet
    seen: list[Seen]
    rules: SetCompared


def _set_job(job: tuple[str, int, int]) -> _Ran:
    family, _, number = job
    item = set_of(*job)
    rules = compared_on(family, item, number)
    return _Ran(without_samples(item), what_was_seen(item, number), rules)


def _step_job(job: tuple[str, int, int, Judgement]) -> list[SizingRun]:
    family, seed, k, judgement = job
    return sizing_runs(seed, k, STEP_POLICY, family, (BALANCED, DWELL), unseen_figures(family), judgement)


def _budget_job(job: tuple[str, int, int, Judgement]) -> BudgetRun:
    family, seed, k, judgement = job
    return budget_run(seed, k, family_name=family, judgement=judgement)
