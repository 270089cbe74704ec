"""The policy `repetitions_wanted`: a drop sized for a wanted number of repetitions before the next stall.

Two things know how far down that is. The capacity estimate is best at a stall, and its forecast counts the repetitions
that a load would allow; but it keeps to one structure. `step_figures` knows what steps cost people of any structure.
The drop is in the middle, times what this person's earlier steps have shown. Limits to a proposal are in `load_limits`.

Recordings of before these figures replay by the count alone, with a surplus of repetitions learned from each step.
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
"""A step gives 0.3 + 1.15 x the count: the lifter recovers a little while the load goes down and before the next."""
LEARNING: Final = 0.2
"""By the count alone: fraction of a step's error that is attributed to this person; the rest is chance."""
MOST_LEARNED: Final = 2.0
LEAST_COUNT: Final = 0.2
LEAST_DROP: Final = 0.03
"""Least drop, as a fraction of the load; less is hardly felt. Judgement, no source."""
LEAST_DROP_AFTER_FAILURE: Final = 0.052
"""Least drop after a lifter has given up, who will not try again for less. Judgement, no source."""
FAILED_REASONS: Final = frozenset({Reason.REVERSAL, Reason.FAILED_START})
MOST_DROP: Final = 0.5
"""Greatest drop, as a fraction of the load: more would be no step of the same set. Judgement, no source."""
UNKNOWN_PER_REPETITION: Final = 0.035
"""Fraction of the load to take off for each repetition while nothing is known of the lifter."""


@dataclass(frozen=True, slots=True)
class StepSurplus:
    """What earlier steps have shown.

    Attributes:
        surplus: repetitions that this person's steps give beyond the wish; used where the count alone is.
        sized: the current load was sized by this policy, so its repetitions can be compared with the wish.
        own: this person's loss over that of others, see `StepFigures.learned`.
    """

    surplus: float = 0.0
    sized: bool = False
    own: float = 1.0


@dataclass(frozen=True, slots=True)
class RepetitionsWanted:
    """Drop far enough that about this many repetitions follow before the next stall.

    Args:
        repetitions: repetitions wanted, 1 to 12.
    """

    repetitions: float
    name: ClassVar[str] = "repetitions_wanted"

    @classmethod
    def from_parameters(cls, parameters: Mapping[str, Any]) -> RepetitionsWanted:
        """Build the policy from a prescription's parameters.

        Args:
            parameters: ``repetitions``, 1 to 12, default 3.

        Raises:
            BadDocumentError: a parameter is unknown or out of range.
        """
        reject_unknown(parameters, ("repetitions",), policy=cls.name)
        return cls(number_parameter(parameters, "repetitions", 3.0, low=1.0, high=12.0, policy=cls.name))

    def initial(self) -> StepSurplus:
        """The first state: nothing learned yet."""
        return StepSurplus()

    def propose(self, state: StepSurplus, view: DropView) -> tuple[StepSurplus, Proposal]:
        """Propose the load that allows the repetitions wanted.

        Args:
            state: what earlier steps have shown.
            view: what is known at the stall.

        Returns:
            The next state and the proposal.
        """
        surplus = state.surplus
        if state.sized:
            surplus += LEARNING * (view.repetitions_in_step - self.repetitions)
            surplus = min(MOST_LEARNED, max(-MOST_LEARNED, surplus))
        own = state.own
        failed = view.reason in FAILED_REASONS
        most_n = view.load_n * (1.0 - (LEAST_DROP_AFTER_FAILURE if failed else LEAST_DROP))
        if view.forecast is None:
            load_n = view.load_n * (1.0 - UNKNOWN_PER_REPETITION * self.repetitions)
            why = f"{self.repetitions:g} repetitions wanted; nothing is known of the lifter yet"
        else:
            steps = view.forecast.steps
            if steps is None:
                counted = max(LEAST_COUNT, (self.repetitions - surplus - GIVEN) / GIVEN_PER_COUNTED)
                load_n = view.forecast.load_for(counted)
            else:
                own = steps.learned(own, self.repetitions, view.repetitions_in_step) if state.sized else own
                by_count = 1.0 - view.forecast.load_for(self.repetitions) / view.load_n
                drop = steps.drop_for(self.repetitions, by_count, own)
                load_n = view.load_n * (1.0 - min(drop, MOST_DROP))
            why = (
                f"{self.repetitions:g} repetitions wanted, "
                f"{1.0 - load_n / view.load_n:.1%} under the load that could not be lifted"
            )
        return StepSurplus(surplus, sized=True, own=own), Proposal(min(load_n, most_n), why)
