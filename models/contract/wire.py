"""The wire contract: every message that crosses MQTT, as pydantic models.

It holds the shape, units and limits of messages under ``ebbset/v1/<rig>/`` and the one function that turns bytes into
a message (`decode`).

Conventions. SI units. Loads and forces are newtons at the handle, per cable; a list has one entry per cable.
Position is cable paid out from the docked handle, so it grows in the concentric; velocity is positive in the
concentric; force is cable tension and never pushes. ``t_us`` is the rig's own clock in microseconds since the rig
booted; nothing here assumes that two clocks agree.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from typing import Annotated, Any, Final, Literal, Self

from pydantic import (
    BaseModel,
    BeforeValidator,
    ConfigDict,
    Field,
    TypeAdapter,
    ValidationError,
    ValidationInfo,
    model_validator,
)

from ebbset.models.contract.prescription import Prescription
from ebbset.models.contract.problems import problems_of
from ebbset.models.contract.profile import LifterProfile

TOPIC_ROOT: Final = "ebbset/v1"
MAX_PAYLOAD_BYTES: Final = 65_536
MAX_SAMPLES_PER_FRAME: Final = 256

MOST_TEXT: Final = 400


def _shorten_own(text: Any, info: ValidationInfo) -> Any:
    return text[:MOST_TEXT] if info.mode == "python" and isinstance(text, str) else text


Name = Annotated[str, Field(min_length=1, max_length=64, pattern=r"^[A-Za-z0-9_.\-]+$")]
Token = Annotated[str, Field(min_length=8, max_length=64, pattern=r"^[A-Za-z0-9_\-]+$")]
Text = Annotated[str, Field(max_length=MOST_TEXT)]
ReportText = Annotated[Text, BeforeValidator(_shorten_own)]
"""Text of our own: what is too long is cut when a report is made of it, and refused when it comes over the wire."""
Load = Annotated[float, Field(ge=0, le=5_000, allow_inf_nan=False, description="newtons at the handle, one cable")]
Position = Annotated[float, Field(ge=-1, le=6, allow_inf_nan=False, description="metres of cable paid out")]
Velocity = Annotated[float, Field(ge=-12, le=12, allow_inf_nan=False, description="m/s, positive in the concentric")]
Force = Annotated[float, Field(ge=-200, le=10_000, allow_inf_nan=False, description="newtons of cable tension")]
Finite = Annotated[float, Field(allow_inf_nan=False)]
RigTime = Annotated[int, Field(ge=0, le=2**62, description="rig clock, microseconds since the rig booted")]
Sequence = Annotated[int, Field(ge=0, le=2**53, description="counts up by one; never repeats within a boot")]
PerCable = Annotated[tuple[Load, ...], Field(min_length=1, max_length=2)]


class Message(BaseModel):
    """Base of every wire message: frozen, nothing unknown, version 1."""

    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False)

    version: Literal[1] = 1


# --- rig to controller ------------------------------------------------------------------------------------------


class RigIdentity(Message):
    """Who the rig is and what it can do; retained. Its last will is the same message with ``online`` false."""

    rig: Name
    boot_id: Token
    online: bool
    cables: Literal[1, 2]
    telemetry: Literal["frames", "repetitions"] = Field(
        description="frames: sample frames; repetitions: the rig segments itself and sends summaries only"
    )
    sample_rate_hz: Annotated[float, Field(ge=0, le=2_000)]
    has_force: bool
    max_load_n: Annotated[float, Field(gt=0, le=5_000)]
    min_load_n: Annotated[float, Field(ge=0, le=500, description="smallest load above unloaded it can hold")]
    max_ramp_n_per_s: Annotated[float, Field(ge=1, le=100_000)]
    max_lease_ms: Annotated[int, Field(ge=100, le=5_000)]
    firmware: Text
    simulated: bool = Field(
        default=False,
        description="nothing here is real: neither motor nor person; every recording and report of it says so",
    )


class CableSamples(BaseModel):
    """Samples of one cable, as columns of one length."""

    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False)

    position_m: Annotated[tuple[Position, ...], Field(min_length=1, max_length=MAX_SAMPLES_PER_FRAME)]
    velocity_m_s: Annotated[tuple[Velocity, ...], Field(max_length=MAX_SAMPLES_PER_FRAME)] | None = None
    force_n: Annotated[tuple[Force, ...], Field(max_length=MAX_SAMPLES_PER_FRAME)] | None = None


class SampleFrame(Message):
    """Several samples, oldest first, and what the rig believes about itself at the last of them."""

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

    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False)

    rom_m: Annotated[float, Field(ge=0, le=4)]
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
    """What a rig can report besides telemetry."""

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


class CommandAck(Message):
    """The rig's answer to one command; also a sign of life with the rig's clock in it."""

    boot_id: Token
    nonce: Token
    command_seq: Sequence
    t_us: RigTime
    accepted: bool
    refusal: Refusal | None = None
    applied_n: PerCable
    docked: bool

    @model_validator(mode="after")
    def _refusal_given(self) -> Self:
        if self.accepted == (self.refusal is not None):
            raise ValueError(
                f"refusal is {self.refusal!r} with accepted {self.accepted}; allowed: one exactly when not accepted"
            )
        return self


# --- controller to rig ------------------------------------------------------------------------------------------


class _Command(Message):
    nonce: Token
    seq: Sequence = Field(description="counts up within a nonce; a repeated or lower number is refused")


class ArmCommand(_Command):
    """Bind the rig to one set. Applies no load. Until released or lapsed the rig refuses every other nonce."""

    kind: Literal["arm"] = "arm"
    ceiling_n: PerCable = Field(description="no later target of this nonce may exceed this")
    floor_n: PerCable = Field(description="a later target is zero or at least this")
    max_ramp_n_per_s: Annotated[float, Field(gt=0, le=100_000)]
    lease_ms: Annotated[int, Field(ge=100, le=5_000)]


class LoadCommand(_Command):
    """Hold a load for one lease. The rig unloads by itself when the lease runs out."""

    kind: Literal["load"] = "load"
    target_n: PerCable
    ramp_n_per_s: Annotated[float, Field(gt=0, le=100_000)]
    lease_ms: Annotated[int, Field(ge=100, le=5_000)]
    cites_t_us: RigTime = Field(description="rig clock of the newest sample this rests on; refused if older than lease")


class UnloadCommand(_Command):
    """Take the load off at the given ramp. Obeyed whatever the nonce, sequence or state: the safe command."""

    kind: Literal["unload"] = "unload"
    ramp_n_per_s: Annotated[float, Field(gt=0, le=100_000)]


class ReleaseCommand(_Command):
    """The set is over: unload and forget the nonce for good."""

    kind: Literal["release"] = "release"


RigCommand = Annotated[
    ArmCommand | LoadCommand | UnloadCommand | ReleaseCommand,
    Field(discriminator="kind"),
]


# --- operator to controller -------------------------------------------------------------------------------------


class RequestAction(StrEnum):
    """What a person may ask of the controller."""

    ARM = "arm"
    START = "start"
    STOP = "stop"
    RELEASE = "release"


class OperatorRequest(Message):
    """A person's request. ``arm`` may carry the prescription and profile; else the controller's own file is used."""

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


# --- controller to anyone ---------------------------------------------------------------------------------------


@dataclass(frozen=True, kw_only=True, init=False, eq=False, repr=False)
class StateFields:
    """What a report of the state says, on the wire and in a recording alike: a new field is declared here only."""

    state: str
    nonce: str | None = None
    prescription: str | None = None
    prescription_hash: str | None = None
    bout: int = 0
    target_n: tuple[float, ...] = ()
    applied_n: tuple[float, ...] = ()
    repetitions: int = 0
    drops: int = 0
    budget_spent: float | None = None
    budget_limit: float | None = None
    velocity_m_s: tuple[float, ...] = ()
    position_m: tuple[float, ...] = ()


class _HostTimed(Message):
    t_host_us: int


class StateReport(StateFields, _HostTimed):
    """Where the set stands; on every change and twice a second. Retained; the will says ``offline``."""

    nonce: Token | None = None
    target_n: tuple[Load, ...] = ()
    applied_n: tuple[Load, ...] = ()


class Quantity(BaseModel):
    """One named number that a decision used."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    name: str
    value: Finite | None

    @model_validator(mode="before")
    @classmethod
    def _from_pair(cls, given: Any) -> Any:
        return dict(zip(("name", "value"), given, strict=True)) if isinstance(given, tuple) else given


class DecisionReport(Message):
    """One decision with everything it rested on."""

    seq: Sequence
    nonce: Token | None
    t_host_us: int
    t_rig_us: int | None
    state: str
    action: str
    reason: str
    text: ReportText
    cable: int | None
    from_n: tuple[Load, ...]
    to_n: tuple[Load, ...]
    repetition: int
    inputs: tuple[Quantity, ...]
    thresholds: tuple[Quantity, ...]
    limited_by: tuple[str, ...]


class RepetitionReport(Message):
    """One repetition as the controller saw it."""

    nonce: Token | None
    index: int
    bout: int
    step: int
    cable: int | None
    outcome: RepetitionOutcome
    load_n: Load
    t_start_us: int
    t_end_us: int
    rom_m: Finite
    mean_velocity_m_s: Finite
    peak_velocity_m_s: Finite
    min_velocity_m_s: Finite
    mean_force_n: Finite | None
    capacity_n: Finite | None
    capacity_sd_n: Finite | None
    budget_spent: Finite | None
    budget_sd: Finite | None = Field(default=None, description="standard deviation of budget_spent")
    load_changed: bool = Field(
        default=False, description="the load was another when it began: its velocity belongs to no single load"
    )


class SetReport(Message):
    """What the set came to."""

    nonce: Token | None
    prescription: str
    prescription_hash: str
    reason: str
    text: ReportText
    repetitions: int
    drops: int
    bouts: int
    duration_s: Finite
    final_load_n: tuple[Load, ...]
    budget_spent: Finite | None
    refused_inputs: int
    guard_refusals: int


# --- topics and decoding ----------------------------------------------------------------------------------------


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
    """A payload that is not a message. Says which field, what it held and what is allowed."""

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
