"""One cable's part in a set: its tracker, its capacity estimate and its counts. Bookkeeping, no decisions."""

from __future__ import annotations

from dataclasses import dataclass

from ebbset.controller.detection.segmenter import RepetitionSegmenter
from ebbset.controller.detection.signals import RepetitionEnded, StallSeen
from ebbset.controller.estimation.capacity import CapacityEstimator
from ebbset.controller.estimation.effort import Effort
from ebbset.controller.policies.policy import DropView
from ebbset.models.contract.prescription import Prescription
from ebbset.models.contract.profile import LifterProfile
from ebbset.models.contract.wire import RepetitionOutcome
from ebbset.models.physiology.load_velocity import LoadVelocityLine, generic_line


@dataclass(slots=True)
class Counts:
    """What one cable has done."""

    attempts: int = 0
    completed: int = 0
    completed_in_bout: int = 0
    completed_in_step: int = 0
    step: int = 0
    floor_failures: int = 0
    short_in_a_row: int = 0


class Cable:
    """Tracker, estimator and counts of one cable, and what the last repetition was."""

    __slots__ = (
        "best_velocity_m_s",
        "capacity",
        "counts",
        "effort",
        "last",
        "load_n",
        "policy_state",
        "tracker",
    )

    def __init__(self, prescription: Prescription, profile: LifterProfile | None, *, has_force: bool) -> None:
        line = line_of(prescription, profile)
        rom_m = profile.rom_m.mean if profile is not None and profile.rom_m is not None else None
        self.tracker = RepetitionSegmenter(stall=prescription.stall, line=line, rom_m=rom_m, has_force=has_force)
        self.capacity = estimator_of(prescription, profile)
        self.counts = Counts()
        self.effort = Effort()
        self.load_n = 0.0
        self.best_velocity_m_s = 0.0
        self.last: RepetitionEnded | None = None
        self.policy_state: object = None

    def begin_bout(self, load_n: float) -> None:
        """A programmed load goes on."""
        self.load_n = load_n
        self.best_velocity_m_s = 0.0
        self.counts.completed_in_bout = 0
        self.counts.completed_in_step = 0
        self.counts.step = 0
        self.counts.short_in_a_row = 0
        self.tracker.new_bout()

    def dropped(self, t_us: int, load_n: float, settle_s: float) -> None:
        """The load was ordered down."""
        self.load_n = load_n
        self.best_velocity_m_s = 0.0
        self.counts.completed_in_step = 0
        self.counts.step += 1
        self.tracker.load_dropped(t_us, load_n, settle_s)

    def repetition(self, ended: RepetitionEnded, *, least_rom_fraction: float | None) -> None:
        """A concentric ended."""
        counts = self.counts
        counts.attempts += 1
        self.last = ended
        reference = self.tracker.rom_reference_m
        short = ended.outcome is not RepetitionOutcome.COMPLETED
        if ended.outcome is RepetitionOutcome.COMPLETED:
            counts.completed += 1
            counts.completed_in_bout += 1
            counts.completed_in_step += 1
            if not ended.load_changed:
                self.best_velocity_m_s = max(self.best_velocity_m_s, ended.mean_velocity_m_s)
            if least_rom_fraction is not None and reference:
                short = ended.rom_m < least_rom_fraction * reference
        counts.short_in_a_row = counts.short_in_a_row + 1 if short else 0
        self.capacity.repetition(
            load_n=self.load_n,
            mean_velocity_m_s=ended.mean_velocity_m_s,
            outcome=ended.outcome,
            load_changed=ended.load_changed,
        )
        if ended.outcome in (RepetitionOutcome.COMPLETED, RepetitionOutcome.FAILED):
            self.effort.repetition(reserve=self.capacity.repetitions_in_reserve, spent=self.capacity.budget_spent)

    def view(self, stall: StallSeen, prescription: Prescription) -> DropView:
        """What a policy is told about a stall of this cable."""
        capacity = self.capacity
        return DropView(
            reason=stall.reason,
            load_n=self.load_n,
            floor_n=prescription.load.floor_n,
            start_n=prescription.load.start_n,
            step=self.counts.step,
            repetitions_in_step=self.counts.completed_in_step,
            repetitions_in_set=self.counts.completed,
            stall_velocity_m_s=stall.velocity_m_s,
            stall_force_n=stall.force_n,
            stall_position_fraction=stall.position_fraction,
            stall_duration_s=stall.duration_s,
            capacity_n=capacity.capacity_n,
            capacity_sd_n=capacity.capacity_sd_n,
            fresh_capacity_n=capacity.fresh_n,
            loss_per_repetition=capacity.loss_per_repetition,
            budget_spent=capacity.budget_spent,
            budget_limit=prescription.budget.capacity_loss,
            outlook=capacity.outlook,
        )


def estimator_of(prescription: Prescription, profile: LifterProfile | None) -> CapacityEstimator:
    """The capacity estimate as a set begins it: from the person's profile, or from people in general."""
    return CapacityEstimator(
        line=line_of(prescription, profile),
        one_rm_n=profile.one_rm_n if profile is not None else None,
        exercise=prescription.exercise,
        generic=profile is None,
    )


def line_of(prescription: Prescription, profile: LifterProfile | None) -> LoadVelocityLine:
    """The person's own load–velocity line, or the exercise's generic one."""
    if profile is None:
        return generic_line(prescription.exercise)
    return LoadVelocityLine(
        v0_m_s=profile.velocity_at_zero_m_s.mean,
        v0_sd_m_s=profile.velocity_at_zero_m_s.sd,
        v_1rm_m_s=profile.velocity_at_1rm_m_s.mean,
        v_1rm_sd_m_s=profile.velocity_at_1rm_m_s.sd,
        residual_sd_m_s=profile.residual_sd_m_s,
    )
