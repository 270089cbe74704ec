"""Search the parameters of a drop policy on some families of simulated lifters, and judge the result on others.

The policy takes a part of the load off that shrinks from drop to drop and grows with how far the estimated capacity has
fallen below the load. Differential evolution (SciPy) searches its three parameters for the reward `worth_within_budget`
on training families. On families that the search never saw, each lifter then does one set with the policy found and one
with a fixed fifth, with the same random numbers; the difference is told with its 95 % interval over lifters.

Needs ``ebbset[bodies,environment]``, without `bodies` leave `jointed` out. Everything is simulated: a reason to try
something on people, no evidence that it works on them.

    python examples/search_policy.py
    python examples/search_policy.py --train compiled_muscle --judge velocity_line --persons 2 --generations 1
    python examples/search_policy.py --found 0.3 0.8 0.5 --judge jointed
"""

from __future__ import annotations

import argparse
import time
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
from scipy.optimize import Bounds, differential_evolution

from ebbset.coaching.compare import Interval
from ebbset.controller.policies.built_in import FixedFraction
from ebbset.controller.policies.checker import check_policy
from ebbset.controller.policies.policy import DropPolicy, DropView, Proposal, number_parameter, reject_unknown
from ebbset.models.contract.problems import BadDocumentError
from ebbset.simulators.environment import DropSetEnvironment, play

FloatArray = npt.NDArray[np.float64]
BOUNDS = {"first": (0.03, 0.6), "shrink": (0.4, 1.0), "gain": (0.0, 3.0)}
REWARD = "worth_within_budget"
START_SHARE = 0.85
"""First load over a lifter's 1RM: heavy enough that several drops follow before the budget is spent."""
FIFTH = FixedFraction(0.2)


@dataclass(frozen=True, slots=True)
class ShrinkingDrop:
    """A first drop, then smaller ones, each larger the further capacity has fallen. Its state is the drops so far."""

    first: float
    shrink: float
    gain: float
    name = "shrinking_drop"

    @classmethod
    def from_parameters(cls, parameters: Mapping[str, Any]) -> ShrinkingDrop:
        """Parameters: ``first``, ``shrink`` and ``gain``, within `BOUNDS`; by default a fixed fifth."""
        reject_unknown(parameters, tuple(BOUNDS), policy=cls.name)
        default = {"first": 0.2, "shrink": 1.0, "gain": 0.0}
        return cls(
            *(
                number_parameter(parameters, name, default[name], low=low, high=high, policy=cls.name)
                for name, (low, high) in BOUNDS.items()
            )
        )

    def initial(self) -> int:
        """No drop made yet."""
        return 0

    def propose(self, state: int, view: DropView) -> tuple[int, Proposal]:
        """Take off this drop's part, and more where the capacity is known to have fallen below the load."""
        fallen = 0.0 if view.capacity_n is None else max(1.0 - view.capacity_n / view.load_n, 0.0)
        part = min(max(self.first * self.shrink**state + self.gain * fallen, 0.02), 0.8)
        return state + 1, Proposal(view.load_n * (1.0 - part), f"drop {state + 1} takes {part:.0%} off")


def rewards(policy: DropPolicy, families: Sequence[str], persons: range) -> FloatArray:
    """Reward of one set of each person with this policy, shape (families * persons,); the same people and sets always.

    Somebody who gives up without a stall meets no policy, so the environment draws the next person of the seed.

    Args:
        policy: the policy.
        families: where the people come from.
        persons: seeds of the people and of their sets.
    """
    environment = DropSetEnvironment(families=families, rewards=REWARD, start_share=START_SHARE, action="load")
    return np.array(
        [play(environment, policy, seed=one, options={"family": name})[1] for name in families for one in persons]
    )


def searched(families: Sequence[str], persons: int, generations: int, members: int, seed: int) -> ShrinkingDrop:
    """The best policy found on the first people of some families.

    Args:
        families: to search on.
        persons: of each.
        generations: of the search.
        members: policies in each generation, 5 or more.
        seed: of the search.
    """
    low, high = np.array(list(BOUNDS.values())).T
    first = np.random.default_rng(seed).uniform(low, high, size=(members, len(BOUNDS)))
    # The fifth is one of the first generation, so that the search cannot end below it on its own people.
    first[0] = (0.2, 1.0, 0.0)

    def lost(x: FloatArray) -> float:
        return -float(rewards(ShrinkingDrop(*map(float, x)), families, range(persons)).mean())

    best = differential_evolution(
        lost,
        Bounds(low, high),
        init=first,
        maxiter=generations,
        tol=0.0,
        polish=False,
        rng=np.random.default_rng(seed),
    )
    print(f"searched {best.nfev} policies on {len(families) * persons} sets each: mean reward {-best.fun:.2f}")
    return ShrinkingDrop(*(round(float(value), 3) for value in best.x))


def judged(policy: DropPolicy, families: Sequence[str], persons: int) -> None:
    """Print the paired difference to a fixed fifth, by family and over all.

    Args:
        policy: to judge.
        families: to judge on.
        persons: of each, none of whom the search saw.
    """
    people = range(1_000, 1_000 + persons)
    found = {one: (rewards(policy, [one], people), rewards(FIFTH, [one], people)) for one in families}
    found["all"] = tuple(np.concatenate([pair[k] for pair in found.values()]) for k in range(2))  # type: ignore[assignment]
    print(f"{'family':<22} people   found   fifth   difference (95 % interval)")
    for name, (own, fifth) in found.items():
        apart = Interval.of(own - fifth)
        told = f"{apart.mean:+.2f} ({apart.low:+.2f} to {apart.high:+.2f})"
        print(f"{name:<22} {own.size:>6} {own.mean():>7.2f} {fifth.mean():>7.2f}   {told}")
    beats = "beats" if apart.low > 0.0 else "is worse than" if apart.high < 0.0 else "is not shown to differ from"
    print(f"simulated: the policy found {beats} a fixed fifth on families left out")


def main() -> None:
    """Search, then judge."""
    parser = argparse.ArgumentParser(description=__doc__.split("\n\n")[0])
    parser.add_argument("--train", nargs="+", default=["compiled_muscle", "velocity_line"])
    parser.add_argument("--judge", nargs="+", default=["motor_units", "published_statistics", "jointed"])
    parser.add_argument("--persons", type=int, default=4, help="of each training family")
    parser.add_argument("--judged", type=int, default=20, help="of each family left out, 2 or more")
    parser.add_argument("--generations", type=int, default=4)
    parser.add_argument("--members", type=int, default=10, help="policies in a generation, 5 or more")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--found", nargs=3, type=float, metavar=tuple(BOUNDS), help="judge this policy, search none")
    given = parser.parse_args()
    seen = sorted(set(given.train) & set(given.judge))
    if seen:
        parser.error(f"--judge names {', '.join(seen)}, on which the search trains; allowed: other families")
    if given.members < 5:
        parser.error(f"--members is {given.members}; allowed: 5 or more, the least that differential evolution takes")
    if given.judged < 2:
        parser.error(f"--judged is {given.judged}; allowed: 2 or more, since an interval needs two people")
    began_s = time.monotonic()
    if given.found:
        try:
            policy = ShrinkingDrop.from_parameters(dict(zip(BOUNDS, given.found, strict=True)))
        except BadDocumentError as error:
            parser.error(f"--found: {error}")
    else:
        policy = searched(given.train, given.persons, given.generations, given.members, given.seed)
    print(f"found {policy}, {len(check_policy(ShrinkingDrop))} findings of the checker")
    judged(policy, given.judge, given.judged)
    print(f"took {time.monotonic() - began_s:.0f} s")


if __name__ == "__main__":
    main()
