"""What is left of a session, fitted into the minutes that are left: which rests are cut, and which sets are left out.

First the rests that may be shortened are, all by the same part and down to half; then sets that may be left out are,
the last one first. What may neither be shortened nor left out stays, and is cut off by the end of the minutes.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

from ebbset.coaching.sessions.session_steps import SessionStep

LEAST_REST_SHARE: Final = 0.5
"""A rest is cut to half at most; our judgement, within what trials of short rests used (60 s against 120 s and
more)."""
LEAST_REST_S: Final = 30.0
"""And never below this, if the plan asked for as much; our judgement."""


@dataclass(frozen=True, slots=True)
class FittedStep:
    """A step with the rest that there is time for.

    Attributes:
        step: the step.
        rest_s: its rest before, s.
        left_out: there is no time for it.
    """

    step: SessionStep
    rest_s: float
    left_out: bool


def shortest_rest_s(step: SessionStep) -> float:
    """The least that the rest before a step may be cut to, s."""
    if not step.may_shorten:
        return step.rest_before_s
    return min(max(LEAST_REST_SHARE * step.rest_before_s, LEAST_REST_S), step.rest_before_s)


def fitted(steps: Sequence[SessionStep], left_s: float, *, rested_s: float = 0.0) -> tuple[FittedStep, ...]:
    """The steps to do, fitted into the time left, in the same order.

    Args:
        steps: what is left to do.
        left_s: time from the end of the last set to the end of the session, s.
        rested_s: how much of it is over already, which can't be cut any more, s.
    """
    kept = list(steps)
    while True:
        wanted_s = [max(step.rest_before_s, rested_s if k == 0 else 0.0) for k, step in enumerate(kept)]
        least_s = [max(shortest_rest_s(step), rested_s if k == 0 else 0.0) for k, step in enumerate(kept)]
        work_s = sum(step.likely_s for step in kept)
        droppable = [step for step in kept if step.may_leave_out]
        if work_s + sum(least_s) <= left_s or not droppable:
            break
        kept.remove(droppable[-1])
    can_cut_s = sum(wanted_s) - sum(least_s)
    missing_s = work_s + sum(wanted_s) - left_s
    cut = min(max(missing_s / can_cut_s, 0.0), 1.0) if can_cut_s > 0.0 else 0.0
    rests_s = {
        step.step: want_s - cut * (want_s - short_s)
        for step, want_s, short_s in zip(kept, wanted_s, least_s, strict=True)
    }
    return tuple(
        FittedStep(step, rests_s.get(step.step, step.rest_before_s), step.step not in rests_s) for step in steps
    )
