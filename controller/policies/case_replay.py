"""Ask a policy again about one of the checker's situations, to see what it was told and what it answered."""

from __future__ import annotations

import copy
from dataclasses import dataclass
from typing import Any

from ebbset.controller.policies.checker import STEPS, load_after, situations, stall_in_a_row
from ebbset.controller.policies.policy import DropPolicy, DropView, Proposal


class UnknownCaseError(ValueError):
    """No situation of the checker has this name; says which there are."""


@dataclass(frozen=True, slots=True)
class Asked:
    """One question to a policy, and its answer.

    Attributes:
        view: what it was told.
        state: what it was given.
        answer: what it returned; None if it raised.
        error: what it raised; None if it returned.
    """

    view: DropView
    state: Any
    answer: Any
    error: Exception | None


def asked_in(policy: DropPolicy, case: str) -> list[Asked]:
    """Ask what the checker asked in a case, as far as the policy gets.

    Args:
        policy: the policy.
        case: as a finding names it: ``N`` is situation N asked by itself, twice, with situation 0 asked in between;
            ``N/K`` is the row of stalls that begins with situation N, up to stall K.

    Raises:
        UnknownCaseError: there is no such case.
    """
    views = list(situations())
    first, slash, last = case.partition("/")
    number, step = _number(first, len(views)), _number(last, STEPS) if slash else 0
    if number is None or step is None:
        raise UnknownCaseError(
            f"case is {case!r}; allowed: 0 to {len(views) - 1}, or the same with a stall in a row behind it, "
            f"/0 to /{STEPS - 1}"
        )
    if not slash:
        asked = [_ask(policy, policy.initial(), one) for one in (views[number], views[0], views[number])]
        return [asked[0], asked[2]]
    found: list[Asked] = []
    state, load_n = policy.initial(), views[number].load_n
    for at in range(step + 1):
        found.append(_ask(policy, state, stall_in_a_row(views[number], load_n, at)))
        answer = found[-1].answer
        if not (isinstance(answer, tuple) and len(answer) == 2 and isinstance(answer[1], Proposal)):
            break
        state, load_n = answer[0], load_after(answer[1])
    return found


def _number(text: str, below: int) -> int | None:
    return int(text) if text.isascii() and text.isdigit() and int(text) < below else None


def _ask(policy: DropPolicy, state: Any, view: DropView) -> Asked:
    given = copy.deepcopy(state)
    try:
        return Asked(view, given, policy.propose(state, view), None)
    except Exception as error:
        # Third-party code may fail in any way; whoever wrote it wants to see how.
        return Asked(view, given, None, error)
