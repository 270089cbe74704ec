"""What a rig sends: its identity, telemetry, events and acknowledgements."""

from __future__ import annotations

from enum import StrEnum
from typing import Annotated, Final, Literal, Self

from pydantic import BaseModel, ConfigDict, Field, model_validator

from ebbset.models.contract.field_types import (
    CommandNumber,
    Force,
    Message,
    PerCable,
    Position,
    RigName,
    RigTime,
    Sequence,
    Text,
    Token,
    Velocity,
)

MAX_SAMPLES_PER_FRAME: Final = 256
SAMPLE_RATE_HZ: Final = (0, 2_000)
GREATEST_LOAD_N: Final = 5_000
LEAST_LOAD_N: Final = (0, 500)
FASTEST_RAMP_N_PER_S: Final = (1, 100_000)
LONGEST_LEASE_MS: Final = (100, 5_000)
LONGEST_ROM_M: Final = 4


class RigIdentity(Message):
    """Who the rig is and what it can do; retained. Its last will is the same message with ``online`` false."""

    rig: RigName
    boot_id: Token
    online: bool
    cables: Literal[1, 2]
    telemetry: Literal["frames", "repetitions"] = Field(
        description="frames: sample frames; repetitions: the rig segments itself and sends summaries only"
    )
    sample_rate_hz: Annotated[float, Field(ge=SAMPLE_RATE_HZ[0], le=SAMPLE_RATE_HZ[1])]
    has_force: bool = Field(description="every frame has the force of every cable; one without it is not usable")
    max_load_n: Annotated[float, Field(gt=0, le=GREATEST_LOAD_N)]
    min_load_n: Annotated[
        float,
        Field(ge=LEAST_LOAD_N[0], le=LEAST_LOAD_N[1], description="smallest load above zero that the rig can hold"),
    ]
    max_ramp_n_per_s: Annotated[float, Field(ge=FASTEST_RAMP_N_PER_S[0], le=FASTEST_RAMP_N_PER_S[1])]
    max_lease_ms: Annotated[int, Field(ge=LONGEST_LEASE_MS[0], le=LONGEST_LEASE_MS[1])]
    firmware: Text
    simulated: bool = Field(
        default=False,
        description="true if neither motor nor person is real; recordings and reports are then labelled as simulated",
    )


class CableSamples(BaseModel):
    """Samples of one cable, as columns of one length."""

    model_config = ConfigDict(frozen=True, extra="ignore", allow_inf_nan=False)

    position_m: Annotated[tuple[Position, ...], Field(min_length=1, max_length=MAX_SAMPLES_PER_FRAME)]
    velocity_m_s: Annotated[tuple[Velocity, ...], Field(max_length=MAX_SAMPLES_PER_FRAME)] | None = None
    force_n: Annotated[tuple[Force, ...], Field(max_length=MAX_SAMPLES_PER_FRAME)] | None = None


class SampleFrame(Message):
    """Several samples, oldest first, and the state of the rig at the last of them."""

    boot_id: Token
    seq: Sequence
    nonce: Token | None = Field(default=None, description="nonce of the set the rig is bound to")
    docked: bool
    applied_n: PerCable = Field(description="load the rig applies now, after its own ramp")
    t_us: Annotated[tuple[RigTime, ...], Field(min_length=1, max_length=MAX_SAMPLES_PER_FRAME)]
    cables: Annotated[tuple[CableSamples, ...], Field(min_length=1, max_length=2)]

    @model_validator(mode="after")
    def _columns_agree(self) -> Self:
        n = len(self.t_us)
        for k, cable in enumerate(self.cables):
            for name in ("position_m", "velocity_m_s", "force_n"):
                column = getattr(cable, name)
                if column is not None and len(column) != n:
                    raise ValueError(
                        f"cables[{k}].{name} is {len(column)} values long; allowed: {n}, one for each t_us"
                    )
        if len(self.applied_n) != len(self.cables):
            raise ValueError(
                f"applied_n is {len(self.applied_n)} values long; allowed: {len(self.cables)}, one per cable"
            )
        if any(b <= a for a, b in zip(self.t_us, self.t_us[1:], strict=False)):
            raise ValueError("t_us is not increasing; allowed: strictly increasing times, oldest sample first")
        return self


class RepetitionOutcome(StrEnum):
    """How a repetition ended, as the rig or the segmenter saw it."""

    COMPLETED = "completed"
    PARTIAL = "partial"
    FAILED = "failed"
    NOT_STARTED = "not_started"


class CableRepetition(BaseModel):
    """One cable's part of a repetition: the concentric phase only."""

    model_config = ConfigDict(frozen=True, extra="ignore", allow_inf_nan=False)

    rom_m: Annotated[float, Field(ge=0, le=LONGEST_ROM_M)]
    mean_velocity_m_s: Velocity
    peak_velocity_m_s: Velocity
    mean_force_n: Force | None = None


class RepetitionSummary(Message):
    """A repetition from a rig that segments itself; sent when the concentric ends, completed or not."""

    boot_id: Token
    seq: Sequence
    nonce: Token | None = None
    docked: bool
    applied_n: PerCable
    t_start_us: RigTime = Field(description="rig clock at the start of the concentric")
    t_end_us: RigTime = Field(description="rig clock at the end of the concentric, or when motion ended for good")
    outcome: RepetitionOutcome
    cables: Annotated[tuple[CableRepetition, ...], Field(min_length=1, max_length=2)]

    @model_validator(mode="after")
    def _times_and_cables(self) -> Self:
        if self.t_end_us < self.t_start_us:
            raise ValueError(f"t_end_us is {self.t_end_us}; allowed: at least t_start_us = {self.t_start_us}")
        if len(self.applied_n) != len(self.cables):
            raise ValueError(
                f"applied_n is {len(self.applied_n)} values long; allowed: {len(self.cables)}, one per cable"
            )
        return self


class RigEventKind(StrEnum):
    """Events that a rig can report besides telemetry."""

    EMERGENCY_STOP = "emergency_stop"
    DOCKED = "docked"
    UNDOCKED = "undocked"
    OVER_TRAVEL = "over_travel"
    OVER_SPEED = "over_speed"
    LEASE_EXPIRED = "lease_expired"
    FAULT = "fault"


class RigEvent(Message):
    """Something happened at the rig."""

    boot_id: Token
    seq: Sequence
    t_us: RigTime
    kind: RigEventKind
    detail: Text = ""


class Refusal(StrEnum):
    """Why a rig refused a command."""

    BAD_MESSAGE = "bad_message"
    FOREIGN_NONCE = "foreign_nonce"
    SPENT_NONCE = "spent_nonce"
    REPEATED_SEQUENCE = "repeated_sequence"
    STALE_CITATION = "stale_citation"
    FUTURE_CITATION = "future_citation"
    LEASE_TOO_LONG = "lease_too_long"
    ABOVE_CEILING = "above_ceiling"
    BELOW_FLOOR = "below_floor"
    RISE_WHILE_UNDOCKED = "rise_while_undocked"
    RAMP_TOO_STEEP = "ramp_too_steep"
    WRONG_CABLES = "wrong_cables"
    STOPPED = "stopped"


RefusalOfLater = Annotated[str, Field(min_length=1, max_length=64, pattern=r"^[a-z0-9_]+$")]
"""A reason that a rig of a later minor version gives: whatever it is, the command was refused."""


class CommandAck(Message):
    """The rig's answer to one command; also a sign of life with the rig's clock in it."""

    boot_id: Token
    nonce: Token
    command_seq: CommandNumber = Field(description="the seq of the command that this answers")
    t_us: RigTime
    accepted: bool
    refusal: Refusal | RefusalOfLater | None = Field(default=None, union_mode="left_to_right")
    applied_n: PerCable
    docked: bool

    @model_validator(mode="after")
    def _refusal_given(self) -> Self:
        if self.accepted == (self.refusal is not None):
            raise ValueError(
                f"refusal is {self.refusal!r} with accepted {self.accepted}; allowed: one exactly when not accepted"
            )
        return self
