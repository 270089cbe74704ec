"""What the controller sends: commands to the rig, and reports of state, decisions, repetitions and results."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Annotated, Any, Final, Literal

from pydantic import BaseModel, ConfigDict, Field, model_validator

from ebbset.models.contract.constants import INTERVAL_COVERAGE
from ebbset.models.contract.field_types import (
    CommandNumber,
    Finite,
    Load,
    Message,
    PerCable,
    ReportText,
    RigTime,
    StrictMessage,
    Token,
)
from ebbset.models.contract.rig_messages import RepetitionOutcome


class _Command(StrictMessage):
    nonce: Token
    seq: CommandNumber = Field(description="counts up within a nonce; a repeated or lower number is refused")


class ArmCommand(_Command):
    """Bind the rig to one set, without load. The rig refuses every other nonce until this one is released or lapses."""

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
    cites_t_us: RigTime = Field(
        description="rig clock of the newest sample this is based on; refused if older than lease"
    )


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


_LOW: Final = f"lower end of its {INTERVAL_COVERAGE * 100:.0f} % interval"
_HIGH: Final = f"upper end of its {INTERVAL_COVERAGE * 100:.0f} % interval"


# --- reports ----------------------------------------------------------------------------------------------------------


@dataclass(frozen=True, kw_only=True, init=False, eq=False, repr=False)
class StateFields:
    """Fields of a state report, on the wire and in a recording alike; a new field is declared only here."""

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
    """State of the set, on every change and twice a second. Retained; the last will says ``offline``."""

    nonce: Token | None = None
    target_n: tuple[Load, ...] = ()
    applied_n: tuple[Load, ...] = ()
    ticket: Token | None = Field(
        default=None, description="goes into a request to arm or to start; null from a controller that takes none"
    )
    recording_failure: ReportText | None = Field(
        default=None, description="why the recording does not hold the whole set; null while it does"
    )


class Quantity(BaseModel):
    """One named number that a decision used."""

    model_config = ConfigDict(frozen=True, extra="ignore")

    name: str
    value: Finite | None

    @model_validator(mode="before")
    @classmethod
    def _from_pair(cls, given: Any) -> Any:
        return dict(zip(("name", "value"), given, strict=True)) if isinstance(given, tuple) else given


class DecisionReport(Message):
    """One decision with everything it was based on."""

    seq: CommandNumber = Field(
        description="counts decisions up by one; begins anew with each recording of the controller, which holds one set"
    )
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
        default=False,
        description="the load changed after the repetition began, so its velocity belongs to no single load",
    )
    one_rm_n: Finite | None = Field(default=None, description="estimated 1RM of the day, unfatigued, newtons")
    one_rm_low_n: Finite | None = Field(default=None, description=_LOW)
    one_rm_high_n: Finite | None = Field(default=None, description=_HIGH)
    capacity_low_n: Finite | None = Field(default=None, description=_LOW)
    capacity_high_n: Finite | None = Field(default=None, description=_HIGH)
    repetitions_in_reserve: Finite | None = Field(
        default=None, description="estimated repetitions that are left at load_n until one fails"
    )
    repetitions_in_reserve_low: Finite | None = Field(default=None, description=_LOW)
    repetitions_in_reserve_high: Finite | None = Field(default=None, description=_HIGH)
    budget_spent_low: Finite | None = Field(default=None, description=_LOW)
    budget_spent_high: Finite | None = Field(default=None, description=_HIGH)


class SetReport(Message):
    """Outcome of the set."""

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
