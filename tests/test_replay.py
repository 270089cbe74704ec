"""Replay: the same inputs give the same outputs to the last bit, and the first place where they do not is named."""

from __future__ import annotations

import dataclasses
import io
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from kinematic_rig import POLICIES
from sessions import Pair

from ebbset.controller.actions import Output, SendLoad, SetResult
from ebbset.controller.events import Samples
from ebbset.controller.recorder import RecordingWriter
from ebbset.controller.recording import BadRecordingError, Recording, parse_recording
from ebbset.controller.replay import Verdict, replay, replay_file


def recorded(pairs: list[Pair], *, finish: bool = True) -> bytes:
    stream = io.BytesIO()
    writer = RecordingWriter(stream, {})
    for event, outputs in pairs:
        writer.add(event, outputs)
    writer.flush()
    if finish:
        writer.finish({})
    return stream.getvalue()


def with_output(pairs: list[Pair], kind: type, change: Callable[[Any], Output]) -> tuple[list[Pair], int, int]:
    """The pairs with the last output of a kind changed; also the index of its input and its position there."""
    for index in range(len(pairs) - 1, -1, -1):
        event, outputs = pairs[index]
        for position, output in enumerate(outputs):
            if isinstance(output, kind):
                changed = (*outputs[:position], change(output), *outputs[position + 1 :])
                return [*pairs[:index], (event, changed), *pairs[index + 1 :]], index, position
    raise AssertionError(f"no {kind.__name__} in the session")


def test_a_recording_replays_to_the_same_outputs(tmp_path: Path, session: list[Pair]) -> None:
    path = tmp_path / "set.mcap"
    path.write_bytes(recorded(session))
    report = replay_file(path, POLICIES)
    assert report.verdict is Verdict.SAME
    assert report.reproduced
    assert report.inputs == len(session)
    assert report.outputs == sum(len(outputs) for _, outputs in session) > 50
    assert report.notes == ()


def test_one_bit_in_one_output_is_found_and_named(session: list[Pair]) -> None:
    def nudge(output: SendLoad) -> SendLoad:
        # One unit in the last place of a double of this size.
        return dataclasses.replace(output, target_n=(output.target_n[0] + 2**-45,))

    changed, index, position = with_output(session, SendLoad, nudge)
    report = replay(parse_recording(recorded(changed)), POLICIES)
    assert report.verdict is Verdict.DIFFERENT
    assert not report.reproduced
    difference = report.difference
    assert difference is not None
    assert (difference.index, difference.position, difference.kind) == (index, position, "send_load")
    assert difference.field == "target_n[0]"
    assert difference.expected == difference.got + 2**-45
    assert str(difference).startswith(f"input {index} (")
    assert "target_n[0] was" in str(difference)


def test_a_missing_an_extra_and_another_kind_of_output_are_found(session: list[Pair]) -> None:
    busy = next(index for index, (_, outputs) in enumerate(session) if len(outputs) >= 3)
    event, outputs = session[busy]

    def verdict(changed: tuple[Output, ...]) -> Any:
        pairs = [*session[:busy], (event, changed), *session[busy + 1 :]]
        return replay(parse_recording(recorded(pairs)), POLICIES).difference

    lacking = verdict(outputs[:-1])
    assert (lacking.index, lacking.field) == (busy, "number of outputs")
    assert (lacking.expected, lacking.got) == (len(outputs) - 1, len(outputs))
    extra = verdict((*outputs, outputs[-1]))
    assert (extra.expected, extra.got) == (len(outputs) + 1, len(outputs))
    swapped = verdict((outputs[1], outputs[0], *outputs[2:]))
    assert (swapped.position, swapped.field) == (0, "kind")


def test_a_changed_input_shows_as_the_first_decision_that_differs(session: list[Pair]) -> None:
    first_load = next(i for i, (_, out) in enumerate(session) if any(isinstance(o, SendLoad) for o in out))
    target = next(index for index in range(first_load, len(session)) if isinstance(session[index][0], Samples))
    event, outputs = session[target]
    assert isinstance(event, Samples)
    moved = dataclasses.replace(event, boot_id="boot-9999")
    pairs = [*session[:target], (moved, outputs), *session[target + 1 :]]
    report = replay(parse_recording(recorded(pairs)), POLICIES)
    assert report.difference is not None
    assert report.difference.index >= target


def test_a_cut_recording_replays_as_far_as_it_goes(session: list[Pair]) -> None:
    data = recorded(session, finish=False)
    report = replay(parse_recording(data[: len(data) * 2 // 3]), POLICIES)
    assert report.verdict is Verdict.SAME_AS_FAR_AS_RECORDED
    assert report.reproduced
    assert 0 < report.inputs < len(session)
    assert any("not ended" in note for note in report.notes)


def test_behind_a_gap_nothing_is_claimed(session: list[Pair]) -> None:
    stream = io.BytesIO()
    writer = RecordingWriter(stream, {})
    for index, (event, outputs) in enumerate(session):
        if not 100 <= index < 110:
            writer.add(event, outputs, index)
    writer.finish({})
    report = replay(parse_recording(stream.getvalue()), POLICIES)
    assert report.verdict is Verdict.SAME_AS_FAR_AS_RECORDED
    assert report.inputs == 100
    assert "inputs 100 to 109 are missing" in report.notes


def test_nothing_recorded_reproduces_nothing() -> None:
    report = replay(Recording({}, {}, (), (), (), finished=True), POLICIES)
    assert report.verdict is Verdict.NOTHING_TO_REPLAY
    assert not report.reproduced


def test_without_the_policy_of_the_set_the_difference_says_where(session: list[Pair]) -> None:
    report = replay(parse_recording(recorded(session)), {})
    assert report.difference is not None
    assert "requested" in str(report.difference)


def test_a_file_that_is_no_recording_is_said_to_be_none(tmp_path: Path) -> None:
    path = tmp_path / "notes.txt"
    path.write_text("not a recording")
    with pytest.raises(BadRecordingError, match=r"notes\.txt holds nothing of a recording"):
        replay_file(path, POLICIES)


def test_the_session_of_these_tests_is_a_real_set(session: list[Pair]) -> None:
    results = [o for _, outputs in session for o in outputs if isinstance(o, SetResult)]
    assert len(results) == 1
    assert results[0].drops >= 3
