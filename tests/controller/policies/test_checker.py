"""The checker passes what is in the package and catches each kind of misbehaviour."""

from __future__ import annotations

import inspect
import itertools
import pickle
import re
from collections.abc import Mapping
from importlib.metadata import entry_points
from typing import Any, ClassVar

import pytest

from ebbset.controller.policies import checker
from ebbset.controller.policies.case_replay import UnknownCaseError, asked_in
from ebbset.controller.policies.checker import check_policy
from ebbset.controller.policies.policy import ENTRY_POINT_GROUP, DropView, Proposal, reject_unknown
from ebbset.controller.policies.rules import RULES


def test_every_registered_policy_passes() -> None:
    found = list(entry_points(group=ENTRY_POINT_GROUP))
    assert {"fixed_fraction", "fixed_step", "force_at_stall", "repetitions_wanted"} <= {entry.name for entry in found}
    for entry in found:
        factory = entry.load()
        parameters = {"step_n": 5.0} if entry.name == "fixed_step" else {}
        assert check_policy(factory, parameters) == [], entry.name
        assert factory.from_parameters(parameters).name == entry.name


class Tenth:
    """A well-behaved policy that the bad ones below differ from in one thing each."""

    name: ClassVar[str] = "tenth"

    @classmethod
    def from_parameters(cls, parameters: Mapping[str, Any]) -> Any:
        reject_unknown(parameters, (), policy=cls.name)
        return cls()

    def initial(self) -> Any:
        return 0

    def propose(self, state: Any, view: DropView) -> tuple[Any, Proposal]:
        return state + 1, Proposal(0.9 * view.load_n, "a tenth off")


class TakesAnything(Tenth):
    @classmethod
    def from_parameters(cls, _parameters: Mapping[str, Any]) -> Any:
        return cls()


class NeedsCapacity(Tenth):
    def propose(self, state: Any, view: DropView) -> tuple[Any, Proposal]:
        return state, Proposal(0.9 * view.capacity_n, "needs it")  # type: ignore[operator]


class Rises(Tenth):
    def propose(self, state: Any, view: DropView) -> tuple[Any, Proposal]:
        return state, Proposal(1.1 * view.load_n, "more")


class NotANumber(Tenth):
    def propose(self, state: Any, _view: DropView) -> tuple[Any, Proposal]:
        return state, Proposal(float("nan"), "what")


class Negative(Tenth):
    def propose(self, state: Any, _view: DropView) -> tuple[Any, Proposal]:
        return state, Proposal(-1.0, "push")


class Counts(Tenth):
    counter: ClassVar[Any] = itertools.count(1)

    def propose(self, state: Any, view: DropView) -> tuple[Any, Proposal]:
        return state, Proposal(view.load_n / (1.0 + next(self.counter)), "hidden state")


class ChangesState(Tenth):
    def initial(self) -> Any:
        return [0]

    def propose(self, state: Any, view: DropView) -> tuple[Any, Proposal]:
        state.append(1)
        return state, Proposal(0.9 * view.load_n, "in place")


class Silent(Tenth):
    def propose(self, state: Any, view: DropView) -> tuple[Any, Proposal]:
        return state, Proposal(0.9 * view.load_n, "")


class Grows(Tenth):
    def initial(self) -> Any:
        return ()

    def propose(self, state: Any, view: DropView) -> tuple[Any, Proposal]:
        return (*state, f"{len(state)}" * 2_000), Proposal(0.9 * view.load_n, "remembers everything")


class Lambda(Tenth):
    def propose(self, _state: Any, view: DropView) -> tuple[Any, Proposal]:
        return (lambda: 1), Proposal(0.9 * view.load_n, "a function as state")


class GivesUp(Tenth):
    def propose(self, state: Any, view: DropView) -> tuple[Any, Proposal]:
        return state + 1, Proposal(0.9 * view.load_n if state < 5 else view.load_n, "stops dropping")


def test_a_well_behaved_one_passes() -> None:
    assert check_policy(Tenth) == []


@pytest.mark.parametrize(
    ("policy", "rule"),
    [
        (TakesAnything, "refuses unknown parameters"),
        (NeedsCapacity, "answers every stall"),
        (Rises, "proposes less than the load now"),
        (NotANumber, "proposes a finite number"),
        (Negative, "proposes no negative load"),
        (Counts, "same state and view, same answer"),
        (ChangesState, "does not change the state that it was given"),
        (Silent, "says why in at most 300 characters"),
        (Grows, "its state stays small"),
        (Lambda, "its state is a plain value"),
        (GivesUp, "goes down at every stall in a row"),
    ],
)
def test_each_misbehaviour_is_named(policy: Any, rule: str) -> None:
    assert rule in {finding.rule for finding in check_policy(policy)}


def test_something_else_is_no_policy() -> None:
    class Broken:
        @classmethod
        def from_parameters(cls, _parameters: Mapping[str, Any]) -> Any:
            raise KeyError("fraction")

    assert "builds from its parameters" in {finding.rule for finding in check_policy(Broken)}


BAD = (TakesAnything, NeedsCapacity, Rises, NotANumber, Negative, Counts, ChangesState, Silent, Grows, Lambda, GivesUp)


@pytest.mark.parametrize("policy", BAD)
def test_every_rule_has_its_reason_and_its_remedy_in_words(policy: Any) -> None:
    for finding in check_policy(policy):
        assert len(RULES[finding.rule].why) > 20
        assert len(RULES[finding.rule].fix) > 20


@pytest.mark.parametrize("policy", [policy for policy in BAD if policy is not TakesAnything])
def test_a_finding_names_a_case_that_shows_it_again(policy: Any) -> None:
    findings = check_policy(policy)
    assert findings
    for finding in findings:
        asked = asked_in(policy.from_parameters({}), finding.case)
        assert asked, finding
        first, last = asked[0], asked[-1]
        if finding.rule == "answers every stall":
            assert isinstance(last.error, TypeError)
        elif finding.rule == "goes down at every stall in a row":
            assert not last.answer[1].load_n < last.view.load_n
        elif finding.rule == "same state and view, same answer":
            assert first.view == last.view
            assert first.state == last.state
            assert first.answer != last.answer
        elif finding.rule == "its state stays small":
            assert len(pickle.dumps(last.answer[0])) > 10_000


def test_the_rules_that_the_checker_names_are_those_in_words() -> None:
    source = inspect.getsource(checker)
    assert set(re.findall(r'PolicyFinding\(\s*"([^"]+)"', source)) == set(RULES)


@pytest.mark.parametrize("case", ["", "108", "-1", "3/12", "3/", "x", "3/x"])
def test_a_case_that_does_not_exist_is_refused_with_those_that_do(case: str) -> None:
    with pytest.raises(UnknownCaseError, match=r"allowed: 0 to 107, .* /0 to /11"):
        asked_in(Tenth.from_parameters({}), case)
