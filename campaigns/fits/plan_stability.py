"""How stable the recommendation of a plan is: the same wishes, planned on other twins each time.

``python -m campaigns.fits.plan_stability --write`` renews the table of docs/plans.md. Each plan takes 16 twins, as
`ebbset plan` does. They are drawn from a pool; one of 160 gives ten plans that share no twin (half an hour on two
cores); from a smaller one twins are drawn with repetition.
"""

from __future__ import annotations

import argparse
import datetime
import sys
from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Final

import numpy as np

from campaigns.fits.sharing import add_options, shared_out
from ebbset.coaching.assumptions import report_draws
from ebbset.coaching.candidates import Wishes, candidates
from ebbset.coaching.plan import CandidateTrial, Judged, Plan, TrialResult, judge, recommend, run_trial
from ebbset.models.contract.profile import LifterProfile, Uncertain
from ebbset.models.physiology.stimulus import Draws
from ebbset.simulators.plant.rig_parameters import RigParameters
from ebbset.simulators.population.twin import draw_twins

PLANS: Final = 10
TWINS: Final = 16
POOL: Final = 160
DRAWS: Final = 400
SEED: Final = 0
RIG: Final = RigParameters()
PAGE: Final = Path("docs/plans.md")
BEGIN, END = "<!-- table: campaigns.fits.plan_stability -->\n", "<!-- end of table -->\n"


def _profile(exercise: str, one_rm_n: float, at_zero: float, at_1rm: float) -> LifterProfile:
    return LifterProfile(
        lifter="invented",
        exercise=exercise,
        date=datetime.date(2026, 1, 1),
        one_rm_n=Uncertain(mean=one_rm_n, sd=0.04 * one_rm_n),
        velocity_at_zero_m_s=Uncertain(mean=at_zero, sd=0.08),
        velocity_at_1rm_m_s=Uncertain(mean=at_1rm, sd=0.03),
    )


BENCH: Final = _profile("bench_press", 700.0, 1.9, 0.22)
ROW: Final = _profile("row", 600.0, 1.9, 0.5)
ASKED: Final[dict[str, tuple[LifterProfile, Wishes]]] = {
    "bench press, 2 min": (BENCH, Wishes(2.0)),
    "row, 6 min": (ROW, Wishes(6.0)),
    "row, 6 min, 3 sets later": (ROW, Wishes(6.0, later_sets=3)),
}
"""What is asked for; the lifters are invented."""


@dataclass(frozen=True, slots=True)
class Tried:
    """All candidates of one wish on every twin of the pool: results[candidate][twin]."""

    profile: LifterProfile
    wishes: Wishes
    results: tuple[tuple[TrialResult, ...], ...]

    def plan(self, twins: Sequence[int], draws: Draws) -> Plan[Judged]:
        """The plan that these twins give.

        Args:
            twins: their numbers in the pool.
            draws: draws of the assumptions.
        """
        found = candidates(self.profile, self.wishes, RIG)
        judged = [
            judge(one, [results[k] for k in twins], self.wishes, draws)
            for one, results in zip(found, self.results, strict=True)
        ]
        return recommend(judged, len(twins))


def drawings(pool: int, plans: int, twins: int) -> Iterator[list[int]]:
    """The twins of each plan: apart if the pool is large enough, else drawn from it with repetition.

    Args:
        pool: twins that there are.
        plans: how many plans.
        twins: of each.
    """
    rng = np.random.default_rng(SEED)
    for k in range(plans):
        if pool >= plans * twins:
            yield list(range(k * twins, (k + 1) * twins))
        else:
            # With repetition, so that plans differ as much as plans on new twins would.
            yield sorted(rng.choice(pool, twins).tolist())


def row(name: str, plans: Sequence[Plan[Judged]]) -> str:
    """A row of the table.

    Args:
        name: of the wish.
        plans: plans for it on different twins.
    """

    def counted(keys: list[str]) -> str:
        return ", ".join(f"{key} {count}" for key, count in Counter(keys).most_common()) or "none"

    winners = [plan.winner.candidate.key for plan in plans if plan.winner is not None]
    none = sum(plan.winner is None for plan in plans)
    suggested = [plan.suggestion.candidate.key for plan in plans if plan.suggestion is not None]
    worst = 0.0
    for plan in plans:
        choice = plan.suggestion
        if choice is None:
            continue
        fitting = [j for j in plan.judged if not j.obstacles]
        worst = max([worst, *(float(np.mean(j.net_pairs > choice.net_pairs)) for j in fitting)])
    return f"| {name} | {counted(winners)} | {none} | {counted(suggested)} | {worst:.0%} |".replace("%", " %")


def main() -> None:
    """Run, plan and write."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--write", action="store_true", help=f"write the table in {PAGE}")
    parser.add_argument("--pool", type=int, default=POOL, help="twins in the pool")
    add_options(parser)
    arguments = parser.parse_args()
    draws = report_draws(DRAWS)
    known: dict[tuple[str, float | None, float], tuple[tuple[TrialResult, ...], ...]] = {}
    rows = []
    with shared_out(arguments, "simulated sets") as mapper:
        for name, (profile, wishes) in ASKED.items():
            key = (profile.exercise, wishes.fatigue_left, wishes.minutes)
            if key not in known:
                people = draw_twins(profile, RIG, SEED, arguments.pool)
                trials = [
                    CandidateTrial(one, person, profile, RIG, SEED, k)
                    for one in candidates(profile, wishes, RIG)
                    for k, person in enumerate(people)
                ]
                done = list(mapper(run_trial, trials))
                n = len(people)
                known[key] = tuple(tuple(done[k : k + n]) for k in range(0, len(done), n))
            tried = Tried(profile, wishes, known[key])
            numbers = drawings(len(tried.results[0]), PLANS, TWINS)
            rows.append(row(name, [tried.plan(twins, draws) for twins in numbers]))
    text = (
        f"{PLANS} plans a row, {TWINS} twins each, from a pool of {arguments.pool}.\n\n"
        "| wish | clear winner | none | suggested | most pairs in which another beats the suggestion |\n"
        "|---|---|---|---|---|\n"
    ) + "\n".join(rows)
    sys.stdout.write(text + "\n")
    if arguments.write:
        before, _, rest = PAGE.read_text(encoding="utf-8").partition(BEGIN)
        PAGE.write_text(before + BEGIN + text + "\n" + END + rest.partition(END)[2], encoding="utf-8")


if __name__ == "__main__":
    # By its own name, so that other processes find what they are to run.
    from campaigns.fits.plan_stability import main as fit_by_name

    fit_by_name()
