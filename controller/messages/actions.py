"""Outputs of the core: commands for the rig, answers, and records of what it saw and decided.

Frozen values without behaviour, with the field names of their wire messages. The link turns them into those, the
recorder writes them, replay compares them bit for bit.
"""

from __future__ import annotations

from dataclasses import dataclass

from ebbset.controller.messages.reasons import Limit, Reason, State
from ebbset.models.contract.controller_messages import StateFields
from ebbset.models.contract.rig_messages import RepetitionOutcome


@dataclass(frozen=True, slots=True, kw_only=True)
class SendArm:
    """Bind the rig to this set; no load."""

    nonce: str
    seq: int
    ceiling_n: tuple[float, ...]
    floor_n: tuple[float, ...]
    max_ramp_n_per_s: float
    lease_ms: int


@dataclass(frozen=True, slots=True, kw_only=True)
class SendLoad:
    """Hold a load for one lease."""

    nonce: str
    seq: int
    target_n: tuple[float, ...]
    ramp_n_per_s: float
    lease_ms: int
    cites_t_us: int


@dataclass(frozen=True, slots=True, kw_only=True)
class SendUnload:
    """Take the load off."""

    nonce: str
    seq: int
    ramp_n_per_s: float


@dataclass(frozen=True, slots=True, kw_only=True)
class SendRelease:
    """Let the rig forget this set."""

    nonce: str
    seq: int


Command = SendArm | SendLoad | SendUnload | SendRelease


@dataclass(frozen=True, slots=True, kw_only=True)
class Answer:
    """Answer to one request."""

    correlation_id: str
    accepted: bool
    code: str
    message: str
    nonce: str | None
    state: State


@dataclass(frozen=True, slots=True, kw_only=True)
class Decision:
    """One decision: what was decided and why, with the numbers, thresholds and limits that it was based on."""

    seq: int
    nonce: str | None
    now_us: int
    t_rig_us: int | None
    state: State
    action: str
    reason: Reason
    text: str
    cable: int | None
    from_n: tuple[float, ...]
    to_n: tuple[float, ...]
    repetition: int
    inputs: tuple[tuple[str, float | None], ...]
    thresholds: tuple[tuple[str, float | None], ...]
    limited_by: tuple[Limit, ...]

    @property
    def t_host_us(self) -> int:
        """The name of ``now_us`` on the wire."""
        return self.now_us


@dataclass(frozen=True, slots=True, kw_only=True)
class RepetitionRecord:
    """One repetition of one cable as the core saw it. ``step`` counts drops within the bout.

    ``budget_sd`` is the standard deviation of ``budget_spent``. ``load_changed`` is true if the load changed after the
    repetition began, so that its velocity belongs to no single load. ``one_rm_n`` is the 1RM of the day, and
    ``repetitions_in_reserve`` are those left at ``load_n``; every estimate has the ends of its 80 % interval.
    """

    nonce: str | None
    index: int
    bout: int
    step: int
    cable: int
    outcome: RepetitionOutcome
    load_n: float
    t_start_us: int
    t_end_us: int
    rom_m: float
    mean_velocity_m_s: float
    peak_velocity_m_s: float
    min_velocity_m_s: float
    mean_force_n: float | None
    capacity_n: float | None
    capacity_sd_n: float | None
    budget_spent: float | None
    budget_sd: float | None = None
    load_changed: bool = False
    one_rm_n: float | None = None
    one_rm_low_n: float | None = None
    one_rm_high_n: float | None = None
    capacity_low_n: float | None = None
    capacity_high_n: float | None = None
    repetitions_in_reserve: float | None = None
    repetitions_in_reserve_low: float | None = None
    repetitions_in_reserve_high: float | None = None
    budget_spent_low: float | None = None
    budget_spent_high: float | None = None

    @property
    def at_first_load(self) -> bool:
        """At the set's first load in its first bout: later bouts and loads after a drop are done in fatigue."""
        return self.bout == 0 and self.step == 0


@dataclass(frozen=True, kw_only=True)
class _Timed:
    now_us: int

    @property
    def t_host_us(self) -> int:
        """The name of ``now_us`` on the wire."""
        return self.now_us


@dataclass(frozen=True, kw_only=True)
class StateChanged(StateFields, _Timed):
    """State of the set, on every change of state and twice a second. Its fields are those of the wire."""

    state: State


@dataclass(frozen=True, slots=True, kw_only=True)
class SetResult:
    """Outcome of the set, once per armed nonce."""

    nonce: str | None
    prescription: str
    prescription_hash: str
    reason: Reason
    text: str
    repetitions: int
    drops: int
    bouts: int
    duration_s: float
    final_load_n: tuple[float, ...]
    budget_spent: float | None
    refused_inputs: int
    guard_refusals: int


Output = Command | Answer | Decision | RepetitionRecord | StateChanged | SetResult
