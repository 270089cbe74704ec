"""What a person asks of the controller, and what it answers."""

from __future__ import annotations

from enum import StrEnum

from pydantic import Field

from ebbset.models.contract.field_types import Message, Name, ReportText, StrictMessage, Token
from ebbset.models.contract.prescription import Prescription
from ebbset.models.contract.profile import LifterProfile


class RequestAction(StrEnum):
    """What a person may ask of the controller."""

    ARM = "arm"
    START = "start"
    STOP = "stop"
    RELEASE = "release"


class OperatorRequest(StrictMessage):
    """A person's request. ``arm`` may carry prescription and profile; otherwise the controller uses its own file."""

    correlation_id: Token
    action: RequestAction
    operator: Name
    cautions_shown: bool = Field(
        default=False,
        description="arm only: the cautions were shown to the lifter; arming is refused without it",
    )
    prescription: Prescription | None = None
    profile: LifterProfile | None = None


class OperatorAnswer(Message):
    """The controller's answer to one request."""

    correlation_id: str
    accepted: bool
    code: str
    message: ReportText
    nonce: Token | None = None
    state: str
