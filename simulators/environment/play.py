"""Play a drop policy through the environment, from the observations alone, to the same loads as in the closed loop."""

from __future__ import annotations

from typing import Any

import numpy as np

from ebbset.controller.policies.policy import DropPolicy
from ebbset.simulators.closed_loop.simulated_set import SimulatedSet
from ebbset.simulators.environment.drop_set import KINDS, DropSetEnvironment
from ebbset.simulators.environment.observations import view_of


def play(
    environment: DropSetEnvironment,
    policy: DropPolicy,
    *,
    seed: int | None = None,
    options: dict[str, Any] | None = None,
) -> tuple[SimulatedSet, float]:
    """One episode with a policy that knows nothing but the observations.

    Args:
        environment: made with ``action="load"``, so that no bit of a proposal is lost.
        policy: any drop policy.
        seed: as for ``reset``.
        options: as for ``reset``.

    Returns:
        What the set came to, and the sum of its rewards.

    Raises:
        ValueError: the environment takes other actions, or ``reset`` refuses.
    """
    most_n = KINDS["load"]
    if not environment.action_space.contains(np.array([most_n, 0.0])):
        raise ValueError("the environment takes a part of the load; allowed: one made with action='load'")
    observation, _ = environment.reset(seed=seed, options=options)
    state, total, over = policy.initial(), 0.0, False
    while not over:
        state, proposal = policy.propose(state, view_of(observation))
        # A load below zero is below every floor, as zero is.
        action = np.array([min(max(proposal.load_n, 0.0), most_n), 0.0])
        observation, reward, ended, given_up, _ = environment.step(action)
        total += reward
        over = ended or given_up
    assert environment.outcome is not None, "an episode that is over has an outcome"
    return environment.outcome, total
