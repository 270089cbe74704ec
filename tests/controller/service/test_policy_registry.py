"""Drop policies by entry point: found, checked for shape, left out with a reason, never taken over."""

from __future__ import annotations

from importlib.metadata import EntryPoint

import pytest
from structlog.testing import capture_logs

from ebbset.controller.policies.built_in import FixedFraction
from ebbset.controller.policies.policy import ENTRY_POINT_GROUP
from ebbset.controller.service.policy_registry import discover, load_policies


def point(name: str, value: str) -> EntryPoint:
    return EntryPoint(name, value, ENTRY_POINT_GROUP)


OWN = point("fixed_fraction", "ebbset.controller.policies.built_in:FixedFraction")


def test_the_built_in_policies_are_installed_and_configurable() -> None:
    policies = load_policies()
    assert {"fixed_fraction", "fixed_step", "force_at_stall"} <= policies.keys()
    for name, factory in policies.items():
        assert factory.from_parameters({}).name == name


def test_a_policy_from_elsewhere_is_found_beside_them() -> None:
    registry = discover([OWN, point("third", "ebbset.controller.policies.built_in:FixedStep")])
    assert set(registry.policies) == {"fixed_fraction", "third"}
    assert registry.left_out == {}


@pytest.mark.parametrize(
    ("value", "why"),
    [
        ("no_such_module:Policy", "does not load: ModuleNotFoundError"),
        ("ebbset.controller.policies.built_in:NoSuchPolicy", "does not load: AttributeError"),
        ("ebbset.controller.policies.built_in:annotations", "has no from_parameters"),
    ],
)
def test_one_that_does_not_load_is_left_out_and_told_and_the_others_stay(value: str, why: str) -> None:
    with capture_logs() as logs:
        registry = discover([point("broken", value), OWN])
    assert set(registry.policies) == {"fixed_fraction"}
    assert why in registry.left_out["broken"]
    assert [(entry["event"], entry["policy"]) for entry in logs] == [("policy_left_out", "broken")]


def test_nobody_takes_over_a_built_in_name_whatever_the_order() -> None:
    thief = point("fixed_fraction", "collections:OrderedDict")
    for points in ([OWN, thief], [thief, OWN]):
        registry = discover(points)
        assert registry.policies == {"fixed_fraction": FixedFraction}
        [reason] = registry.left_out.values()
        assert "allowed: a name of its own" in reason
