"""Checks a drop policy against the rules for policies and lists the rules it breaks.

Holds the checks and the situations they use. Whether a policy is *good* takes the simulator to judge. No policy can do
harm, whether it passes or not: floor, no rise and ramp are applied after it.

The rules: the factory refuses unknown parameters; every situation is answered without raising; the proposal is a finite
number below the current load and not below zero; the same state and view give the same answer whatever was asked in
between; neither view nor state is changed; states are plain, small values that can be compared; the explanation is
present and short.
"""

from __future__ import annotations

import contextlib
import copy
import itertools
import math
import pickle
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from typing import Any, Final

from ebbset.controller.estimation.repetitions_in_reserve import RepetitionForecast
from ebbset.controller.estimation.step_figures import STEP_FIGURES
from ebbset.controller.messages.reasons import Reason
from ebbset.controller.policies.policy import DropPolicy, DropView, PolicyFactory, Proposal
from ebbset.models.contract.problems import BadDocumentError
from ebbset.models.physiology.load_velocity import generic_line

STEPS: Final = 12
MOST_WHY_CHARACTERS: Final = 300
MOST_STATE_BYTES: Final = 10_000
STALLS: Final = (Reason.STALL_IN_CONCENTRIC, Reason.STALL_FORESEEN, Reason.REVERSAL, Reason.FAILED_START)


@dataclass(frozen=True, slots=True)
class PolicyFinding:
    """One broken rule: the rule, and in which situation with what result.

    Attributes:
        rule: one of `rules.RULES`.
        detail: the situation and what came of it.
        case: the situation, for `case_replay.asked_in`; empty where no stall was needed to find it.
    """

    rule: str
    detail: str
    case: str = ""


def situations() -> Iterator[DropView]:
    """Stalls of every kind: with everything or nothing known, light and heavy, early and late."""
    for reason, load_n, part, known in itertools.product(STALLS, (25.0, 400.0, 4_000.0), (0.05, 0.5, 0.999), (0, 1, 2)):
        capacity = (None, load_n * 0.95, load_n * 1.3)[known]
        yield DropView(
            reason=reason,
            load_n=load_n,
            floor_n=load_n * part,
            start_n=load_n * 1.5,
            step=known * 5,
            repetitions_in_step=known * 3,
            repetitions_in_set=4 + known * 12,
            stall_velocity_m_s=(0.0, 0.04, -0.1)[known],
            stall_force_n=(None, load_n * 0.98, 0.0)[known],
            stall_position_fraction=(None, 0.4, 0.9)[known],
            stall_duration_s=(0.0, 0.4, 6.0)[known],
            capacity_n=capacity,
            capacity_sd_n=None if capacity is None else (0.03, 0.5)[known - 1] * load_n,
            fresh_capacity_n=None if capacity is None else load_n * 1.6,
            loss_per_repetition=(None, 0.04, 0.2)[known],
            budget_spent=(None, 0.3, 0.95)[known],
            budget_limit=(None, 0.4, None)[known],
            forecast=None
            if capacity is None
            else RepetitionForecast(
                capacity, (0.015, 0.06)[known - 1], generic_line(""), steps=(None, STEP_FIGURES)[known - 1]
            ),
        )


def check_policy(factory: PolicyFactory, parameters: Mapping[str, Any] | None = None) -> list[PolicyFinding]:
    """Check a policy in all `situations`.

    Args:
        factory: the policy's class, as its entry point names it.
        parameters: as a prescription would give them; empty: the policy's defaults.

    Returns:
        The first finding of each broken rule; an empty list is a pass.
    """
    findings: list[PolicyFinding] = []
    given = dict(parameters or {})
    try:
        factory.from_parameters({**given, "no_such_parameter": 1.0})
        findings.append(PolicyFinding("refuses unknown parameters", "no_such_parameter = 1.0 was accepted"))
    except BadDocumentError:
        pass
    except Exception as error:
        findings.append(PolicyFinding("refuses unknown parameters", f"{type(error).__name__}, not BadDocumentError"))
    try:
        policy = factory.from_parameters(given)
    except Exception as error:
        return [*findings, PolicyFinding("builds from its parameters", f"{type(error).__name__}: {error}")]
    if not isinstance(policy, DropPolicy):
        return [*findings, PolicyFinding("has name, initial and propose", f"it is a {type(policy).__name__}")]
    if not isinstance(policy.name, str) or not 1 <= len(policy.name) <= 64:
        findings.append(PolicyFinding("has a name", f"name is {policy.name!r}; allowed: 1 to 64 characters"))
    views = list(situations())
    for number, view in enumerate(views):
        found = _one(policy, policy.initial(), view, views[0])
        findings += [replace(finding, case=str(number)) for finding in found]
    findings += _walk(policy, views)
    return _unique(findings)


def _one(policy: DropPolicy, state: Any, view: DropView, other: DropView) -> list[PolicyFinding]:
    where = f"{view.reason.value}, load {view.load_n:g} N, capacity {view.capacity_n}"
    before_state, before_view = copy.deepcopy(state), copy.copy(view)
    try:
        next_state, proposal = policy.propose(state, view)
    except Exception as error:
        return [PolicyFinding("answers every stall", f"{where}: {type(error).__name__}: {error}")]
    if not isinstance(proposal, Proposal):
        return [PolicyFinding("answers with a Proposal", f"{where}: {type(proposal).__name__}")]
    load_n = proposal.load_n
    if isinstance(load_n, bool) or not isinstance(load_n, int | float) or not math.isfinite(load_n):
        return [PolicyFinding("proposes a finite number", f"{where}: {load_n!r}")]
    findings = _of_proposal(proposal, view, where)
    if state != before_state:
        findings.append(PolicyFinding("does not change the state that it was given", where))
    if view != before_view:
        findings.append(PolicyFinding("does not change the view that it was given", where))
    with contextlib.suppress(Exception):
        # another call in between, which shows whether the policy keeps anything outside its state
        policy.propose(policy.initial(), other)
    again_state, again = policy.propose(copy.deepcopy(before_state), view)
    if again != proposal or again_state != next_state:
        findings.append(
            PolicyFinding("same state and view, same answer", f"{where}: {load_n!r}, then {again.load_n!r}")
        )
    return findings + _of_state(next_state, where)


def _of_proposal(proposal: Proposal, view: DropView, where: str) -> list[PolicyFinding]:
    """Findings about a proposal whose load is a number."""
    findings: list[PolicyFinding] = []
    if proposal.load_n >= view.load_n:
        findings.append(PolicyFinding("proposes less than the load now", f"{where}: {proposal.load_n:g} N"))
    if proposal.load_n < 0.0:
        findings.append(PolicyFinding("proposes no negative load", f"{where}: {proposal.load_n:g} N"))
    if not isinstance(proposal.why, str) or not 1 <= len(proposal.why) <= MOST_WHY_CHARACTERS:
        findings.append(PolicyFinding("says why in at most 300 characters", f"{where}: {proposal.why!r:.60}"))
    return findings


def _of_state(state: Any, where: str) -> list[PolicyFinding]:
    """Findings about the state that a policy returned."""
    try:
        if pickle.loads(pickle.dumps(state)) == state:
            return []
        return [PolicyFinding("its state is a plain value", f"{where}: a copy of the state differs from it")]
    except Exception as error:
        return [PolicyFinding("its state is a plain value", f"{where}: {type(error).__name__}")]


def _walk(policy: DropPolicy, views: list[DropView]) -> list[PolicyFinding]:
    """Findings from a dozen stalls in a row, the load following the proposals, which must go down each time."""
    findings: list[PolicyFinding] = []
    for number, view in enumerate(views):
        state, load_n = policy.initial(), view.load_n
        for step in range(STEPS):
            case = f"{number}/{step}"
            try:
                state, proposal = policy.propose(state, stall_in_a_row(view, load_n, step))
            except Exception as error:
                told = f"step {step}: {type(error).__name__}: {error}"
                findings.append(PolicyFinding("answers a dozen stalls in a row", told, case))
                break
            if not isinstance(proposal, Proposal) or not proposal.load_n < load_n:
                told = f"step {step}, load {load_n:g} N"
                findings.append(PolicyFinding("goes down at every stall in a row", told, case))
                break
            load_n = load_after(proposal)
            if _size(state) > MOST_STATE_BYTES:
                told = f"step {step}: more than {MOST_STATE_BYTES} bytes"
                findings.append(PolicyFinding("its state stays small", told, case))
                break
    return findings


def load_after(proposal: Proposal) -> float:
    """Load of the next stall in a row, newtons, always above zero."""
    return max(proposal.load_n, 1e-3)


def _size(state: Any) -> int:
    """Pickled size of a state, bytes; 0 if it cannot be pickled, which another check reports."""
    try:
        return len(pickle.dumps(state))
    except Exception:
        return 0


def stall_in_a_row(view: DropView, load_n: float, step: int) -> DropView:
    """The same stall later in a row of them, with everything that goes with the load scaled to it.

    Args:
        view: the first of the row.
        load_n: load of this one, newtons.
        step: its number in the row, from 0.
    """
    ratio = load_n / view.load_n
    values = {name: getattr(view, name) for name in DropView.__dataclass_fields__}
    values |= {"load_n": load_n, "step": step, "floor_n": view.floor_n * ratio}
    for name in ("capacity_n", "stall_force_n"):
        if values[name] is not None:
            values[name] *= ratio
    if view.forecast is not None:
        values["forecast"] = replace(view.forecast, capacity_n=view.forecast.capacity_n * ratio)
    return DropView(**values)


def _unique(findings: list[PolicyFinding]) -> list[PolicyFinding]:
    """The first finding of each rule; one example is enough."""
    first: dict[str, PolicyFinding] = {}
    for finding in findings:
        first.setdefault(finding.rule, finding)
    return list(first.values())
