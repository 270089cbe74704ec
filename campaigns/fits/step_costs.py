"""What a step between two stalls costs lifters of every family, seen with drops that are drawn at random.

``python -m campaigns.fits.step_costs`` prints, for each family and for all, by how much a repetition of a step lowered
the load that stalls, how widely that varies, and how alike two steps of one person are. `step_figures` rests on it;
nothing is fitted here.
"""

from __future__ import annotations

import argparse
import itertools
import sys
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from functools import partial
from typing import Any, ClassVar, Final

import numpy as np

from campaigns.fits.sharing import add_options, shared_out
from ebbset.controller.estimation.judgement_figures import CURRENT
from ebbset.controller.estimation.step_figures import STEP_FIGURES
from ebbset.controller.policies.policy import DropView, PolicyFactory, Proposal, number_parameter, reject_unknown
from ebbset.controller.regulation.set_controller import SetController
from ebbset.simulators.closed_loop.closed_loop import run_set
from ebbset.simulators.evaluation.by_family import STEP_POLICY
from ebbset.simulators.evaluation.left_out_figures import LEFT_OUT
from ebbset.simulators.evaluation.sizing import RIG, drops_and_steps, order_for, person
from ebbset.simulators.evaluation.stall_rules import BALANCED, unseen_figures
from ebbset.simulators.population.strength_test import one_rm_n

SEED: Final = 501
PEOPLE: Final = 40
LEAST_DROP, MOST_DROP = 0.03, 0.20
TOLD_FROM: Final = 0.06
"""A smaller drop leaves no repetition to most people, and then says little of what one costs."""


@dataclass(frozen=True, slots=True)
class DrawnDrops:
    """A drop policy that draws each drop, as a part of the load; its state is the number of the next.

    Args:
        seed: of the drops.
    """

    seed: int
    name: ClassVar[str] = "drawn"

    @classmethod
    def from_parameters(cls, parameters: Mapping[str, Any]) -> DrawnDrops:
        """Build the policy from a prescription's parameters.

        Args:
            parameters: ``seed``.

        Raises:
            BadDocumentError: a parameter is unknown or out of range.
        """
        reject_unknown(parameters, ("seed",), policy=cls.name)
        return cls(int(number_parameter(parameters, "seed", 0.0, low=0.0, high=1e9, policy=cls.name)))

    def initial(self) -> int:
        """The first drop."""
        return 0

    def propose(self, state: int, view: DropView) -> tuple[int, Proposal]:
        """Draw a drop."""
        drop = float(np.random.default_rng([self.seed, state]).uniform(LEAST_DROP, MOST_DROP))
        return state + 1, Proposal(view.load_n * (1.0 - drop), "drawn")


@dataclass(frozen=True, slots=True)
class Step:
    """One step: the drop that began it, as a part of the load, and the repetitions that it gave."""

    drop: float
    repetitions: int

    @property
    def cost(self) -> float:
        """Part of the load for each repetition, the failing one counted as in `step_figures`."""
        return self.drop / (self.repetitions + STEP_FIGURES.beside)


def steps_of(job: tuple[str, int, int]) -> list[Step]:
    """Run one set, and tell its steps, oldest first.

    Args:
        job: family of lifters, seed and number of the person.
    """
    family, seed, number = job
    lifter, rng = person(seed, number, family)
    part = float(rng.uniform(0.7, 0.88))
    drop = {"policy": DrawnDrops.name, "parameters": {"seed": 1000 * seed + number}}
    order = order_for(lifter, one_rm_n(lifter, RIG), part, STEP_POLICY, stall=BALANCED, drop=drop)
    policies: dict[str, PolicyFactory] = {DrawnDrops.name: DrawnDrops}
    controller = partial(SetController, policies, LEFT_OUT.get(family, CURRENT), unseen_figures(family))
    seeds = np.random.SeedSequence([seed, number, 5])
    done = run_set(order, lifter, RIG, seed=seeds, controller_factory=controller)
    drops, rows = drops_and_steps(done, order, DrawnDrops.name, wanted=0.0)
    loads_n = [order.load.start_n, *(load_n for _, load_n in drops)]
    return [Step(1.0 - loads_n[row.step] / loads_n[row.step - 1], row.achieved) for row in rows]


def row_of(name: str, sets: Iterable[Sequence[Step]]) -> str:
    """One line of the table.

    Args:
        name: of the family.
        sets: steps of each set, oldest first.
    """
    told = [[np.log(step.cost) for step in steps if step.drop >= TOLD_FROM] for steps in sets]
    costs = np.array([cost for one in told for cost in one])
    pairs = np.array([pair for one in told for pair in itertools.pairwise(one)])
    alike = f"{np.corrcoef(pairs.T)[0, 1]:.2f} ({len(pairs)})" if len(pairs) > 2 else "–"
    return f"| {name} | {len(costs)} | {np.exp(costs.mean()):.1%} | {np.exp(costs.std()):.2f} | {alike} |"


def main(argv: Sequence[str] | None = None) -> None:
    """Print the table.

    Args:
        argv: arguments; those of the command line if None.
    """
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else None)
    parser.add_argument("--people", type=int, default=PEOPLE, help="of each family")
    parser.add_argument("--seed", type=int, default=SEED)
    add_options(parser)
    options = parser.parse_args(argv)
    families = tuple(LEFT_OUT)
    with shared_out(options, "sets") as mapper:
        jobs = [(family, options.seed, k) for family in families for k in range(options.people)]
        found = list(mapper(steps_of, jobs))
    rows = [
        "| family | steps | cost of a repetition | factor of one SD | alike, two steps of a person (pairs) |",
        "|---|---|---|---|---|",
        *(
            row_of(f"`{family}`", found[k * options.people : (k + 1) * options.people])
            for k, family in enumerate(families)
        ),
        row_of("all", found),
    ]
    sys.stdout.write("\n".join(rows) + "\n")


if __name__ == "__main__":
    # By its own name, so that other processes find what they are to run.
    from campaigns.fits.step_costs import main as tell_by_name

    tell_by_name()
