"""A drop sized for what a coach asks for: so many more repetitions before the next stall.

What lives here: the policy `repetitions_wanted`. What never does: the capacity estimate it rests on (`capacity`), and
the limits that are applied to what it proposes (`sizing`).

Idea. At the stall the load is what the lifter can just not lift any more. If every repetition takes off the same part
q of what they can lift, a load (1 - q)^n times as heavy allows about n more. Two figures say what q is: how far the
set so far has brought them down, from their fresh 1RM to this load, per repetition done; and what the estimator says
a repetition costs now. Their geometric mean is used, and the steps already done correct it.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from math import sqrt
from typing import Any, ClassVar, Final

from ebbset.controller.policy import DropView, Proposal, number_parameter, reject_unknown

# Fitted on tuning seeds of the simulator (simulators/evaluate_sizing.py), not taken from a study.
LOSS_UNKNOWN: Final = 0.045
SCALE: Final = 0.58
"""Repetitions at the lower load are faster, and come back a little in the pauses: they cost this part of the mean."""
CAUTION: Final = 0.25
"""Standard deviations of the capacity that the load is taken down for, since too small a drop fails at once."""
SPENT_TYPICAL: Final = 0.4
SCALE_PER_SPENT: Final = 0.6
LEAST_SCALE: Final = 0.5
MOST_SCALE: Final = 2.0
STRETCH: Final = 1.35
STRETCH_LESS: Final = 0.5
"""The last repetitions before a stall are slow and cost more: N of them take 1.35 N - 0.5 average ones."""
LEAST_DROP: Final = 0.052
"""Less is hardly felt, and a lifter who has just failed does not try again; judgement, no source."""
LEAST_LOSS: Final = 0.008
MOST_LOSS: Final = 0.2


@dataclass(frozen=True, slots=True)
class Learned:
    """What the steps done have taught.

    Attributes:
        scale: loss of a repetition over what was estimated.
        sized: the load in use was sized by this policy, so that its repetitions tell something.
    """

    scale: float = 1.0
    sized: bool = False


@dataclass(frozen=True, slots=True)
class RepetitionsWanted:
    """Drop so far that about this many repetitions follow before the next stall."""

    repetitions: float
    name: ClassVar[str] = "repetitions_wanted"

    @classmethod
    def from_parameters(cls, parameters: Mapping[str, Any]) -> RepetitionsWanted:
        """Parameters: ``repetitions``, 1 to 12, default 3."""
        reject_unknown(parameters, ("repetitions",), policy=cls.name)
        return cls(number_parameter(parameters, "repetitions", 3.0, low=1.0, high=12.0, policy=cls.name))

    def initial(self) -> Learned:
        """Nothing learned yet."""
        return Learned()

    def propose(self, state: Learned, view: DropView) -> tuple[Learned, Proposal]:
        """The load that the wished repetitions lead down to."""
        scale = state.scale
        if state.sized:
            # the fourth root: most of one step's error is chance
            off = (self.repetitions + 0.5) / (view.repetitions_in_step + 0.5)
            scale = min(MOST_SCALE, max(LEAST_SCALE, scale * sqrt(sqrt(off))))
        loss = min(MOST_LOSS, max(LEAST_LOSS, scale * _loss(view)))
        left = 1.0
        steps = STRETCH * self.repetitions - STRETCH_LESS
        whole = int(steps)
        for _ in range(whole):
            left *= 1.0 - loss
        left *= 1.0 - loss * (steps - whole)
        load_n = view.load_n * min(left, 1.0 - LEAST_DROP)
        if view.capacity_n is not None and view.capacity_sd_n is not None:
            load_n -= CAUTION * min(view.capacity_sd_n, 0.1 * view.load_n)
        why = f"{self.repetitions:g} repetitions wanted, each taking about {loss:.1%} off what can be lifted"
        return Learned(scale, sized=True), Proposal(load_n, why)


def _loss(view: DropView) -> float:
    """Part of what can be lifted that a repetition takes off, as the set so far and the estimator say."""
    now = view.loss_per_repetition
    fresh_n = view.fresh_capacity_n
    so_far = None
    if fresh_n is not None and fresh_n > 1.05 * view.load_n:
        # ln(fresh / load) by its first rational approximation, good to 1 % up to twice the load
        so_far = 2.0 * (fresh_n - view.load_n) / (fresh_n + view.load_n) / (view.repetitions_in_set + 0.5)
    if now is None:
        return LOSS_UNKNOWN if so_far is None else so_far
    mean = now if so_far is None else sqrt(now * so_far)
    # what is still fresh tires faster than what is left late in a set
    spent = view.budget_spent if view.budget_spent is not None else SPENT_TYPICAL
    return mean * (SCALE - SCALE_PER_SPENT * (spent - SPENT_TYPICAL))
