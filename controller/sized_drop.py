"""A drop sized for what a coach asks for: so many more repetitions before the next stall.

What lives here: the policy `repetitions_wanted`. What never does: the capacity estimate it rests on (`capacity`), and
the limits that are applied to what it proposes (`sizing`).

Idea. A load allows N repetitions when N - 1/2 repetitions' worth of loss, taken off the capacity now, leads down to it.
How much a repetition costs is estimated; how wrong that was, the steps already done say: more repetitions than wished
mean that they cost less than thought.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from math import sqrt
from typing import Any, ClassVar, Final

from ebbset.controller.policy import DropView, Proposal, number_parameter, reject_unknown

# Fitted on tuning seeds of the simulator (simulators/evaluate.py), not taken from a study.
LOSS_UNKNOWN: Final = 0.05
LOSS_LIGHTER: Final = 0.8
"""A repetition at the lower load is faster and costs this part of one at the stall."""
CAUTION: Final = 0.25
"""Standard deviations of the capacity taken off, since too small a drop fails at once."""
SLOWEST_ADAPTION: Final = 0.5
LEAST_SCALE: Final = 0.4
MOST_SCALE: Final = 2.5


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
            # square root: half of the error is taken for chance
            off = (self.repetitions + 0.5) / (view.repetitions_in_step + 0.5)
            scale = min(MOST_SCALE, max(LEAST_SCALE, scale * sqrt(off)))
        loss = LOSS_LIGHTER * view.loss_per_repetition if view.loss_per_repetition is not None else LOSS_UNKNOWN
        loss = min(0.3, loss * scale)
        capacity_n = view.load_n
        if view.capacity_n is not None:
            capacity_n = view.capacity_n - CAUTION * (view.capacity_sd_n or 0.0)
            # the lifter has just failed with this load: whatever the estimate says, capacity is not above it
            capacity_n = min(capacity_n, view.load_n)
        left = 1.0
        whole = int(self.repetitions - 0.5)
        for _ in range(whole):
            left *= 1.0 - loss
        left *= 1.0 - loss * (self.repetitions - 0.5 - whole)
        load_n = capacity_n * left
        why = (
            f"{self.repetitions:g} repetitions wanted: capacity {capacity_n:.0f} N less {self.repetitions - 0.5:g} "
            f"repetitions at {loss:.1%} each"
        )
        return Learned(scale, sized=True), Proposal(load_n, why)
