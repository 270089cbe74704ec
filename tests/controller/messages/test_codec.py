"""Conversions: exact JSON of the core's values, and both ways between the wire and the core."""

from __future__ import annotations

import dataclasses
import json
import math
import struct
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from jsonschema import Draft202012Validator

from ebbset.controller.messages import codec
from ebbset.controller.messages.actions import Answer, Decision, SendLoad, SendUnload, StateChanged
from ebbset.controller.messages.events import (
    Acknowledged,
    RepetitionSeen,
    Requested,
    RigAnnounced,
    RigLost,
    RigReported,
    Samples,
    Tick,
)
from ebbset.controller.messages.reasons import Limit, Reason, State
from ebbset.models.contract import wire
from ebbset.models.contract.rig_messages import RigEventKind
from ebbset.models.contract.wire import BadMessageCode, BadMessageError, Topic
from tests.support.sessions import Pair, auto_drop_order
from tests.support.wire_messages import FRAME, IDENTITY


def heard(topic: Topic, message: dict[str, Any]) -> Any:
    return codec.event_from_wire(topic, json.dumps(message).encode(), now_us=42, rig="bench")


def bits(value: float) -> bytes:
    return struct.pack("<d", value)


def samples(numbers: list[float]) -> Samples:
    return Samples(
        now_us=1,
        boot_id="boot-0001",
        seq=1,
        nonce="nonce-01",
        docked=False,
        applied_n=(numbers[0],),
        t_us=tuple(range(len(numbers))),
        position_m=(tuple(numbers),),
        velocity_m_s=(None,),
        force_n=(tuple(numbers),),
    )


@settings(max_examples=300, deadline=None)
@given(st.lists(st.floats(), min_size=1, max_size=20))
def test_every_float_keeps_its_bits(numbers: list[float]) -> None:
    before = samples(numbers)
    after = codec.from_json("samples", codec.to_json(before))
    for left, right in zip(before.position_m[0], after.position_m[0], strict=True):
        assert bits(left) == bits(right) or (math.isnan(left) and math.isnan(right))
    assert codec.to_json(after) == codec.to_json(before)


def test_numbers_that_python_itself_prints_and_reads_agree() -> None:
    """Outside check: the standard library's JSON reads the same doubles from our text."""
    numbers = [0.1, 1 / 3, 5e-324, 1.7976931348623157e308, -0.0, 2**53 + 2.0, 123456789.123456789]
    text = codec.to_json(samples(numbers))
    assert [bits(v) for v in json.loads(text)["position_m"][0]] == [bits(v) for v in numbers]


def test_every_value_of_a_whole_set_reads_back_equal_and_fits_its_own_schema(session: list[Pair]) -> None:
    validators = {kind: Draft202012Validator(codec.json_schema(kind)) for kind in codec.KINDS.values()}
    seen = set()
    for event, outputs in session:
        for value in (event, *outputs):
            kind = codec.KINDS[type(value)]
            data = codec.to_json(value)
            assert codec.from_json(kind, data) == value
            if kind not in seen or kind not in ("tick", "samples"):
                validators[kind].validate(json.loads(data))
            seen.add(kind)
    assert {"samples", "requested", "decision", "send_load", "repetition_record", "set_result"} <= seen


def test_all_kinds_have_a_schema_that_is_one() -> None:
    assert len(codec.KINDS) == len(codec.EVENT_KINDS) + len(codec.OUTPUT_KINDS) == 21
    for kind in codec.KINDS.values():
        Draft202012Validator.check_schema(codec.json_schema(kind))


def test_members_added_by_a_recording_are_ignored_and_wrong_ones_are_named() -> None:
    assert codec.from_json("tick", b'{"now_us":5,"crc32":1,"outputs":0}') == Tick(now_us=5)
    with pytest.raises(codec.BadRecordError, match=r"tick: now_us is 'soon'"):
        codec.from_json("tick", b'{"now_us":"soon"}')
    with pytest.raises(codec.BadRecordError, match="kind is 'tock'; allowed: one of"):
        codec.from_json("tock", b"{}")
    with pytest.raises(codec.BadRecordError, match="tick"):
        codec.from_json("tick", b"\xff\xfe")


# --- wire to core


def test_an_announcement_says_what_the_rig_can_do_and_its_will_that_it_is_lost() -> None:
    event = heard(Topic.IDENTITY, IDENTITY)
    assert isinstance(event, RigAnnounced)
    for field in dataclasses.fields(event):
        if field.name not in ("now_us", "simulated"):
            assert getattr(event, field.name) == IDENTITY[field.name]
    assert not event.simulated, "a rig that says nothing of it is real, as under the first contract"
    simulated = heard(Topic.IDENTITY, {**IDENTITY, "simulated": True})
    assert simulated == dataclasses.replace(event, simulated=True)
    with pytest.raises(BadMessageError, match="simulated is 'yes'"):
        heard(Topic.IDENTITY, {**IDENTITY, "simulated": "yes"})
    assert heard(Topic.IDENTITY, {**IDENTITY, "online": False}) == RigLost(now_us=42)


def test_an_announcement_in_another_rigs_name_is_refused() -> None:
    with pytest.raises(BadMessageError, match="rig is 'attic'; allowed: 'bench'") as caught:
        heard(Topic.IDENTITY, {**IDENTITY, "rig": "attic"})
    assert caught.value.code is BadMessageCode.INVALID_FIELD


def test_a_frame_becomes_columns_per_cable() -> None:
    event = heard(Topic.FRAME, FRAME)
    assert event == Samples(
        now_us=42,
        boot_id="boot-0001",
        seq=7,
        nonce=None,
        docked=False,
        applied_n=(400.0, 380.0),
        t_us=(1000, 2000),
        position_m=((0.1, 0.2), (0.3, 0.4)),
        velocity_m_s=((0.5, 0.6), None),
        force_n=((401.0, 399.0), None),
    )


def test_summaries_reports_acks_and_requests_keep_every_field() -> None:
    summary = heard(
        Topic.REPETITION,
        {
            "boot_id": "boot-0001",
            "seq": 3,
            "nonce": "nonce-01",
            "docked": False,
            "applied_n": [300.0],
            "t_start_us": 10,
            "t_end_us": 20,
            "outcome": "failed",
            "cables": [{"rom_m": 0.2, "mean_velocity_m_s": 0.1, "peak_velocity_m_s": 0.4}],
        },
    )
    assert isinstance(summary, RepetitionSeen)
    assert (summary.outcome, summary.rom_m, summary.mean_force_n) == ("failed", (0.2,), (None,))
    report = heard(Topic.EVENT, {"boot_id": "boot-0001", "seq": 1, "t_us": 5, "kind": "emergency_stop", "detail": "x"})
    assert report == RigReported(
        now_us=42, boot_id="boot-0001", seq=1, t_us=5, kind=RigEventKind.EMERGENCY_STOP, detail="x"
    )
    ack = heard(
        Topic.ACK,
        {
            "boot_id": "boot-0001",
            "nonce": "nonce-01",
            "command_seq": 4,
            "t_us": 9,
            "accepted": False,
            "refusal": "stale_citation",
            "applied_n": [0.0],
            "docked": True,
        },
    )
    assert isinstance(ack, Acknowledged)
    assert (ack.command_seq, ack.refusal, ack.docked) == (4, "stale_citation", True)
    prescription = auto_drop_order()
    request = heard(
        Topic.REQUEST,
        {
            "correlation_id": "ask-0001",
            "action": "arm",
            "operator": "coach",
            "ticket": "0123abcd-17",
            "cautions_shown": True,
            "prescription": prescription.model_dump(mode="json"),
        },
    )
    assert isinstance(request, Requested)
    assert request.prescription == prescription
    assert (request.ticket, request.arming) == ("0123abcd-17", None)
    assert request.fresh_nonce is None, "the nonce is the shell's to draw, never the wire's"


# --- core to wire


def test_every_output_of_a_whole_set_is_a_valid_message(session: list[Pair]) -> None:
    topics = set()
    for _, outputs in session:
        for output in outputs:
            topic, payload = codec.to_wire(output)
            message = wire.decode(topic, payload)
            topics.add(topic)
            if isinstance(output, SendLoad):
                assert (message.target_n, message.cites_t_us) == (output.target_n, output.cites_t_us)
    assert topics == {
        Topic.COMMAND,
        Topic.STATE,
        Topic.DECISION,
        Topic.REPETITION_REPORT,
        Topic.RESULT,
        Topic.ANSWER,
    }


def test_a_decision_keeps_its_numbers_and_a_long_text_is_cut() -> None:
    decision = Decision(
        seq=3,
        nonce="nonce-01",
        now_us=9,
        t_rig_us=8,
        state=State.WORKING,
        action="drop",
        reason=Reason.REVERSAL,
        text="x" * 900,
        cable=0,
        from_n=(400.0,),
        to_n=(300.0,),
        repetition=4,
        inputs=(("velocity_m_s", 0.01), ("force_n", None)),
        thresholds=(("velocity_m_s", 0.05),),
        limited_by=(Limit.FLOOR,),
    )
    topic, payload = codec.to_wire(decision)
    message = wire.decode(topic, payload)
    assert [(q.name, q.value) for q in message.inputs] == [("velocity_m_s", 0.01), ("force_n", None)]
    assert (message.reason, message.limited_by, len(message.text)) == ("reversal", ("floor",), 400)


@pytest.mark.parametrize("kind", list(codec.OUTPUT_KINDS.values()))
def test_an_output_has_every_field_of_its_wire_message(kind: type) -> None:
    """What an output lacks would silently go out as the default of its message."""
    _, message = codec.WIRE_FORMS[kind]
    from_shell = {"ticket", "recording_failure"} if kind is StateChanged else set()
    there = from_shell | {field.name for field in dataclasses.fields(kind)} | set(dir(kind))
    assert set(message.model_fields) - {"version", "kind"} <= there


def test_our_own_long_texts_are_cut_and_those_of_others_are_refused() -> None:
    answer = Answer(
        correlation_id="ask-00001", accepted=False, code="c", message="m" * 900, nonce=None, state=State.IDLE
    )
    topic, payload = codec.to_wire(answer)
    assert wire.decode(topic, payload).message == "m" * 400
    with pytest.raises(BadMessageError, match="message"):
        wire.decode(topic, payload.replace(b"m" * 400, b"m" * 401))


def test_what_breaks_the_contract_never_becomes_a_message() -> None:
    with pytest.raises(codec.UnsendableError, match=r"ctl/command: target_n\[0\] is nan"):
        codec.to_wire(
            SendLoad(nonce="nonce-01", seq=1, target_n=(math.nan,), ramp_n_per_s=300.0, lease_ms=600, cites_t_us=1)
        )
    with pytest.raises(codec.UnsendableError, match="ramp_n_per_s"):
        codec.to_wire(SendUnload(nonce="nonce-01", seq=1, ramp_n_per_s=math.inf))
    state = StateChanged(now_us=1, state=State.IDLE, velocity_m_s=(math.inf,))
    with pytest.raises(codec.UnsendableError, match="velocity_m_s"):
        codec.to_wire(state)


@pytest.mark.parametrize("reason", ["stale_citation", "a_reason_of_1_7"])
def test_a_refusal_counts_whatever_its_reason_and_reads_back_from_a_recording(reason: str) -> None:
    said = {
        "version": 1,
        "boot_id": "boot-0001",
        "nonce": "nonce-01",
        "command_seq": 4,
        "t_us": 9,
        "accepted": False,
        "refusal": reason,
        "applied_n": [0.0],
        "docked": True,
    }
    ack = codec.event_from_wire(Topic.ACK, json.dumps(said).encode(), now_us=1, rig="bench")
    assert isinstance(ack, Acknowledged)
    assert (ack.accepted, ack.refusal) == (False, reason)
    assert codec.from_json("acknowledged", codec.to_json(ack)) == ack
    with pytest.raises(BadMessageError, match="refusal"):
        codec.event_from_wire(Topic.ACK, json.dumps(said | {"refusal": None}).encode(), now_us=1, rig="bench")
