"""Between the core's values, the wire and the recording: every conversion, and nothing else.

Two directions meet here. Wire messages become events and outputs become wire messages (`event_from_wire`,
`to_wire`); and every event and output has one JSON form that reads back to the same value, every float to the last
bit (`to_json`, `from_json`), which is what recordings hold and replay compares. Never here: sockets, files, clocks,
decisions.
"""

from __future__ import annotations

import json
import re
from collections.abc import Callable
from typing import Any, Final, get_args

from pydantic import ConfigDict, TypeAdapter, ValidationError

from ebbset.controller.messages.actions import (
    Answer,
    Command,
    Decision,
    Output,
    RepetitionRecord,
    SendArm,
    SendLoad,
    SendRelease,
    SendUnload,
    SetResult,
    StateChanged,
)
from ebbset.controller.messages.events import (
    Acknowledged,
    Event,
    RepetitionSeen,
    Requested,
    RigAnnounced,
    RigLost,
    RigReported,
    Samples,
)
from ebbset.models.contract import wire
from ebbset.models.contract.problems import problems_of
from ebbset.models.contract.wire import BadMessageCode, BadMessageError, RequestAction, Topic

COMMANDS: Final[tuple[type, ...]] = get_args(Command)
_TEXT_CHARACTERS: Final = 400
_CORRELATION: Final = re.compile(r"[A-Za-z0-9_\-]{8,64}")


def _kind(cls: type) -> str:
    return re.sub(r"(?<=[a-z])(?=[A-Z])", "_", cls.__name__).lower()


EVENT_KINDS: Final[dict[str, type]] = {_kind(cls): cls for cls in get_args(Event)}
OUTPUT_KINDS: Final[dict[str, type]] = {_kind(cls): cls for cls in get_args(Output)}
KINDS: Final[dict[type, str]] = {cls: kind for kind, cls in (EVENT_KINDS | OUTPUT_KINDS).items()}

# Pydantic takes no configuration for a bare dataclass; inside a tuple of one it does. Non-finite numbers are kept
# because a recording holds what was handled, also what should never have come.
_ADAPTERS: Final[dict[str, TypeAdapter[Any]]] = {
    kind: TypeAdapter(tuple[cls], config=ConfigDict(ser_json_inf_nan="constants"))  # type: ignore[valid-type]
    for cls, kind in KINDS.items()
}


class BadRecordError(ValueError):
    """A recorded value that this version cannot read; names the kind and the field."""


class UnsendableError(ValueError):
    """An output that breaks the wire contract: a defect of ours, which must not reach the wire."""


def to_json(value: Event | Output) -> bytes:
    """The value as one JSON object in UTF-8. Equal values give equal bytes."""
    return _ADAPTERS[KINDS[type(value)]].dump_json((value,))[1:-1]


def from_json(kind: str, data: bytes) -> Any:
    """The value that `to_json` wrote, floats bit for bit. Members that the kind does not have are ignored.

    Raises:
        BadRecordError: unknown kind, or data that is not of this kind.
    """
    adapter = _ADAPTERS.get(kind)
    if adapter is None:
        raise BadRecordError(f"kind is {kind!r}; allowed: one of {', '.join(sorted(_ADAPTERS))}")
    try:
        return adapter.validate_json(b"[" + data + b"]")[0]
    except ValidationError as error:
        raise BadRecordError(f"{kind}: {problems_of(error, skip=1)[0]}") from None
    except ValueError as error:
        raise BadRecordError(f"{kind}: {error}") from None


def json_schema(kind: str) -> dict[str, Any]:
    """JSON Schema (2020-12) of one kind as recorded."""
    cls = (EVENT_KINDS | OUTPUT_KINDS)[kind]
    return TypeAdapter(cls).json_schema(mode="serialization")


# --- wire to core -----------------------------------------------------------------------------------------------


def _samples(m: wire.SampleFrame, now_us: int) -> Samples:
    return Samples(
        now_us=now_us,
        boot_id=m.boot_id,
        seq=m.seq,
        nonce=m.nonce,
        docked=m.docked,
        applied_n=m.applied_n,
        t_us=m.t_us,
        position_m=tuple(cable.position_m for cable in m.cables),
        velocity_m_s=tuple(cable.velocity_m_s for cable in m.cables),
        force_n=tuple(cable.force_n for cable in m.cables),
    )


def _repetition(m: wire.RepetitionSummary, now_us: int) -> RepetitionSeen:
    return RepetitionSeen(
        now_us=now_us,
        boot_id=m.boot_id,
        seq=m.seq,
        nonce=m.nonce,
        docked=m.docked,
        applied_n=m.applied_n,
        t_start_us=m.t_start_us,
        t_end_us=m.t_end_us,
        outcome=m.outcome,
        rom_m=tuple(cable.rom_m for cable in m.cables),
        mean_velocity_m_s=tuple(cable.mean_velocity_m_s for cable in m.cables),
        peak_velocity_m_s=tuple(cable.peak_velocity_m_s for cable in m.cables),
        mean_force_n=tuple(cable.mean_force_n for cable in m.cables),
    )


def _identity(m: wire.RigIdentity, now_us: int) -> RigAnnounced | RigLost:
    if not m.online:
        return RigLost(now_us=now_us)
    return RigAnnounced(
        now_us=now_us,
        rig=m.rig,
        boot_id=m.boot_id,
        cables=m.cables,
        telemetry=m.telemetry,
        sample_rate_hz=m.sample_rate_hz,
        has_force=m.has_force,
        max_load_n=m.max_load_n,
        min_load_n=m.min_load_n,
        max_ramp_n_per_s=m.max_ramp_n_per_s,
        max_lease_ms=m.max_lease_ms,
        simulated=m.simulated,
    )


def _reported(m: wire.RigEvent, now_us: int) -> RigReported:
    return RigReported(now_us=now_us, boot_id=m.boot_id, seq=m.seq, t_us=m.t_us, kind=m.kind, detail=m.detail)


def _acknowledged(m: wire.CommandAck, now_us: int) -> Acknowledged:
    return Acknowledged(
        now_us=now_us,
        boot_id=m.boot_id,
        nonce=m.nonce,
        command_seq=m.command_seq,
        t_us=m.t_us,
        accepted=m.accepted,
        refusal=m.refusal,
        applied_n=m.applied_n,
        docked=m.docked,
    )


def _requested(m: wire.OperatorRequest, now_us: int) -> Requested:
    return Requested(
        now_us=now_us,
        correlation_id=m.correlation_id,
        action=m.action,
        operator=m.operator,
        cautions_shown=m.cautions_shown,
        prescription=m.prescription,
        profile=m.profile,
    )


_FROM_WIRE: Final[dict[Topic, Callable[[Any, int], Event]]] = {
    Topic.IDENTITY: _identity,
    Topic.FRAME: _samples,
    Topic.REPETITION: _repetition,
    Topic.EVENT: _reported,
    Topic.ACK: _acknowledged,
    Topic.REQUEST: _requested,
}
HEARD: Final[tuple[Topic, ...]] = tuple(_FROM_WIRE)


def event_from_wire(topic: Topic, payload: bytes, *, now_us: int, rig: str) -> Event:
    """The event that a payload means.

    Args:
        topic: one of `HEARD`.
        payload: as it arrived.
        now_us: controller's monotonic clock at arrival.
        rig: the rig that this topic belongs to; an announcement in another name is refused.

    Raises:
        BadMessageError: whatever the payload holds; never any other error.
    """
    message = wire.decode(topic, payload)
    if topic is Topic.IDENTITY and message.rig != rig:
        raise BadMessageError(
            topic, BadMessageCode.INVALID_FIELD, f"rig is {message.rig!r}; allowed: {rig!r}, as in the topic"
        )
    return _FROM_WIRE[topic](message, now_us)


def parse_partial_request(payload: bytes, *, now_us: int) -> tuple[str | None, Requested | None]:
    """What can still be told from a request that is no valid message.

    Returns:
        Its correlation id if there is one to answer to, and a stop if it plainly asks for one: somebody who wants the
        load off must not be turned away over a member that is wrong.
    """
    if len(payload) > wire.MAX_PAYLOAD_BYTES:
        return None, None
    try:
        found = json.loads(payload)
    except (ValueError, RecursionError):
        return None, None
    if not isinstance(found, dict):
        return None, None
    given = found.get("correlation_id")
    correlation_id = given if isinstance(given, str) and _CORRELATION.fullmatch(given) else None
    stop = None
    if found.get("action") in (RequestAction.STOP, RequestAction.RELEASE):
        stop = Requested(
            now_us=now_us,
            correlation_id=correlation_id or "unreadable",
            action=RequestAction.STOP,
            operator="unreadable",
        )
    return correlation_id, stop


# --- core to wire -----------------------------------------------------------------------------------------------


def _quantities(named: tuple[tuple[str, float | None], ...]) -> tuple[wire.Quantity, ...]:
    return tuple(wire.Quantity(name=name, value=value) for name, value in named)


def _decision(o: Decision) -> wire.DecisionReport:
    return wire.DecisionReport(
        seq=o.seq,
        nonce=o.nonce,
        t_host_us=o.now_us,
        t_rig_us=o.t_rig_us,
        state=o.state,
        action=o.action,
        reason=o.reason,
        text=o.text[:_TEXT_CHARACTERS],
        cable=o.cable,
        from_n=o.from_n,
        to_n=o.to_n,
        repetition=o.repetition,
        inputs=_quantities(o.inputs),
        thresholds=_quantities(o.thresholds),
        limited_by=tuple(o.limited_by),
    )


def _repetition_report(o: RepetitionRecord) -> wire.RepetitionReport:
    return wire.RepetitionReport(
        nonce=o.nonce,
        index=o.index,
        bout=o.bout,
        step=o.step,
        cable=o.cable,
        outcome=o.outcome,
        load_n=o.load_n,
        t_start_us=o.t_start_us,
        t_end_us=o.t_end_us,
        rom_m=o.rom_m,
        mean_velocity_m_s=o.mean_velocity_m_s,
        peak_velocity_m_s=o.peak_velocity_m_s,
        min_velocity_m_s=o.min_velocity_m_s,
        mean_force_n=o.mean_force_n,
        capacity_n=o.capacity_n,
        capacity_sd_n=o.capacity_sd_n,
        budget_spent=o.budget_spent,
        budget_sd=o.budget_sd,
        load_changed=o.load_changed,
    )


def _state(o: StateChanged) -> wire.StateReport:
    return wire.StateReport(
        t_host_us=o.now_us,
        state=o.state,
        nonce=o.nonce,
        prescription=o.prescription,
        prescription_hash=o.prescription_hash,
        bout=o.bout,
        target_n=o.target_n,
        applied_n=o.applied_n,
        repetitions=o.repetitions,
        drops=o.drops,
        budget_spent=o.budget_spent,
        budget_limit=o.budget_limit,
        velocity_m_s=o.velocity_m_s,
        position_m=o.position_m,
    )


def _result(o: SetResult) -> wire.SetReport:
    return wire.SetReport(
        nonce=o.nonce,
        prescription=o.prescription,
        prescription_hash=o.prescription_hash,
        reason=o.reason,
        text=o.text[:_TEXT_CHARACTERS],
        repetitions=o.repetitions,
        drops=o.drops,
        bouts=o.bouts,
        duration_s=o.duration_s,
        final_load_n=o.final_load_n,
        budget_spent=o.budget_spent,
        refused_inputs=o.refused_inputs,
        guard_refusals=o.guard_refusals,
    )


def _arm(o: SendArm) -> wire.ArmCommand:
    return wire.ArmCommand(
        nonce=o.nonce,
        seq=o.seq,
        ceiling_n=o.ceiling_n,
        floor_n=o.floor_n,
        max_ramp_n_per_s=o.max_ramp_n_per_s,
        lease_ms=o.lease_ms,
    )


def _load(o: SendLoad) -> wire.LoadCommand:
    return wire.LoadCommand(
        nonce=o.nonce,
        seq=o.seq,
        target_n=o.target_n,
        ramp_n_per_s=o.ramp_n_per_s,
        lease_ms=o.lease_ms,
        cites_t_us=o.cites_t_us,
    )


def _unload(o: SendUnload) -> wire.UnloadCommand:
    return wire.UnloadCommand(nonce=o.nonce, seq=o.seq, ramp_n_per_s=o.ramp_n_per_s)


def _release(o: SendRelease) -> wire.ReleaseCommand:
    return wire.ReleaseCommand(nonce=o.nonce, seq=o.seq)


def _answer(o: Answer) -> wire.OperatorAnswer:
    return wire.OperatorAnswer(
        correlation_id=o.correlation_id,
        accepted=o.accepted,
        code=o.code,
        message=o.message[:_TEXT_CHARACTERS],
        nonce=o.nonce,
        state=o.state,
    )


_TO_WIRE: Final[dict[type, tuple[Topic, Callable[[Any], wire.Message]]]] = {
    SendArm: (Topic.COMMAND, _arm),
    SendLoad: (Topic.COMMAND, _load),
    SendUnload: (Topic.COMMAND, _unload),
    SendRelease: (Topic.COMMAND, _release),
    Answer: (Topic.ANSWER, _answer),
    Decision: (Topic.DECISION, _decision),
    RepetitionRecord: (Topic.REPETITION_REPORT, _repetition_report),
    StateChanged: (Topic.STATE, _state),
    SetResult: (Topic.RESULT, _result),
}


def to_wire(output: Output) -> tuple[Topic, bytes]:
    """Topic and payload of one output.

    Raises:
        UnsendableError: the output breaks the contract; names the field.
    """
    topic, convert = _TO_WIRE[type(output)]
    try:
        return topic, convert(output).model_dump_json().encode()
    except ValidationError as error:
        raise UnsendableError(f"{topic.value}: {problems_of(error)[0]}") from None
