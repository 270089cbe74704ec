"""Replay: the same inputs give the same outputs to the last bit, and the first place where they do not is named."""

from __future__ import annotations

import dataclasses
import io
import json
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any

import pytest

from ebbset.console.app import run
from ebbset.console.exits import Exit
from ebbset.controller.messages.actions import Answer, Output, SendLoad, SetResult
from ebbset.controller.messages.events import LinkUp, Requested, Samples
from ebbset.controller.recording.reader import BadRecordingError, Recording, parse_recording
from ebbset.controller.recording.replay import Verdict, replay, replay_file
from ebbset.controller.recording.writer import RecordingWriter
from ebbset.models.contract.operator_messages import RequestAction
from tests.support.kinematic_rig import POLICIES, KinematicRig
from tests.support.sessions import Pair, Tap, auto_drop_order


def recorded(pairs: list[Pair], *, finish: bool = True, facts: Mapping[str, str] | None = None) -> bytes:
    stream = io.BytesIO()
    writer = RecordingWriter(stream, facts or {})
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
    assert any("no end" in note for note in report.notes)


def test_behind_a_gap_nothing_is_claimed(session: list[Pair]) -> None:
    stream = io.BytesIO()
    writer = RecordingWriter(stream, {})
    for index, (event, outputs) in enumerate(session):
        if not 100 <= index < 110:
            writer.add(event, outputs, index)
    writer.finish({})
    report = replay(parse_recording(stream.getvalue()), POLICIES)
    assert report.verdict is Verdict.DAMAGED
    assert report.inputs == 100
    assert "inputs 100 to 109 are missing" in report.notes


def test_nothing_recorded_reproduces_nothing() -> None:
    report = replay(Recording({}, {}, (), (), (), finished=True), POLICIES)
    assert report.verdict is Verdict.NOTHING_TO_REPLAY
    assert not report.reproduced


def test_a_policy_that_is_not_installed_is_named_and_nothing_is_compared(session: list[Pair]) -> None:
    others = {name: factory for name, factory in POLICIES.items() if name != "fixed_fraction"}
    facts = {"policy.fixed_fraction": "drops-of-ours 1.2", "policy.fixed_step": "ebbset 0.1.0"}
    report = replay(parse_recording(recorded(session, facts=facts)), others)
    assert report.verdict is Verdict.POLICY_MISSING
    assert not report.reproduced
    assert (report.inputs, report.difference) == (0, None)
    assert report.notes == (
        "the drop policy 'fixed_fraction', which came with drops-of-ours 1.2, is not installed here; "
        "installed: fixed_step",
    )
    bare = replay(parse_recording(recorded(session)), {})
    assert bare.notes == ("the drop policy 'fixed_fraction' is not installed here; installed: none",)


def test_the_command_line_names_the_missing_policy_and_exits_with_a_code_of_its_own(
    tmp_path: Path, session: list[Pair], capsys: pytest.CaptureFixture[str]
) -> None:
    renamed = [
        (
            dataclasses.replace(
                event,
                prescription=event.prescription.model_copy(
                    update={"drop": event.prescription.drop.model_copy(update={"policy": "taper"})}
                ),
            )
            if isinstance(event, Requested) and event.prescription is not None
            else event,
            outputs,
        )
        for event, outputs in session
    ]
    path = tmp_path / "set.mcap"
    path.write_bytes(recorded(renamed, facts={"policy.taper": "taper 0.3"}))
    assert run(["replay", str(path)]) == Exit.MISSING_EXTRA
    out = capsys.readouterr().out
    assert "not replayed: a drop policy is missing" in out
    assert "the drop policy 'taper', which came with taper 0.3, is not installed here; installed: " in out
    assert "difference" not in out
    assert run(["replay", str(path), "--json"]) == Exit.MISSING_EXTRA
    assert json.loads(capsys.readouterr().out)[0]["verdict"] == "policy_missing"


def test_policies_that_came_later_change_no_refusal() -> None:
    """A refused arming names the policies that there are; a replay must not name those of another day."""
    order = auto_drop_order(drop={"policy": "taper"})
    ask = Requested(
        now_us=3,
        fresh_nonce="nonce-0001",
        correlation_id="c-000001",
        action=RequestAction.ARM,
        operator="o",
        cautions_shown=True,
        prescription=order,
    )
    then = {"fixed_step": POLICIES["fixed_step"]}
    tap = Tap(then)
    for event in (LinkUp(now_us=1), KinematicRig(auto_drop_order(), lifts_n=[]).identity(), ask):
        tap.handle(event)
    (answer,) = tap.pairs[-1][1]
    assert isinstance(answer, Answer)
    assert answer.message.endswith("allowed: fixed_step")
    report = replay(parse_recording(recorded(tap.pairs, facts={"policy.fixed_step": "ebbset 0.1.0"})), POLICIES)
    assert report.verdict is Verdict.SAME, report.difference


def test_a_file_that_is_not_a_recording_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "notes.txt"
    path.write_text("not a recording")
    with pytest.raises(BadRecordingError, match=r"notes\.txt contains no part of a recording"):
        replay_file(path, POLICIES)


def test_the_session_of_these_tests_is_a_real_set(session: list[Pair]) -> None:
    results = [o for _, outputs in session for o in outputs if isinstance(o, SetResult)]
    assert len(results) == 1
    assert results[0].drops >= 3
