"""The wire contract: the topics under ``ebbset/v1/<rig>/``, and the one function that turns bytes into a message.

The messages are in `rig_messages`, `controller_messages` and `operator_messages`, their field types in `field_types`.

Conventions. SI units. Loads and forces are newtons at the handle, per cable; a list has one entry per cable.
Position is cable paid out from the docked handle, so it grows in the concentric; velocity is positive in the
concentric; force is cable tension and never pushes. ``t_us`` is the rig's own clock in microseconds since the rig
booted; nothing here assumes that two clocks agree.
"""

from __future__ import annotations

import json
from collections.abc import Iterator
from enum import StrEnum
from typing import Any, Final

from pydantic import TypeAdapter, ValidationError

from ebbset.models.contract.controller_messages import (
    DecisionReport,
    RepetitionReport,
    RigCommand,
    SetReport,
    StateReport,
)
from ebbset.models.contract.operator_messages import OperatorAnswer, OperatorRequest
from ebbset.models.contract.problems import problems_of
from ebbset.models.contract.rig_messages import CommandAck, RepetitionSummary, RigEvent, RigIdentity, SampleFrame

CONTRACT_VERSION: Final = "1.1"
"""Major and minor version. The major one stands in every topic and message; the rules are in the contract itself."""
TOPIC_ROOT: Final = "ebbset/v1"
MAX_PAYLOAD_BYTES: Final = 65_536


class Topic(StrEnum):
    """The last part of each topic; `path` puts the root and the rig's name before it."""

    IDENTITY = "rig/identity"
    FRAME = "rig/frame"
    REPETITION = "rig/repetition"
    EVENT = "rig/event"
    ACK = "rig/ack"
    COMMAND = "ctl/command"
    STATE = "ctl/state"
    DECISION = "ctl/decision"
    REPETITION_REPORT = "ctl/repetition"
    RESULT = "ctl/result"
    ANSWER = "ctl/answer"
    REQUEST = "ops/request"

    def path(self, rig: str) -> str:
        """Full topic for one rig, e.g. ``ebbset/v1/north/rig/frame``."""
        return f"{TOPIC_ROOT}/{rig}/{self.value}"


_ADAPTERS: Final[dict[Topic, TypeAdapter[Any]]] = {
    Topic.IDENTITY: TypeAdapter(RigIdentity),
    Topic.FRAME: TypeAdapter(SampleFrame),
    Topic.REPETITION: TypeAdapter(RepetitionSummary),
    Topic.EVENT: TypeAdapter(RigEvent),
    Topic.ACK: TypeAdapter(CommandAck),
    Topic.COMMAND: TypeAdapter(RigCommand),
    Topic.STATE: TypeAdapter(StateReport),
    Topic.DECISION: TypeAdapter(DecisionReport),
    Topic.REPETITION_REPORT: TypeAdapter(RepetitionReport),
    Topic.RESULT: TypeAdapter(SetReport),
    Topic.ANSWER: TypeAdapter(OperatorAnswer),
    Topic.REQUEST: TypeAdapter(OperatorRequest),
}


def adapter(topic: Topic) -> TypeAdapter[Any]:
    """The pydantic adapter of one topic's message, for schemas and tests."""
    return _ADAPTERS[topic]


class BadMessageCode(StrEnum):
    """What was wrong with a payload."""

    TOO_LARGE = "too_large"
    NOT_JSON = "not_json"
    UNKNOWN_VERSION = "unknown_version"
    MISSING_FIELD = "missing_field"
    NOT_FINITE = "not_finite"
    INVALID_FIELD = "invalid_field"


class BadMessageError(ValueError):
    """A payload that is not a message. Says which field, what it held and what is allowed.

    Args:
        topic: where the payload arrived.
        code: kind of error.
        detail: which field, what it held and what is allowed.
    """

    def __init__(self, topic: Topic, code: BadMessageCode, detail: str) -> None:
        super().__init__(f"{topic.value}: {code.value}: {detail}")
        self.topic = topic
        self.code = code
        self.detail = detail


def decode(topic: Topic, payload: bytes | bytearray | str) -> Any:
    """Turn a payload into the message of its topic.

    Args:
        topic: where the payload arrived.
        payload: JSON, at most ``MAX_PAYLOAD_BYTES``.

    Raises:
        BadMessageError: whatever the payload holds; never any other error.
    """
    if len(payload) > MAX_PAYLOAD_BYTES:
        raise BadMessageError(
            topic,
            BadMessageCode.TOO_LARGE,
            f"payload of {len(payload)} bytes; allowed: at most {MAX_PAYLOAD_BYTES}",
        )
    try:
        # Strict, since a text or number where a truth value belongs shows a rig that means something else.
        return _ADAPTERS[topic].validate_json(payload, strict=True)
    except ValidationError as error:
        raise _explain(topic, error) from None
    except (ValueError, RecursionError) as error:
        raise BadMessageError(topic, BadMessageCode.NOT_JSON, str(error)[:200]) from None


def unknown_members(topic: Topic, payload: bytes) -> tuple[str, ...]:
    """Members of a valid message that this version does not know, as dotted paths; a receiver ignores them.

    Args:
        topic: where the payload arrived.
        payload: JSON that `decode` takes.

    Raises:
        BadMessageError: `decode` does not take it.
    """
    known = _ADAPTERS[topic].dump_python(decode(topic, payload), mode="json")
    return tuple(_unknown(json.loads(payload), known, ""))


def _unknown(given: Any, known: Any, path: str) -> Iterator[str]:
    if isinstance(given, dict) and isinstance(known, dict):
        for name, value in given.items():
            inner = f"{path}.{name}" if path else name
            if name in known:
                yield from _unknown(value, known[name], inner)
            else:
                yield inner
    elif isinstance(given, list) and isinstance(known, list):
        for k, (left, right) in enumerate(zip(given, known, strict=False)):
            yield from _unknown(left, right, f"{path}[{k}]")


def _explain(topic: Topic, error: ValidationError) -> BadMessageError:
    first = problems_of(error, skip=1 if topic is Topic.COMMAND else 0)[0]
    if first.kind == "json_invalid":
        return BadMessageError(topic, BadMessageCode.NOT_JSON, first.allowed)
    if first.field == "version" and first.kind != "missing":
        return BadMessageError(topic, BadMessageCode.UNKNOWN_VERSION, str(first))
    code = {"missing": BadMessageCode.MISSING_FIELD, "finite_number": BadMessageCode.NOT_FINITE}.get(
        first.kind, BadMessageCode.INVALID_FIELD
    )
    return BadMessageError(topic, code, str(first))
