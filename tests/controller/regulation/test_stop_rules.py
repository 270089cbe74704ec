"""What a stall leads to and what time allows, rule by rule, asked of the pure functions themselves."""

from __future__ import annotations

from typing import Any

import pytest

from ebbset.controller.detection.signals import StallSeen
from ebbset.controller.messages.reasons import Reason
from ebbset.controller.regulation.cable import Cable
from ebbset.controller.regulation.outcomes import BoutDone, End, Hold, MayDrop, StallRuling
from ebbset.controller.regulation.stop_rules import SideStrikes, after_repetition, at_stall, by_time
from ebbset.models.contract.prescription import Prescription
from tests.support.regulated import order


def ruling(
    prescription: Prescription, *, load_n: float = 400.0, drops: int = 0, floor_failures: int = 0, **stall: Any
) -> StallRuling:
    """What a stall of a single fresh cable at this load leads to."""
    cable = Cable(prescription, None, has_force=True)
    cable.begin_bout(load_n)
    cable.counts.floor_failures = floor_failures
    seen: dict[str, Any] = {
        "reason": Reason.STALL_IN_CONCENTRIC,
        "t_us": 5_000_000,
        "velocity_m_s": 0.01,
        "force_n": 390.0,
        "position_fraction": 0.4,
        "duration_s": 0.8,
        "probability": 1.0,
    }
    signal = StallSeen(**{**seen, **stall})
    view = cable.stalled(signal, prescription)
    return at_stall(prescription, [cable], signal, view, index=0, bout=0, drops=drops)


def test_a_stall_for_want_of_strength_tells_the_limit_that_made_it_one() -> None:
    found = ruling(order(stall={"rule": "evidence"}), slowed_limit_s=0.7, duration_s=0.71)
    assert isinstance(found, MayDrop)
    assert found.finding.thresholds[1:4] == (("certainty", 0.975), ("slowed_limit_s", 0.7), ("still_limit_s", 2.0))


@pytest.mark.parametrize(
    ("rule", "reason", "names"),
    [
        ("dwell", Reason.STALL_IN_CONCENTRIC, ["velocity_m_s", "dwell_s", "grind_s"]),
        ("evidence", Reason.STALL_FORESEEN, ["velocity_m_s", "certainty", "still_limit_s", "grind_s"]),
        ("evidence", Reason.FAILED_START, ["start_patience_s"]),
        ("evidence", Reason.REPORTED_FAILURE, []),
    ],
)
def test_a_stall_is_reported_with_the_figures_that_it_was_judged_by(
    rule: str, reason: Reason, names: list[str]
) -> None:
    found = ruling(order(stall={"rule": rule}), reason=reason)
    assert isinstance(found, MayDrop)
    assert found.finding.reason is reason
    assert [name for name, _ in found.finding.thresholds] == names


def test_a_bout_that_ends_at_its_stall_is_done() -> None:
    found = ruling(order(bouts=[{"on_stall": "end"}]))
    assert isinstance(found, BoutDone)
    assert found.finding.reason is Reason.STALL_IN_CONCENTRIC


@pytest.mark.parametrize(("load_n", "kind"), [(120.0, End), (120.05, End), (120.06, MayDrop)])
def test_within_a_twentieth_of_a_newton_of_the_floor_there_is_nothing_to_drop(load_n: float, kind: type) -> None:
    assert type(ruling(order(stop={"floor_failures": 1}), load_n=load_n)) is kind


def test_a_floor_failure_that_is_allowed_holds_the_load() -> None:
    found = ruling(order(stop={"floor_failures": 2}), load_n=120.0)
    assert isinstance(found, Hold)
    assert dict(found.finding.inputs)["floor_failures"] == 1.0
    assert dict(found.finding.thresholds)["floor_failures"] == 2.0


@pytest.mark.parametrize(("before", "kind"), [(0, Hold), (1, End), (2, End)])
def test_the_floor_has_failed_when_as_many_stalls_as_allowed_were_at_it(before: int, kind: type) -> None:
    assert type(ruling(order(stop={"floor_failures": 2}), load_n=120.0, floor_failures=before)) is kind


def told(found: StallRuling, kind: type) -> tuple[Reason, dict[str, float | None], dict[str, float | None], int | None]:
    """Reason, inputs, thresholds and cable of a ruling of this kind."""
    assert type(found) is kind
    finding = found.finding
    return finding.reason, dict(finding.inputs), dict(finding.thresholds), finding.cable


SEEN = {
    "velocity_m_s": 0.01,
    "force_n": 390.0,
    "position_fraction": 0.4,
    "stalled_s": 0.8,
    "probability": 1.0,
}


def test_each_ruling_tells_what_was_seen_and_the_limit_that_decided() -> None:
    dwell = {"velocity_m_s": 0.05, "dwell_s": 0.35, "grind_s": 0.0}
    allowed = order(stall={"rule": "dwell", **dwell}, stop={"floor_failures": 2, "max_drops": 1})
    reason, inputs, thresholds, cable = told(ruling(allowed), MayDrop)
    assert (reason, thresholds, cable) == (Reason.STALL_IN_CONCENTRIC, dwell, 0)
    estimate = {name: inputs.pop(name) for name in ("capacity_n", "capacity_sd_n", "budget_spent")}
    assert None not in estimate.values()
    assert inputs == SEEN
    assert told(ruling(allowed, load_n=120.0, floor_failures=1), End)[:3:2] == (
        Reason.FLOOR_FAILED,
        {**dwell, "floor_failures": 2.0},
    )
    assert told(ruling(allowed, load_n=120.0), Hold)[::3] == (Reason.STALL_IN_CONCENTRIC, 0)
    reason, inputs, thresholds, cable = told(ruling(allowed, drops=2), End)
    assert (reason, cable) == (Reason.DROPS_SPENT, 0)
    assert inputs == {**SEEN, **estimate, "drops": 2.0}
    assert thresholds == {**dwell, "max_drops": 1.0}


@pytest.mark.parametrize(("drops", "kind"), [(1, MayDrop), (2, End), (3, End)])
def test_the_prescribed_drops_are_spent_at_their_number(drops: int, kind: type) -> None:
    assert type(ruling(order(stop={"max_drops": 2}), drops=drops)) is kind


def test_a_spent_budget_outranks_every_other_ruling() -> None:
    found = ruling(order(budget={"capacity_loss": 0.01}, bouts=[{"on_stall": "end"}], stop={"max_drops": 0}))
    assert isinstance(found, End)
    assert found.finding.reason is Reason.BUDGET_SPENT


@pytest.mark.parametrize(
    ("budget", "spent", "quantity"),
    [
        ({"hard_repetitions": 2.0}, 0.05, "hard_repetitions"),
        ({"least_marginal_worth": 0.6}, 0.5, "least_marginal_worth"),
    ],
)
def test_effort_ends_a_set_at_its_limit(budget: dict[str, float], spent: float, quantity: str) -> None:
    prescription = order(budget=budget)
    cable = Cable(prescription, None, has_force=False)
    cable.effort.repetition(reserve=3.0, spent=0.0)
    assert after_repetition(prescription, [cable], 0, SideStrikes()) is None
    cable.effort.repetition(reserve=1.0, spent=spent)
    cable.effort.repetition(reserve=1.0, spent=spent)
    finding = after_repetition(prescription, [cable], 0, SideStrikes())
    assert finding is not None
    assert [name for name, _ in finding.thresholds] == [quantity]


@pytest.mark.parametrize(
    ("elapsed_s", "still_s", "moved", "reason"),
    [
        (60.0, 5.0, True, None),
        (60.001, 0.0, True, Reason.DURATION_SPENT),
        (0.0, 5.001, True, Reason.PAUSE_TOO_LONG),
        (0.0, 5.001, False, None),
        (0.0, 8.001, False, Reason.PAUSE_TOO_LONG),
    ],
)
def test_time_ends_a_bout_only_beyond_its_limits(
    elapsed_s: float, still_s: float, moved: bool, reason: Reason | None
) -> None:
    found = by_time(
        order(stop={"max_duration_s": 60.0, "max_pause_s": 5.0, "max_start_wait_s": 8.0}),
        elapsed_us=int(elapsed_s * 1e6),
        still_us=int(still_s * 1e6),
        any_repetition=moved,
        ascending=False,
    )
    assert (None if found is None else found.reason) is reason
