"""The rig's word against the load it reports, each boundary alone: a handle taken early, and a rig that disagrees."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any

import pytest

from ebbset.controller.messages.reasons import Reason
from ebbset.controller.regulation.outcomes import Finding
from ebbset.controller.regulation.rig_word import disagreement, load_left, taken_early

NOW_US = 5_000_000


def rig(*applied_n: float, docked: bool | None = False, nonce: str = "nonce-0001") -> Any:
    """What is read of the rig: newtons per cable, the dock, and the set that it says it serves."""
    return SimpleNamespace(applied_n=applied_n, docked=docked, rig_nonce=nonce)


def armed(*target_n: float, stands: bool = False, settled_us: tuple[int, ...] = ()) -> Any:
    """What is read of an armed set: newtons per cable, whether the load stood, and when each cable had its time."""
    cables = [SimpleNamespace(settled_us=t_us) for t_us in settled_us or (NOW_US,) * len(target_n)]
    return SimpleNamespace(target_n=target_n, stands=stands, nonce="nonce-0001", cables=cables)


def early(cable: int, applied_n: float | None, allowed_n: float) -> Finding:
    return Finding(
        Reason.TAKEN_EARLY,
        (("applied_n", applied_n),),
        (("least_applied_n", pytest.approx(allowed_n)),),  # type: ignore[arg-type]
        cable,
    )


def test_a_load_stands_once_every_cable_is_within_what_is_allowed_and_from_then_on() -> None:
    for applied_n in ((400.0, 300.0), (376.0, 282.0), (500.0, 500.0)):
        a_set = armed(400.0, 300.0)
        assert taken_early(rig(*applied_n), a_set) is None
        assert a_set.stands
        assert taken_early(rig(0.0, 0.0), a_set) is None, "what it does later is no matter of the dock"


@pytest.mark.parametrize(
    ("applied_n", "cable", "allowed_n"),
    [
        ((375.9, 300.0), 0, 376.0),
        ((400.0, 281.9), 1, 282.0),
        ((300.0, 100.0), 1, 282.0),
        ((100.0, 200.0), 0, 376.0),
    ],
)
def test_a_handle_that_left_the_dock_before_is_taken_early_and_the_cable_that_is_shortest_of_it_is_named(
    applied_n: tuple[float, float], cable: int, allowed_n: float
) -> None:
    a_set = armed(400.0, 300.0)
    assert taken_early(rig(*applied_n), a_set) == early(cable, applied_n[cable], allowed_n)
    assert not a_set.stands
    for docked in (True, None):
        assert taken_early(rig(*applied_n, docked=docked), armed(400.0, 300.0)) is None


def test_a_rig_that_has_not_said_what_it_applies_applies_nothing_that_counts() -> None:
    a_set = armed(400.0)
    assert taken_early(rig(), a_set) == early(0, None, 376.0)
    assert not a_set.stands
    a_set = armed(400.0, 300.0)
    assert taken_early(rig(400.0), a_set) == early(0, 400.0, 376.0), "one cable of two is not both"
    assert not a_set.stands
    a_set = armed(400.0)
    assert taken_early(rig(400.0, 400.0), a_set) is not None, "nor are two cables one"
    assert not a_set.stands


# --- after it had time ----------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("applied_n", "off_n"), [(424.1, 24.1), (375.9, 24.1), (0.0, 400.0)])
def test_a_rig_that_applies_something_else_than_it_was_told_disagrees(applied_n: float, off_n: float) -> None:
    found = disagreement(rig(applied_n), armed(400.0), NOW_US)
    assert found is not None
    assert found.reason is Reason.RIG_DISAGREES
    assert dict(found.inputs) == pytest.approx({"difference_n": off_n})
    assert dict(found.thresholds) == pytest.approx({"allowed_n": 24.0})


@pytest.mark.parametrize("applied_n", [376.0, 400.0, 424.0])
def test_a_rig_that_is_within_what_is_allowed_does_not(applied_n: float) -> None:
    assert disagreement(rig(applied_n), armed(400.0), NOW_US) is None


def test_a_load_that_has_not_had_its_time_yet_is_not_compared() -> None:
    for settled_us, disagrees in ((NOW_US + 1, False), (NOW_US, True), (NOW_US - 1, True)):
        assert (disagreement(rig(0.0), armed(400.0, settled_us=(settled_us,)), NOW_US) is not None) is disagrees
    one_is_ready = armed(400.0, 300.0, settled_us=(NOW_US + 1, NOW_US))
    assert disagreement(rig(0.0, 300.0), one_is_ready, NOW_US) is None
    found = disagreement(rig(400.0, 0.0), one_is_ready, NOW_US)
    assert found is not None
    assert dict(found.inputs) == {"difference_n": 300.0}


@pytest.mark.parametrize("nonce", ["another", "strange"])
def test_a_rig_that_serves_another_set_disagrees_whatever_it_applies(nonce: str) -> None:
    found = disagreement(rig(400.0, nonce=nonce), armed(400.0), NOW_US)
    assert found == Finding(Reason.RIG_DISAGREES, (("nonce_matches", 0.0),), (("nonce_matches", 1.0),))
    assert disagreement(rig(400.0, nonce=nonce), armed(400.0, settled_us=(NOW_US + 1,)), NOW_US) is None


# --- while no load is commanded -------------------------------------------------------------------------------------


def unloaded(off_us: int = NOW_US) -> Any:
    """What is read of a set that rests or waits: when its last load had time to go off."""
    return SimpleNamespace(off_us=off_us)


def heard(*applied_n: float, fresh_us: int | None = NOW_US) -> Any:
    """What is read of the rig: newtons per cable, and when it was last heard."""
    return SimpleNamespace(applied_n=applied_n, fresh_us=fresh_us)


def test_a_load_that_stays_though_none_is_commanded_is_a_disagreement_on_its_cable() -> None:
    for applied_n, cable in (((10.1,), 0), ((0.0, 10.1), 1), ((10.0, 10.1), 1)):
        assert load_left(heard(*applied_n), unloaded()) == Finding(
            Reason.RIG_DISAGREES, (("difference_n", 10.1),), (("allowed_n", 10.0),), cable
        )
    assert load_left(heard(10.0, 10.0), unloaded()) is None
    assert load_left(heard(), unloaded()) is None


def test_a_load_is_left_only_when_the_rig_was_heard_after_it_had_time_to_go_off() -> None:
    assert load_left(heard(400.0, fresh_us=NOW_US - 1), unloaded()) is None
    for fresh_us in (NOW_US, NOW_US + 1):
        assert load_left(heard(400.0, fresh_us=fresh_us), unloaded()) is not None
    assert load_left(heard(400.0, fresh_us=None), unloaded()) is None
