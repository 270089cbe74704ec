"""Conversions between the core's values, the wire and the recording.

Wire messages become events and outputs become wire messages (`event_from_wire`,
`to_wire`); and every event and output has one JSON form that reads back to the same value, every float to the last
bit (`to_json`, `from_json`), which is what recordings hold and replay compares. Never here: sockets, files, clocks,
decisions.
"""

from __future__ import annotations

import json
import re
from collections.abc import Callable
from dataclasses import fields
from typing import Any, Final, get_args

from pydantic import BaseModel, ConfigDict, TypeAdapter, ValidationError

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
from ebbset.models.contract import controller_messages, field_types, operator_messages, rig_messages, wire
from ebbset.models.contract.operator_messages import RequestAction
from ebbset.models.contract.problems import problems_of
from ebbset.models.contract.wire import BadMessageCode, BadMessageError, Topic

COMMANDS: Final[tuple[type, ...]] = get_args(Command)
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


_MEMBERS: Final = {
    kind: tuple((field.name, f'"{field.name}":'.encode()) for field in fields(cls)) for cls, kind in KINDS.items()
}
_NOTHING: Final[frozenset[str]] = frozenset()


class BadRecordError(ValueError):
    """A recorded value that this version cannot read; names the kind and the field."""


class UnsendableError(ValueError):
    """An output that breaks the wire contract: a defect of ours, which must not reach the wire."""


def to_json(value: Event | Output) -> bytes:
    """The value as one JSON object in UTF-8. Equal values give equal bytes."""
    return _ADAPTERS[KINDS[type(value)]].dump_json((value,))[1:-1]


def from_json(kind: str, data: bytes) -> Any:
    """The value that `to_json` wrote, floats bit for bit. Members that the kind does not have are ignored.

    Args:
        kind: kind of the event or output, as recorded.
        data: its JSON.

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


def lacking(kind: str, data: bytes) -> frozenset[str]:
    """Members of a kind that its recorded JSON does not have, because the version that wrote it did not know them.

    Args:
        kind: kind of the event or output, as recorded.
        data: its JSON, as `to_json` wrote it.
    """
    # A quote inside a text is written with a backslash before it, so that this finds names of members only.
    missing = [name for name, member in _MEMBERS[kind] if member not in data]
    return frozenset(missing) if missing else _NOTHING


def json_schema(kind: str) -> dict[str, Any]:
    """JSON Schema (2020-12) of one kind as recorded."""
    cls = (EVENT_KINDS | OUTPUT_KINDS)[kind]
    return TypeAdapter(cls).json_schema(mode="serialization")


# --- wire to core -----------------------------------------------------------------------------------------------


def _reader(
    kind: type[Event], message: type[field_types.Message], cable: type[BaseModel] | None = None
) -> Callable[[Any, int], Event]:
    """A converter by name: the event takes the message's fields, and one column for each field of a cable."""
    names = {field.name for field in fields(kind)}
    columns = tuple(name for name in (() if cable is None else cable.model_fields) if name in names)
    plain = tuple(name for name in message.model_fields if name in names and name not in columns)

    def read(m: Any, now_us: int) -> Event:
        values = {name: getattr(m, name) for name in plain}
        for name in columns:
            values[name] = tuple([getattr(one, name) for one in m.cables])
        return kind(now_us=now_us, **values)

    return read


_announced: Final = _reader(RigAnnounced, rig_messages.RigIdentity)
_FROM_WIRE: Final[dict[Topic, Callable[[Any, int], Event]]] = {
    Topic.IDENTITY: lambda m, now_us: _announced(m, now_us) if m.online else RigLost(now_us=now_us),
    Topic.FRAME: _reader(Samples, rig_messages.SampleFrame, rig_messages.CableSamples),
    Topic.REPETITION: _reader(RepetitionSeen, rig_messages.RepetitionSummary, rig_messages.CableRepetition),
    Topic.EVENT: _reader(RigReported, rig_messages.RigEvent),
    Topic.ACK: _reader(Acknowledged, rig_messages.CommandAck),
    Topic.REQUEST: _reader(Requested, operator_messages.OperatorRequest),
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
    """What an invalid request still says.

    Args:
        payload: the invalid request, as received.
        now_us: controller clock at arrival, microseconds.

    Returns:
        Its correlation id, if it has one, and a stop request, if it clearly asks for one: a person who wants the load
        off must not be refused because another field is wrong.
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


WIRE_FORMS: Final[dict[type, tuple[Topic, type[field_types.Message]]]] = {
    SendArm: (Topic.COMMAND, controller_messages.ArmCommand),
    SendLoad: (Topic.COMMAND, controller_messages.LoadCommand),
    SendUnload: (Topic.COMMAND, controller_messages.UnloadCommand),
    SendRelease: (Topic.COMMAND, controller_messages.ReleaseCommand),
    Answer: (Topic.ANSWER, operator_messages.OperatorAnswer),
    Decision: (Topic.DECISION, controller_messages.DecisionReport),
    RepetitionRecord: (Topic.REPETITION_REPORT, controller_messages.RepetitionReport),
    StateChanged: (Topic.STATE, controller_messages.StateReport),
    SetResult: (Topic.RESULT, controller_messages.SetReport),
}
"""Topic and message of each output. An output has every field of its message under the same name."""


def to_wire(output: Output, **known_to_shell: Any) -> tuple[Topic, bytes]:
    """Topic and payload of one output: its wire message has the same fields.

    Args:
        output: what the core put out.
        known_to_shell: members of the message that the core does not know.

    Raises:
        UnsendableError: the output breaks the contract; names the field.
    """
    topic, message = WIRE_FORMS[type(output)]
    try:
        sent = message.model_validate(output, from_attributes=True)
        return topic, sent.model_copy(update=known_to_shell).model_dump_json().encode()
    except ValidationError as error:
        raise UnsendableError(f"{topic.value}: {problems_of(error)[0]}") from None
