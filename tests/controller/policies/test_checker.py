"""The checker passes what is in the package and catches each kind of misbehaviour."""

from __future__ import annotations

import itertools
from collections.abc import Mapping
from importlib.metadata import entry_points
from typing import Any, ClassVar

import pytest

from ebbset.controller.policies.checker import check_policy
from ebbset.controller.policies.policy import ENTRY_POINT_GROUP, DropView, Proposal, reject_unknown


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
