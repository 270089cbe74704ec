"""A drop policy from outside the package, checked and tried on a simulated lifter.

To ship one, put the class in a package of your own and name it in that package's pyproject.toml; ebbset itself stays
unchanged. A prescription then says ``drop.policy = "taper"``:

    [project.entry-points."ebbset.drop_policies"]
    taper = "your_package.your_module:Taper"

A policy only proposes: floor, ramp, budget and stop rules are applied afterwards, and it cannot switch them off. Trying
it on a simulated lifter needs the extra ``ebbset[sim]``; the results are simulated.

    python examples/own_policy.py
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from ebbset import (
    DropView,
    PolicyFactory,
    Prescription,
    Proposal,
    RigParameters,
    SetController,
    check_policy,
    exercise,
    load_policies,
    number_parameter,
    one_rm_n,
    reject_unknown,
    run_set,
)


@dataclass(frozen=True, slots=True)
class Taper:
    """A large first drop, then smaller and smaller ones. Its state is the number of drops made so far."""

    first: float
    shrink: float
    name = "taper"

    @classmethod
    def from_parameters(cls, parameters: Mapping[str, Any]) -> Taper:
        """Parameters: ``first``, fraction taken off, 0.05 to 0.6; ``shrink``, factor from drop to drop, 0.3 to 1."""
        reject_unknown(parameters, ("first", "shrink"), policy=cls.name)
        first = number_parameter(parameters, "first", 0.3, low=0.05, high=0.6, policy=cls.name)
        shrink = number_parameter(parameters, "shrink", 0.7, low=0.3, high=1.0, policy=cls.name)
        return cls(first, shrink)

    def initial(self) -> int:
        """No drop made yet."""
        return 0

    def propose(self, state: int, view: DropView) -> tuple[int, Proposal]:
        """Lower the load by this drop's fraction; the state is returned, never kept."""
        part = self.first * self.shrink**state
        return state + 1, Proposal(view.load_n * (1.0 - part), f"drop {state + 1} takes {part:.0%} off")


def main() -> None:
    """Check the policy, then run one simulated set with it."""
    findings = check_policy(Taper)
    print(f"checks: {len(findings)} findings" + "".join(f"\n  {f.rule}: {f.detail}" for f in findings))

    lifter = exercise("row").mean_lifter()
    one_rm = one_rm_n(lifter, RigParameters())
    order = Prescription.model_validate(
        {
            "name": "Taper",
            "exercise": "row",
            "load": {"start_n": 0.85 * one_rm, "floor_n": 0.25 * one_rm},
            "drop": {"policy": "taper", "parameters": {"first": 0.3, "shrink": 0.6}},
            "stop": {"max_drops": 3},
        }
    )
    policies: dict[str, PolicyFactory] = {**load_policies(), "taper": Taper}
    done = run_set(order, lifter, seed=1, controller_factory=lambda: SetController(policies))
    for decision in done.decisions:
        if decision.action == "drop":
            print(f"drop {decision.from_n[0]:.0f} -> {decision.to_n[0]:.0f} N: {decision.text}")
    if done.result is not None:
        print(f"simulated: {done.completed} repetitions, {done.result.drops} drops, ended: {done.result.text}")


if __name__ == "__main__":
    main()
