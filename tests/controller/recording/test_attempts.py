"""A repetition that stalled is told at the load where it stalled, and each decision finds the repetition it answers."""

from __future__ import annotations

from dataclasses import replace

from ebbset.controller.messages.actions import Decision, Output, RepetitionRecord
from ebbset.controller.messages.reasons import Reason, State
from ebbset.controller.recording.attempts import attempts_of
from ebbset.models.contract.rig_messages import RepetitionOutcome

STALL = (("stalled_s", 0.4),)


def repetition(index: int, start_us: int, end_us: int, load_n: float, step: int, cable: int = 0) -> RepetitionRecord:
    return RepetitionRecord(
        nonce="12345678",
        index=index,
        bout=0,
        step=step,
        cable=cable,
        outcome=RepetitionOutcome.COMPLETED,
        load_n=load_n,
        t_start_us=start_us,
        t_end_us=end_us,
        rom_m=0.4,
        mean_velocity_m_s=0.3,
        peak_velocity_m_s=0.4,
        min_velocity_m_s=0.1,
        mean_force_n=None,
        capacity_n=None,
        capacity_sd_n=None,
        budget_spent=None,
    )


def decision(
    seq: int, action: str, at_us: int, before: tuple[float, ...], after: tuple[float, ...], cable: int | None = 0
) -> Decision:
    return Decision(
        now_us=at_us,
        seq=seq,
        nonce="12345678",
        state=State.WORKING,
        action=action,
        reason=Reason.STALL_IN_CONCENTRIC,
        text="",
        from_n=before,
        to_n=after,
        cable=cable,
        repetition=0,
        inputs=STALL if cable is not None else (),
        thresholds=(),
        limited_by=(),
        t_rig_us=at_us,
    )


def tried(outputs: list[Output]) -> list[tuple[float, int]]:
    return [(record.load_n, record.step) for record in attempts_of(outputs).records]


def test_a_repetition_helped_by_two_drops_began_at_the_first_load() -> None:
    outputs: list[Output] = [
        decision(1, "load", 0, (0.0,), (400.0,), None),
        repetition(1, 10, 20, 400.0, 0),
        decision(2, "drop", 35, (400.0,), (300.0,)),
        decision(3, "drop", 45, (300.0,), (200.0,)),
        repetition(2, 30, 50, 200.0, 2),
        repetition(3, 60, 70, 200.0, 2),
    ]
    assert tried(outputs) == [(400.0, 0), (400.0, 0), (200.0, 2)]
    assert attempts_of(outputs).answered == {2: (0, 2), 3: (0, 2)}


def test_a_drop_before_an_attempt_is_not_within_it() -> None:
    outputs: list[Output] = [
        decision(1, "load", 0, (0.0,), (400.0,), None),
        decision(2, "drop", 25, (400.0,), (300.0,)),
        repetition(1, 30, 50, 300.0, 1),
    ]
    assert tried(outputs) == [(300.0, 1)]
    assert attempts_of(outputs).answered == {}


def test_coupled_cables_both_began_at_the_load_before_although_one_stalled() -> None:
    outputs: list[Output] = [
        decision(1, "load", 0, (0.0, 0.0), (400.0, 400.0), None),
        decision(2, "drop", 35, (400.0, 400.0), (300.0, 300.0), cable=1),
        repetition(1, 30, 50, 300.0, 1, cable=0),
        repetition(1, 30, 52, 300.0, 1, cable=1),
    ]
    assert tried(outputs) == [(400.0, 0), (400.0, 0)]
    assert attempts_of(outputs).answered == {2: (1, 1)}


def test_a_failure_reported_first_is_what_the_drop_after_it_answers() -> None:
    failed = replace(repetition(4, 10, 20, 400.0, 0), outcome=RepetitionOutcome.FAILED)
    outputs: list[Output] = [
        decision(1, "load", 0, (0.0,), (400.0,), None),
        failed,
        decision(2, "drop", 20, (400.0,), (300.0,)),
    ]
    assert tried(outputs) == [(400.0, 0)]
    assert attempts_of(outputs).answered == {2: (0, 4)}


def test_a_stall_that_ended_the_set_before_its_record_answers_no_other_repetition() -> None:
    outputs: list[Output] = [
        decision(1, "load", 0, (0.0,), (400.0,), None),
        repetition(1, 10, 20, 400.0, 0),
        decision(2, "end", 35, (400.0,), (0.0,)),
    ]
    assert attempts_of(outputs).answered == {}


def test_drops_of_an_earlier_bout_do_not_count() -> None:
    outputs: list[Output] = [
        decision(1, "load", 0, (0.0,), (400.0,), None),
        decision(2, "drop", 15, (400.0,), (300.0,)),
        decision(3, "load", 20, (0.0,), (400.0,), None),
        repetition(1, 10, 30, 400.0, 0),
    ]
    assert tried(outputs) == [(400.0, 0)]
