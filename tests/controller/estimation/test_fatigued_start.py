"""A set that starts fatigued begins with part of its budget spent, if the profile names the same person."""

from __future__ import annotations

import pytest

from ebbset.controller.messages.events import Requested, RigAnnounced
from ebbset.controller.policies.built_in import FixedFraction
from ebbset.controller.regulation.armed_set import ArmedSet
from ebbset.controller.regulation.rig_facts import RigFacts
from ebbset.models.contract.operator_messages import RequestAction
from ebbset.models.contract.prescription import example
from ebbset.models.contract.profile import LifterProfile
from ebbset.models.contract.rig_messages import RepetitionOutcome
from tests.support.kinematic_rig import profile_of


def armed(now_s: float, profile: LifterProfile | None) -> ArmedSet:
    rig = RigFacts()
    rig.identity = RigAnnounced(
        now_us=0,
        rig="r",
        boot_id="boot0001",
        cables=1,
        telemetry="frames",
        sample_rate_hz=100.0,
        has_force=True,
        max_load_n=2000.0,
        min_load_n=0.0,
        max_ramp_n_per_s=1000.0,
        max_lease_ms=1000,
    )
    request = Requested(
        now_us=round(now_s * 1e6),
        correlation_id="c",
        action=RequestAction.ARM,
        operator="o",
        cautions_shown=True,
        fresh_nonce="nonce0001",
        prescription=example(),
        profile=profile,
    )
    return ArmedSet.of(request, rig, {"fixed_fraction": FixedFraction})


def tired(profile: LifterProfile | None) -> ArmedSet:
    first = armed(0.0, profile)
    for velocity_m_s in (0.7, 0.62, 0.55, 0.5, 0.45):
        first.cables[0].capacity.repetition(
            load_n=500.0,
            mean_velocity_m_s=velocity_m_s,
            outcome=RepetitionOutcome.COMPLETED,
            load_changed=False,
        )
    first.ending_us = 60_000_000
    return first


def test_the_same_person_begins_with_what_rest_has_left_of_it() -> None:
    first = tired(profile_of())
    spent = first.budget_spent
    assert spent is not None
    assert spent > 0.1
    left = []
    for rest_s in (30.0, 120.0, 600.0):
        second = armed(60.0 + rest_s, profile_of())
        second.take_over(first.left_behind())
        assert second.budget_spent is not None
        left.append(second.budget_spent / spent)
    assert left == sorted(left, reverse=True)
    assert 0.3 < left[0] < 0.8
    assert left[2] < 0.1


@pytest.mark.parametrize("case", ["no profile", "another person", "long ago", "not ended"])
def test_nobody_else_inherits_it(case: str) -> None:
    profile = None if case == "no profile" else profile_of()
    first = tired(profile)
    if case == "another person":
        profile = profile_of().model_copy(update={"lifter": "L2"})
    if case == "not ended":
        first.ending_us = 0
    second = armed(10_000.0 if case == "long ago" else 90.0, profile)
    second.take_over(first.left_behind())
    assert second.budget_spent in (None, 0.0)
