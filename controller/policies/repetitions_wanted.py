"""A drop sized for what a coach asks for: so many more repetitions before the next stall.

What lives here: the policy `repetitions_wanted`. What never does: the capacity estimate it rests on (`capacity`), how
repetitions are counted forward (`repetitions_in_reserve`), and the limits applied to what it proposes (`load_limits`).

Idea. At the stall capacity is known better than at any other time. The repetition forecast counts the repetitions that
a load would allow from there, and the policy looks for the load at which the count is the wish. Real steps give a
little more than the count, by a rule fitted to simulated steps; what this person's steps have given more or less than
wished is taken off the next wish.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, ClassVar, Final

from ebbset.controller.messages.reasons import Reason
from ebbset.controller.policies.policy import DropView, Proposal, number_parameter, reject_unknown

# Fitted on tuning seeds of the simulator (simulators/evaluation/sizing.py), not taken from a study.
GIVEN: Final = 0.3
GIVEN_PER_COUNTED: Final = 1.15
"""A step gives 0.3 + 1.15 x the count: the lifter comes back a little while the load goes down and before the next."""
LEARNING: Final = 0.2
"""Part of a step's error that is held to be this person's; the rest is chance."""
MOST_LEARNED: Final = 2.0
LEAST_COUNT: Final = 0.2
LEAST_DROP: Final = 0.03
"""Less is hardly felt; judgement, no source."""
LEAST_DROP_GIVEN_IN: Final = 0.052
"""A lifter who has already given in does not try again for less; judgement, no source."""
GIVEN_IN: Final = frozenset({Reason.REVERSAL, Reason.FAILED_START})
UNKNOWN_PER_REPETITION: Final = 0.035
"""Part of the load to take off for each repetition where nothing is known of the lifter."""


@dataclass(frozen=True, slots=True)
class StepSurplus:
    """What the steps done have taught.

    Attributes:
        surplus: repetitions that this person's steps give beyond the wish.
        sized: the load in use was sized by this policy, so that its repetitions tell something.
    """

    surplus: float = 0.0
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

    def initial(self) -> StepSurplus:
        """Nothing learned yet."""
        return StepSurplus()

    def propose(self, state: StepSurplus, view: DropView) -> tuple[StepSurplus, Proposal]:
        """The load that the wished repetitions lead down to."""
        surplus = state.surplus
        if state.sized:
            surplus += LEARNING * (view.repetitions_in_step - self.repetitions)
            surplus = min(MOST_LEARNED, max(-MOST_LEARNED, surplus))
        most_n = view.load_n * (1.0 - (LEAST_DROP_GIVEN_IN if view.reason in GIVEN_IN else LEAST_DROP))
        if view.forecast is None:
            load_n = view.load_n * (1.0 - UNKNOWN_PER_REPETITION * self.repetitions)
            why = f"{self.repetitions:g} repetitions wanted; nothing is known of the lifter yet"
        else:
            counted = max(LEAST_COUNT, (self.repetitions - surplus - GIVEN) / GIVEN_PER_COUNTED)
            load_n = view.forecast.load_for(counted)
            why = (
                f"{self.repetitions:g} repetitions wanted, "
                f"{1.0 - load_n / view.load_n:.1%} under the load that could not be lifted"
            )
        return StepSurplus(surplus, sized=True), Proposal(min(load_n, most_n), why)
