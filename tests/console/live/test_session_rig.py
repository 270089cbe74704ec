"""What a lead knows of a rig: its own set by the nonce alone, somebody else's, and when a result will not come."""

from __future__ import annotations

from typing import Any

from ebbset.coaching.sessions.session_events import UNHEARD
from ebbset.console.live.session_rig import GONE_AFTER_S, UNHEARD_AFTER_S, SessionRig
from ebbset.models.contract.controller_messages import RepetitionReport, SetReport, StateReport
from ebbset.models.contract.rig_messages import RepetitionOutcome
from ebbset.models.contract.wire import Topic
from tests.support.session_plans import straight_set

OWN, OTHER = "nonce-of-ours", "nonce-of-others"


def rig(state: str = "working", nonce: str | None = OWN) -> SessionRig:
    found = SessionRig("rig1")
    found.lead(OWN, straight_set())
    tell(found, state, nonce)
    return found


def tell(to: SessionRig, state: str, nonce: str | None) -> None:
    to.take(Topic.STATE, StateReport(t_host_us=0, state=state, nonce=nonce).model_dump_json().encode())


def result(nonce: str, **changes: Any) -> bytes:
    figures = {"repetitions": 8, "drops": 0, "bouts": 1, "duration_s": 30.0, "final_load_n": (300.0,)}
    return SetReport(
        nonce=nonce,
        prescription="Straight set",
        prescription_hash="0",
        reason="set_done",
        text="Done.",
        budget_spent=0.3,
        refused_inputs=0,
        guard_refusals=0,
        **{**figures, **changes},
    ).model_dump_json().encode()  # fmt: skip


def repetition(nonce: str, cable: int, one_rm_n: float) -> bytes:
    return RepetitionReport(
        nonce=nonce,
        index=1,
        bout=0,
        step=0,
        cable=cable,
        outcome=RepetitionOutcome.COMPLETED,
        load_n=300.0,
        t_start_us=0,
        t_end_us=1,
        rom_m=0.5,
        mean_velocity_m_s=0.5,
        peak_velocity_m_s=0.7,
        min_velocity_m_s=0.1,
        mean_force_n=None,
        capacity_n=None,
        capacity_sd_n=None,
        budget_spent=None,
        one_rm_n=one_rm_n,
        one_rm_low_n=one_rm_n - 50.0,
        one_rm_high_n=one_rm_n + 50.0,
    ).model_dump_json().encode()  # fmt: skip


def test_only_the_own_nonce_makes_a_result_the_session_s() -> None:
    one = rig()
    one.take(Topic.RESULT, result(OTHER))
    assert one.result is None
    one.take(Topic.REPETITION_REPORT, repetition(OTHER, 0, 100.0))
    one.take(Topic.REPETITION_REPORT, repetition(OWN, 0, 600.0))
    one.take(Topic.REPETITION_REPORT, repetition(OWN, 1, 560.0))
    one.take(Topic.RESULT, result(OWN))
    ended = one.ended(OWN, 5.0)
    assert (ended.repetitions, ended.loss, ended.ended_n) == (8, 0.3, (300.0,))
    assert (ended.one_rm_low_n, ended.one_rm_n, ended.one_rm_high_n) == (510.0, 560.0, 610.0), "of the weaker cable"


def test_a_result_that_comes_before_the_answer_to_the_arming_is_kept() -> None:
    one = SessionRig("rig1")
    one.take(Topic.RESULT, result(OWN))
    one.lead(OWN, straight_set())
    assert one.result is not None


def test_a_set_that_is_ending_was_perhaps_never_started() -> None:
    assert rig("ending").holds_own
    assert not rig("ending").own_at_work
    assert rig("resting").own_at_work


def test_a_rig_at_somebody_else_s_set_is_said_to_be_busy_and_an_own_or_a_free_one_is_not() -> None:
    assert "busy with somebody else's set" in rig("armed", OTHER).obstacle
    assert rig("armed").obstacle == ""
    assert rig("ended", OTHER).obstacle == ""
    assert "No controller is heard" in rig("offline", None).obstacle
    assert "No controller is heard" in SessionRig("rig1").obstacle


def test_a_result_is_given_up_only_after_a_while_without_the_set() -> None:
    one = rig()
    assert not one.gone(0.0)
    tell(one, "idle", None)
    assert not one.gone(10.0)
    assert not one.gone(10.0 + UNHEARD_AFTER_S)
    assert one.gone(10.1 + UNHEARD_AFTER_S)
    assert one.ended(OWN, 20.0).reason == UNHEARD
    tell(one, "working", OWN)
    assert not one.gone(50.0)
    tell(one, "offline", None)
    assert not one.gone(60.0)
    assert not one.gone(60.0 + GONE_AFTER_S)
    assert one.gone(60.1 + GONE_AFTER_S)


def test_nonsense_is_ignored() -> None:
    one = rig()
    one.take(Topic.RESULT, b"{")
    one.take(Topic.STATE, b"null")
    assert one.state is not None
    assert one.result is None
