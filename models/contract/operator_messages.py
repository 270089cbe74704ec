"""What a person asks of the controller, and what it answers."""

from __future__ import annotations

from enum import StrEnum
from typing import Final, Self

from pydantic import ConfigDict, Field, model_validator

from ebbset.models.contract.field_types import Message, Name, ReportText, StrictMessage, Token
from ebbset.models.contract.prescription import Prescription
from ebbset.models.contract.profile import LifterProfile


class RequestAction(StrEnum):
    """What a person may ask of the controller."""

    ARM = "arm"
    START = "start"
    STOP = "stop"
    RELEASE = "release"


NEEDED: Final[dict[RequestAction, tuple[str, ...]]] = {
    RequestAction.ARM: ("ticket",),
    RequestAction.START: ("ticket", "arming"),
}
"""Members that an action cannot do without. Stopping and releasing need none: they must always be possible."""
_WHERE_FROM: Final = {
    "ticket": "the ticket in the newest ctl/state",
    "arming": "the nonce that the answer to the arm gave",
}


class OperatorRequest(StrictMessage):
    """A person's request. ``arm`` may carry prescription and profile; otherwise the controller uses its own file."""

    model_config = ConfigDict(
        json_schema_extra={
            "allOf": [
                {"if": {"properties": {"action": {"const": action.value}}}, "then": {"required": list(members)}}
                for action, members in NEEDED.items()
            ]
        }
    )

    correlation_id: Token = Field(description="new for every request")
    action: RequestAction
    operator: Name
    ticket: Token | None = Field(
        default=None, description="arm and start: the ticket in the newest ctl/state, word for word"
    )
    arming: Token | None = Field(
        default=None, description="start only: the nonce of the arming that it starts, as answered to the arm"
    )
    cautions_shown: bool = Field(
        default=False,
        description="arm only: the cautions were shown to the lifter; arming is refused without it",
    )
    prescription: Prescription | None = None
    profile: LifterProfile | None = None

    @model_validator(mode="after")
    def _needed(self) -> Self:
        for name in NEEDED.get(self.action, ()):
            if getattr(self, name) is None:
                raise ValueError(f"{name} is missing; allowed: {_WHERE_FROM[name]}")
        return self


class OperatorAnswer(Message):
    """The controller's answer to one request."""

    correlation_id: str
    accepted: bool
    code: str
    message: ReportText
    nonce: Token | None = None
    state: str
