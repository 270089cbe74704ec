"""What can happen to a set: the inputs of the core, as small frozen values.

Every input carries ``now_us``, the controller's monotonic clock in microseconds at arrival, so that the core never
reads a clock. A tick is an input like any other: it says that nothing else arrived. Times of the rig
(``t_us``) are on the rig's own clock; the two clocks are never subtracted.

Never here: behaviour. `link` makes these from the wire, simulators make them directly, `replay` reads them back.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from ebbset.controller.messages.estimator_state import CapacityState
from ebbset.models.contract.operator_messages import RequestAction
from ebbset.models.contract.prescription import Prescription
from ebbset.models.contract.profile import LifterProfile
from ebbset.models.contract.rig_messages import Refusal, RepetitionOutcome, RigEventKind


@dataclass(frozen=True, slots=True, kw_only=True)
class Samples:
    """Samples from the rig, oldest first; the columns have one entry per cable, each as long as ``t_us``."""

    now_us: int
    boot_id: str
    seq: int
    nonce: str | None
    docked: bool
    applied_n: tuple[float, ...]
    t_us: tuple[int, ...]
    position_m: tuple[tuple[float, ...], ...]
    velocity_m_s: tuple[tuple[float, ...] | None, ...]
    force_n: tuple[tuple[float, ...] | None, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class RepetitionSeen:
    """A repetition from a rig that segments itself; columns have one entry per cable."""

    now_us: int
    boot_id: str
    seq: int
    nonce: str | None
    docked: bool
    applied_n: tuple[float, ...]
    t_start_us: int
    t_end_us: int
    outcome: RepetitionOutcome
    rom_m: tuple[float, ...]
    mean_velocity_m_s: tuple[float, ...]
    peak_velocity_m_s: tuple[float, ...]
    mean_force_n: tuple[float | None, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class RigAnnounced:
    """The rig said who it is and what it can do."""

    now_us: int
    rig: str
    boot_id: str
    cables: int
    telemetry: Literal["frames", "repetitions"]
    sample_rate_hz: float
    has_force: bool
    max_load_n: float
    min_load_n: float
    max_ramp_n_per_s: float
    max_lease_ms: int
    simulated: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class RigLost:
    """The rig, or the broker on its behalf, said that it is offline."""

    now_us: int


@dataclass(frozen=True, slots=True, kw_only=True)
class RigReported:
    """The rig reported an event."""

    now_us: int
    boot_id: str
    seq: int
    t_us: int
    kind: RigEventKind
    detail: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Acknowledged:
    """The rig answered a command."""

    now_us: int
    boot_id: str
    nonce: str
    command_seq: int
    t_us: int
    accepted: bool
    refusal: Refusal | str | None
    applied_n: tuple[float, ...]
    docked: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class EarlierSet:
    """Estimates of a lifter at the end of a set, one per cable; ``ended_us`` is on the controller's clock."""

    lifter: str
    exercise: str
    ended_us: int
    cables: tuple[CapacityState, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Requested:
    """A person asked for something. The shell adds what only it has.

    ``arming`` is the nonce of the set that a ``start`` starts. The shell judged the ``ticket``. ``fresh_nonce`` was
    drawn for an ``arm``, which uses it when accepted. ``earlier`` is the previous set, as the core that ran it left it.
    """

    now_us: int
    correlation_id: str
    action: RequestAction
    operator: str
    ticket: str | None = None
    arming: str | None = None
    cautions_shown: bool = False
    fresh_nonce: str | None = None
    prescription: Prescription | None = None
    profile: LifterProfile | None = None
    earlier: EarlierSet | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class LinkUp:
    """The link to the broker is up."""

    now_us: int


@dataclass(frozen=True, slots=True, kw_only=True)
class LinkDown:
    """The link to the broker is gone."""

    now_us: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Tick:
    """Time passed."""

    now_us: int


@dataclass(frozen=True, slots=True, kw_only=True)
class BadInput:
    """A payload arrived that is not a valid message; the core counts it and goes on."""

    now_us: int
    topic: str
    code: str
    detail: str


@dataclass(frozen=True, slots=True, kw_only=True)
class GuardRefused:
    """The guard refused a command of ours: a defect, which ends the set."""

    now_us: int
    rule: str
    detail: str


Event = (
    Samples
    | RepetitionSeen
    | RigAnnounced
    | RigLost
    | RigReported
    | Acknowledged
    | Requested
    | LinkUp
    | LinkDown
    | Tick
    | BadInput
    | GuardRefused
)
