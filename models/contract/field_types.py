"""Field types of the contract, each with its unit and limits, and the base class of every wire message."""

from __future__ import annotations

from typing import Annotated, Any, Final, Literal

from pydantic import BaseModel, BeforeValidator, ConfigDict, Field, ValidationInfo

MOST_TEXT: Final = 400


def _shorten_own(text: Any, info: ValidationInfo) -> Any:
    return text[:MOST_TEXT] if info.mode == "python" and isinstance(text, str) else text


Name = Annotated[str, Field(min_length=1, max_length=64, pattern=r"^[A-Za-z0-9_.\-]+$")]
RIG_PATTERN: Final = r"^[A-Za-z0-9][A-Za-z0-9_.\-]*$"
RigName = Annotated[str, Field(min_length=1, max_length=64, pattern=RIG_PATTERN)]
"""As `Name`, and never a hidden file or an option: it begins the names of recordings."""
PLAIN: Final = r"^[^\u0000-\u001f\u007f-\u009f\u061c\u200b\u200e\u200f\u2028-\u202e\u2060-\u206f\ufeff]*$"
"""Text of one line without control characters and without characters that change the direction of the text."""
PLAIN_LINES: Final = PLAIN.replace(r"\u0000-\u001f", r"\u0000-\u0008\u000b-\u001f")
"""The same with line breaks and tabs."""
PlainText = Annotated[str, Field(pattern=PLAIN)]
PlainLines = Annotated[str, Field(pattern=PLAIN_LINES)]
Token = Annotated[str, Field(min_length=8, max_length=64, pattern=r"^[A-Za-z0-9_\-]+$")]
Text = Annotated[str, Field(max_length=MOST_TEXT)]
ReportText = Annotated[Text, BeforeValidator(_shorten_own)]
"""Text that we write: cut to length when a report is made, refused when it arrives too long over the wire."""
LOAD_N: Final = (0, 5_000)
POSITION_M: Final = (-1, 6)
VELOCITY_M_S: Final = (-12, 12)
FORCE_N: Final = (-200, 10_000)
LATEST_US: Final = 2**62
LAST_SEQUENCE: Final = 2**53
Load = Annotated[
    float, Field(ge=LOAD_N[0], le=LOAD_N[1], allow_inf_nan=False, description="newtons at the handle, one cable")
]
Position = Annotated[
    float, Field(ge=POSITION_M[0], le=POSITION_M[1], allow_inf_nan=False, description="metres of cable paid out")
]
Velocity = Annotated[
    float,
    Field(ge=VELOCITY_M_S[0], le=VELOCITY_M_S[1], allow_inf_nan=False, description="m/s, positive in the concentric"),
]
Force = Annotated[
    float, Field(ge=FORCE_N[0], le=FORCE_N[1], allow_inf_nan=False, description="newtons of cable tension")
]
Finite = Annotated[float, Field(allow_inf_nan=False)]
RigTime = Annotated[int, Field(ge=0, le=LATEST_US, description="rig clock, microseconds since the rig booted")]
Sequence = Annotated[
    int,
    Field(ge=0, le=LAST_SEQUENCE, description="counts up by one in each topic by itself; never repeats within a boot"),
]
CommandNumber = Annotated[int, Field(ge=0, le=LAST_SEQUENCE)]
PerCable = Annotated[tuple[Load, ...], Field(min_length=1, max_length=2)]


class Message(BaseModel):
    """Base of every wire message: frozen, version 1; a member that this version does not know is ignored.

    So a rig, or a controller, of a later minor version is understood by an earlier one.
    """

    model_config = ConfigDict(frozen=True, extra="ignore", allow_inf_nan=False)

    version: Literal[1] = 1


class StrictMessage(Message):
    """A message that somebody acts on, command or request: with an unknown member it may mean something else."""

    model_config = ConfigDict(extra="forbid")
