"""What can happen in a session, as records that a journal keeps one a line; times are UTC seconds since 1970."""

from __future__ import annotations

import datetime
from typing import Annotated, Final, Literal

from pydantic import BaseModel, ConfigDict, Field, TypeAdapter

from ebbset.models.contract.field_types import Name, PlainText, RigName, Token
from ebbset.models.contract.prescription import Prescription

EndedBecause = Literal["every set is done", "the minutes are over", "ended by a person"]
_Count = Annotated[int, Field(ge=0, le=10_000)]
_Newtons = Annotated[float, Field(ge=0, le=100_000)]
_Step = Annotated[int, Field(ge=1, le=80)]


class _JournalRecord(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False)


class DayStrength(_JournalRecord):
    """A 1RM of a day with its interval, N per cable, as an earlier session left it."""

    exercise: Name
    date: datetime.date
    one_rm_n: _Newtons
    one_rm_low_n: _Newtons
    one_rm_high_n: _Newtons


class _TimedEvent(_JournalRecord):
    at_s: Annotated[float, Field(ge=0, le=1e12)]


class Begun(_TimedEvent):
    """The session began; from here its minutes count."""

    kind: Literal["begun"] = "begun"
    plan: str = Field(description="digest of the plan")
    last_sets: Annotated[tuple[DayStrength, ...], Field(max_length=80)] = Field(
        default=(), description="what the store last knew of each exercise"
    )


class RigSeen(_TimedEvent):
    """A rig said which loads it can hold, N per cable."""

    kind: Literal["rig_seen"] = "rig_seen"
    rig: RigName
    least_n: _Newtons
    most_n: _Newtons


class Armed(_TimedEvent):
    """A person armed the set of a step, after the cautions."""

    kind: Literal["armed"] = "armed"
    step: _Step
    nonce: Token
    operator: Name
    order: Prescription = Field(description="as it was armed, start load and time limit included")


class SetBegun(_TimedEvent):
    """The armed set was started."""

    kind: Literal["set_begun"] = "set_begun"
    nonce: Token


class SetEnded(_TimedEvent):
    """The set, or the arming that never became one, is over."""

    kind: Literal["set_ended"] = "set_ended"
    nonce: Token
    reason: Annotated[str, Field(max_length=64)] = Field(description="reason code of the result")
    text: Annotated[PlainText, Field(max_length=400)] = ""
    repetitions: _Count = 0
    drops: _Count = 0
    duration_s: Annotated[float, Field(ge=0, le=100_000)] = 0.0
    ended_n: Annotated[tuple[_Newtons, ...], Field(max_length=2)] = Field(
        default=(), description="last load under the lifter, N per cable"
    )
    one_rm_n: _Newtons | None = Field(default=None, description="estimated 1RM of the day, of the weaker cable")
    one_rm_low_n: _Newtons | None = None
    one_rm_high_n: _Newtons | None = None
    loss: Annotated[float, Field(ge=0, le=1)] | None = Field(
        default=None, description="estimated share of capacity that this set cost"
    )
    recording: Annotated[PlainText, Field(max_length=400)] | None = None


class Skipped(_TimedEvent):
    """A person left a step out."""

    kind: Literal["skipped"] = "skipped"
    step: _Step


class Repeated(_TimedEvent):
    """A person wants a step that is over done once more, next."""

    kind: Literal["repeated"] = "repeated"
    step: _Step


class Resumed(_TimedEvent):
    """Whoever leads was started again; nothing is armed."""

    kind: Literal["resumed"] = "resumed"


class SessionEnded(_TimedEvent):
    """The session is over."""

    kind: Literal["session_ended"] = "session_ended"
    because: EndedBecause


SessionEvent = Annotated[
    Begun | RigSeen | Armed | SetBegun | SetEnded | Skipped | Repeated | Resumed | SessionEnded,
    Field(discriminator="kind"),
]
EVENT: Final[TypeAdapter[SessionEvent]] = TypeAdapter(SessionEvent)
UNHEARD: Final = "unheard"
"""Reason of a set that ended while nobody led, so that its result was not heard."""
