"""The limits between a policy's proposal and the commanded load, which no policy can switch off. Pure."""

from __future__ import annotations

import math
from typing import Final

from ebbset.controller.messages.reasons import Limit

LEAST_STEP_N: Final = 2.0
LEAST_STEP_PART: Final = 0.01


class UnusableProposalError(ValueError):
    """The policy proposed something that is not a load."""


def limit_proposal(proposed_n: float, *, load_n: float, floor_n: float) -> tuple[float, tuple[Limit, ...]]:
    """The load to command after a stall, and the limits that changed the proposal.

    A drop must be felt, so it is at least 2 N and 1 % of the load; it never ends under the floor. The result is
    rounded down to a tenth of a newton, which keeps it a drop and keeps it on the floor where the floor is.

    Args:
        proposed_n: load that the policy proposes, newtons on this cable.
        load_n: current load, newtons, above the floor.
        floor_n: least load under a lifter, newtons.

    Returns:
        The load, newtons, and the limits applied.

    Raises:
        UnusableProposalError: the proposal is not a finite number.
    """
    if isinstance(proposed_n, bool) or not isinstance(proposed_n, int | float) or not math.isfinite(proposed_n):
        raise UnusableProposalError(f"load_n is {proposed_n!r}; allowed: a finite number of newtons")
    limits: list[Limit] = []
    target_n = float(proposed_n)
    if target_n > load_n:
        limits.append(Limit.NO_RISE)
    most_n = load_n - max(LEAST_STEP_N, LEAST_STEP_PART * load_n)
    if target_n > most_n:
        limits.append(Limit.LEAST_STEP)
        target_n = most_n
    target_n = math.floor(target_n * 10.0) / 10.0
    if target_n < floor_n:
        limits.append(Limit.FLOOR)
        target_n = floor_n
    return target_n, tuple(limits)
