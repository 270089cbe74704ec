"""Recordings of an earlier version: what it did not record is not compared, and its requests mean what they meant."""

from __future__ import annotations

import dataclasses

import pytest

from ebbset.controller.messages.actions import Answer, Output, RepetitionRecord, SetResult
from ebbset.controller.messages.events import Requested
from ebbset.controller.recording.older import made_under_1_0
from ebbset.controller.recording.replay import Verdict, replay
from ebbset.models.contract.operator_messages import RequestAction
from tests.support.kinematic_rig import POLICIES
from tests.support.older_recordings import recorded
from tests.support.sessions import Pair


def test_a_member_that_the_older_version_did_not_record_is_not_compared(
    session: list[Pair], monkeypatch: pytest.MonkeyPatch
) -> None:
    spent = [o.budget_sd for _, outputs in session for o in outputs if isinstance(o, RepetitionRecord)]
    assert any(value is not None for value in spent), "a member that would differ from what its absence is read as"
    recording = recorded(session, monkeypatch, "budget_sd")
    assert replay(recording, POLICIES).verdict is Verdict.SAME
    lacking = {name for item in recording.handled for names in item.lacking for name in names}
    assert lacking == {"budget_sd"}


def test_a_member_that_it_did_record_is_compared_as_ever(session: list[Pair], monkeypatch: pytest.MonkeyPatch) -> None:
    changed = [
        (event, tuple(dataclasses.replace(o, drops=o.drops + 1) if isinstance(o, SetResult) else o for o in outputs))
        for event, outputs in session
    ]
    report = replay(recorded(changed, monkeypatch, "budget_sd"), POLICIES)
    assert report.verdict is Verdict.DIFFERENT
    assert report.difference is not None
    assert (report.difference.kind, report.difference.field) == ("set_result", "drops")


def test_a_start_of_1_0_starts_what_was_armed_and_its_answers_are_left_out(
    session: list[Pair], monkeypatch: pytest.MonkeyPatch
) -> None:
    """Under 1.0 the arming was answered at once, and a start named nothing."""

    def as_1_0(pair: Pair) -> Pair:
        event, outputs = pair
        kept: tuple[Output, ...] = tuple(output for output in outputs if not isinstance(output, Answer))
        if isinstance(event, Requested) and event.action is RequestAction.ARM:
            answer = next(o for _, out in session for o in out if isinstance(o, Answer))
            kept = (*kept[:2], answer, *kept[2:])
        return event, kept

    recording = recorded([as_1_0(pair) for pair in session], monkeypatch, "arming", "ticket", under_1_0=True)
    assert made_under_1_0(recording.metadata)
    starts = [i.event for i in recording.handled if isinstance(i.event, Requested) and i.event.action == "start"]
    assert [start.arming for start in starts] == [None]
    report = replay(recording, POLICIES)
    assert report.verdict is Verdict.SAME, str(report.difference)
    newer = dataclasses.replace(recording, metadata={"contract": "1.1"})
    assert replay(newer, POLICIES).verdict is Verdict.DIFFERENT


def test_the_lowest_velocity_of_a_repetition_is_compared_from_1_1_on(
    session: list[Pair], monkeypatch: pytest.MonkeyPatch
) -> None:
    """Under 1.0 it went on beyond the end of the concentric."""

    def as_1_0(output: Output) -> Output:
        return dataclasses.replace(output, min_velocity_m_s=-0.3) if isinstance(output, RepetitionRecord) else output

    changed = [(event, tuple(map(as_1_0, outputs))) for event, outputs in session]
    recording = recorded(changed, monkeypatch, "arming", under_1_0=True)
    assert replay(recording, POLICIES).verdict is Verdict.SAME
    newer = dataclasses.replace(recorded(changed, monkeypatch), metadata={"contract": "1.1"})
    report = replay(newer, POLICIES)
    assert report.verdict is Verdict.DIFFERENT
    assert report.difference is not None
    assert report.difference.field == "min_velocity_m_s"
