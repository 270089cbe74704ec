"""Session files and plans: what is wrong is told by field, what is written is read again, limits only tighten."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from ebbset.coaching.sessions.remaining import fitted, shortest_rest_s
from ebbset.coaching.sessions.session_file import SessionFile, SessionLimits, within_limits
from ebbset.coaching.sessions.session_steps import SessionPlanFile
from ebbset.coaching.sessions.set_time import ended_within, longest_s
from ebbset.models.contract.prescription import Prescription
from ebbset.models.contract.problems import BadDocumentError
from tests.support.session_plans import plan, row_profile, step, straight_set

GOOD = """
name = "Tuesday, twelve minutes"
lifter = "a7"
minutes = 12

[[exercises]]
exercise = "row"
wish = "worth"
profile = "a7-row.toml"
start_low = "30 kg"
start_high = "45 kg"
[exercises.limits]
fatigue_left = 0.4
max_repetitions = 30

[[exercises]]
exercise = "curl"
rig = "rig2"
prescription = "curl.toml"
may_leave_out = true
"""


def test_a_session_file_is_read_and_written() -> None:
    session = SessionFile.from_toml(GOOD)
    assert session.exercises[0].start_high == pytest.approx(45 * 9.80665)
    assert SessionFile.from_toml(session.to_toml()) == session


@pytest.mark.parametrize(
    ("old", "new", "says"),
    [
        ("minutes = 12", "minutes = 200", "minutes is 200; allowed: a number of at most 180"),
        ('wish = "worth"', 'wish = "pump"', r"exercises\[0\].wish is 'pump'; allowed: 'straight', 'rest_pause'"),
        ('wish = "worth"', "", r"exercises\[0\].wish is missing; allowed: either one of straight"),
        ('profile = "a7-row.toml"', "", r"exercises\[0\].profile is missing; allowed: the file of a profile"),
        ('prescription = "curl.toml"', "", r"exercises\[1\].wish is missing"),
        ("max_repetitions = 30", "repetitions = 30", r"exercises\[0\].limits.repetitions is 30; allowed: no such"),
        ('start_low = "30 kg"', 'start_low = "30 stone"', r"exercises\[0\].start_low"),
    ],
)
def test_what_is_wrong_is_told_by_field(old: str, new: str, says: str) -> None:
    with pytest.raises(BadDocumentError, match=says):
        SessionFile.from_toml(GOOD.replace(old, new, 1))


def test_bounds_that_do_not_fit_together_are_told() -> None:
    with pytest.raises(BadDocumentError, match="start_low"):
        SessionFile.from_toml(GOOD.replace('"30 kg"', "500").replace('"45 kg"', "400"))


def test_a_plan_is_read_and_written() -> None:
    made = plan(step(1, profile=row_profile(), start_low_n=300.0, expected_s=38.5), step(2, "curl", rig="rig2"))
    assert SessionPlanFile.from_toml(made.to_toml()) == made
    assert SessionPlanFile.from_toml(made.to_toml()).digest() == made.digest()
    assert made.rigs == ("rig1", "rig2")


@pytest.mark.parametrize(
    ("old", "new", "says"),
    [
        ("step = 2", "step = 3", r"steps\[1\].step is 3; allowed: 2"),
        ('exercise = "curl"', 'exercise = "row"', "prescription.exercise is 'curl'; allowed: the step's, 'row'"),
        ('lifter = "a7"', 'lifter = "b2"', r"steps\[0\].profile.lifter is 'a7'; allowed: the session's, 'b2'"),
        ("expected_s = 40.0", "start_high_n = 100.0", "start_high_n is 100; allowed: at least the floor load, 150"),
    ],
)
def test_what_is_wrong_in_a_plan_is_told(old: str, new: str, says: str) -> None:
    text = plan(step(1, profile=row_profile()), step(2, "curl", expected_s=40.0)).to_toml()
    assert old in text
    with pytest.raises(BadDocumentError, match=says):
        SessionPlanFile.from_toml(text.replace(old, new, 1))


shares = st.floats(0.05, 0.95)
limits = st.builds(
    SessionLimits,
    fatigue_left=st.none() | shares,
    hard_repetitions=st.none() | st.floats(1.0, 100.0),
    max_drops=st.none() | st.integers(0, 50),
    max_repetitions=st.none() | st.integers(1, 100),
    max_duration_s=st.none() | st.floats(1.0, 600.0),
    max_pause_s=st.none() | st.floats(1.0, 100.0),
    min_rom_fraction=st.none() | shares,
    max_velocity_loss=st.none() | shares,
    max_left_right_difference=st.none() | shares,
    floor=st.none() | st.floats(20.0, 600.0),
)
orders = st.builds(
    lambda budget, stop: straight_set(budget=budget, stop=stop),
    st.fixed_dictionaries({}, optional={"capacity_loss": shares, "hard_repetitions": st.floats(1.0, 100.0)}),
    st.fixed_dictionaries(
        {"max_duration_s": st.floats(5.0, 600.0)},
        optional={"max_drops": st.integers(0, 50), "max_repetitions": st.integers(1, 100), "min_rom_fraction": shares},
    ),
)
LIMITS: dict[str, Callable[[Prescription], float | None]] = {
    "fatigue_left": lambda p: p.budget.capacity_loss,
    "hard_repetitions": lambda p: p.budget.hard_repetitions,
    "max_drops": lambda p: p.stop.max_drops,
    "max_repetitions": lambda p: p.stop.max_repetitions,
    "max_duration_s": lambda p: p.stop.max_duration_s,
    "max_pause_s": lambda p: p.stop.max_pause_s,
    "max_velocity_loss": lambda p: p.stop.max_velocity_loss,
    "max_left_right_difference": lambda p: p.stop.max_left_right_difference,
}


def holds(made: Prescription, asked: SessionLimits) -> bool:
    """Whether a prescription contains every limit that was asked for."""
    upper = [(read(made), getattr(asked, name)) for name, read in LIMITS.items()]
    lower = [(made.stop.min_rom_fraction, asked.min_rom_fraction), (made.load.floor_n, asked.floor)]
    return all(limit is None or (own is not None and own <= limit) for own, limit in upper) and all(
        limit is None or (own is not None and own >= limit) for own, limit in lower
    )


@settings(max_examples=100, deadline=None)
@given(orders, limits)
def test_a_limited_prescription_contains_every_limit_and_none_of_its_own_is_loosened(
    order: Prescription, asked: SessionLimits
) -> None:
    made = within_limits(order, asked)
    assert holds(made, asked)
    own: Any = {name: read(order) for name, read in LIMITS.items()}
    assert holds(made, SessionLimits(**own, min_rom_fraction=order.stop.min_rom_fraction, floor=order.load.floor_n))
    assert within_limits(made, asked) == made


@settings(max_examples=100, deadline=None)
@given(st.floats(0.0, 700.0))
def test_a_set_that_is_cut_ends_within_the_time_available(available_s: float) -> None:
    cut = ended_within(straight_set(limit_s=200.0), available_s)
    if cut is None:
        assert available_s < 2.6
    else:
        assert longest_s(cut) <= max(available_s, 0.0) + 1e-9 or cut == straight_set(limit_s=200.0)
        assert longest_s(cut) >= min(available_s, longest_s(straight_set(limit_s=200.0))) - 0.2


@settings(max_examples=100, deadline=None)
@given(
    st.lists(st.tuples(st.floats(0.0, 300.0), st.booleans(), st.booleans()), min_size=1, max_size=6),
    st.floats(0.0, 900.0),
    st.floats(0.0, 400.0),
)
def test_what_is_left_is_fitted_by_the_plan_s_leave_only(
    given_steps: list[tuple[float, bool, bool]], left_s: float, rested_s: float
) -> None:
    steps = [
        step(k + 1, rest_before_s=rest_s, may_shorten=shorten, may_leave_out=leave)
        for k, (rest_s, shorten, leave) in enumerate(given_steps)
    ]
    found = fitted(steps, left_s, rested_s=rested_s)
    assert [one.step for one in found] == steps
    kept = [one for one in found if not one.left_out]
    assert all(one.left_out <= one.step.may_leave_out for one in found)
    for k, one in enumerate(kept):
        least_s = max(shortest_rest_s(one.step), rested_s if k == 0 else 0.0)
        assert least_s - 1e-6 <= one.rest_s <= max(one.step.rest_before_s, least_s) + 1e-6
    needed_s = sum(one.rest_s + one.step.likely_s for one in kept)
    if any(one.step.may_leave_out for one in kept):
        assert needed_s <= left_s + 1e-6
    if len(kept) < len(found) and kept:
        # The last one that may be left out went first.
        gone = [k for k, one in enumerate(found) if one.left_out]
        stayed = [k for k, one in enumerate(found) if not one.left_out and one.step.may_leave_out]
        assert not stayed or max(stayed) < min(gone)
