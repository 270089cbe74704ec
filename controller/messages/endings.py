"""Why a set ended, in words, from what its last decision was held against. Pure.

The wire has one reason code for a spent budget; the threshold of the decision names which of the three it was.
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import Final

from ebbset.controller.messages.actions import Decision
from ebbset.controller.messages.reasons import Reason

BUDGETS: Final[dict[str, str]] = {
    "capacity_loss": "The budget of lost capacity is spent.",
    "hard_repetitions": "The budget of hard repetitions is spent.",
    "least_marginal_worth": "One more repetition is estimated to be worth too little.",
}
"""Field of the prescription's budget -> what is said when it is spent."""


def spent_budget(reason: str, thresholds: Iterable[str]) -> str | None:
    """Which budget ended the set; None when none did.

    Args:
        reason: reason code of the end.
        thresholds: names of the thresholds that the decision was held against.
    """
    if reason != Reason.BUDGET_SPENT:
        return None
    return next((name for name in thresholds if name in BUDGETS), None)


def said_of(decision: Decision) -> str:
    """What a decision says, with the budget by its name where one ended the set."""
    budget = spent_budget(decision.reason, (name for name, _ in decision.thresholds))
    return decision.text if budget is None else BUDGETS[budget]
