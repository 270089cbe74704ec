"""One cable's part in a set: its segmenter, its capacity estimate and its counts. Bookkeeping, no decisions."""

from __future__ import annotations

from dataclasses import dataclass

from ebbset.controller.detection.evidence.habit_evidence import HabitEvidence
from ebbset.controller.detection.evidence.habit_figures import SHIPPED, HabitFigures
from ebbset.controller.detection.mean_force_check import AscentForceCheck
from ebbset.controller.detection.segmenter import RepetitionSegmenter
from ebbset.controller.detection.signals import RepetitionEnded, StallSeen
from ebbset.controller.estimation.capacity import CapacityEstimator
from ebbset.controller.estimation.effort import Effort
from ebbset.controller.estimation.judgement import Judgement
from ebbset.controller.estimation.judgement_figures import CURRENT
from ebbset.controller.messages.estimator_state import CapacityState
from ebbset.controller.messages.reasons import Reason
from ebbset.controller.policies.policy import DropView
from ebbset.models.contract.prescription import Prescription
from ebbset.models.contract.profile import LifterProfile
from ebbset.models.contract.rig_messages import RepetitionOutcome
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
    """Segmenter, estimator and counts of one cable, and its last repetition.

    ``estimate`` is the capacity estimate after the last observation; ``settled_us`` is the controller's time from which
    the rig must apply the load that was last commanded. ``answered`` is true if the current ascent has led to a drop;
    ``answered_until_t_us`` is the rig time at which that drop ends, ``held_until_t_us`` the rig time until which a
    motionless attempt at the floor load counts as one failure.

    Args:
        prescription: of the set.
        profile: of the lifter, if known.
        has_force: the rig measures force.
        judgement: how far estimates are trusted.
        stall_figures: what the stall rule "habits" was fitted to.
    """

    __slots__ = (
        "answered",
        "answered_until_t_us",
        "ascent_force",
        "best_velocity_m_s",
        "capacity",
        "counts",
        "effort",
        "estimate",
        "held_until_t_us",
        "last",
        "load_n",
        "policy_state",
        "segmenter",
        "settled_us",
    )

    def __init__(
        self,
        prescription: Prescription,
        profile: LifterProfile | None,
        *,
        has_force: bool,
        judgement: Judgement = CURRENT,
        stall_figures: HabitFigures = SHIPPED,
    ) -> None:
        line = line_of(prescription, profile)
        rom_m = profile.rom_m.mean if profile is not None and profile.rom_m is not None else None
        evidence = HabitEvidence(stall_figures) if prescription.stall.rule == "habits" else None
        self.segmenter = RepetitionSegmenter(
            stall=prescription.stall, line=line, rom_m=rom_m, has_force=has_force, evidence=evidence
        )
        self.capacity = estimator_of(prescription, profile, judgement)
        self.estimate = self.capacity.view()
        self.counts = Counts()
        self.effort = Effort()
        self.ascent_force = AscentForceCheck() if has_force else None
        self.load_n = 0.0
        self.settled_us = 0
        self.answered = False
        self.answered_until_t_us = 0
        self.held_until_t_us = 0
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
        self.began()
        if self.ascent_force is not None:
            self.ascent_force.restart()
        self.segmenter.new_bout()

    def dropped(self, load_n: float, *, t_us: int, hold_s: float) -> None:
        """The load of this cable was commanded down.

        Args:
            load_n: new load, newtons.
            t_us: time of the stall, rig clock in microseconds.
            hold_s: time until which nothing is judged, seconds from ``t_us``.
        """
        self.load_n = load_n
        self.best_velocity_m_s = 0.0
        self.counts.completed_in_step = 0
        self.counts.step += 1
        self.answered = self.segmenter.in_repetition
        self.answered_until_t_us = t_us + round(hold_s * 1e6)
        self.segmenter.load_dropped(t_us, load_n, hold_s)

    def began(self) -> None:
        """A concentric began: whatever fails now is another failure."""
        self.answered = False
        self.held_until_t_us = 0

    def held(self, stall: StallSeen, *, patience_s: float) -> None:
        """A failure at the floor load counts; the load stays. Whoever then does not move is not counted again at once.

        Args:
            stall: what was seen of it; one that a rig reported by itself is a whole repetition of its own.
            patience_s: how long the lifter may hold the load before that counts anew.
        """
        self.counts.floor_failures += 1
        if stall.reason is not Reason.REPORTED_FAILURE:
            self.held_until_t_us = stall.t_us + round(patience_s * 1e6)

    def has_answered(self, stall: StallSeen) -> bool:
        """It belongs to a failure that was answered: by a drop or a hold, or an ascent turns back that led to one."""
        if stall.t_us < self.answered_until_t_us or stall.t_us < self.held_until_t_us:
            return True
        return self.answered and stall.reason is Reason.REVERSAL

    def pass_over(self, stall: StallSeen) -> None:
        """An answered stall asks for nothing; where the load was held, it is looked for anew, to count in its time.

        Args:
            stall: one that `has_answered`.
        """
        if stall.t_us < self.held_until_t_us:
            self.segmenter.load_dropped(stall.t_us, self.load_n, 0.0)

    def repetition(self, ended: RepetitionEnded, *, least_rom_fraction: float | None) -> None:
        """A concentric ended.

        Args:
            ended: what was seen of it.
            least_rom_fraction: part of the reference range of motion under which it counts as short.
        """
        counts = self.counts
        counts.attempts += 1
        self.last = ended
        reference = self.segmenter.rom_reference_m
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
        self.estimate = self.capacity.view()
        if ended.outcome in (RepetitionOutcome.COMPLETED, RepetitionOutcome.FAILED):
            self.effort.repetition(reserve=self.capacity.repetitions_in_reserve, spent=self.estimate.budget_spent)

    def rest(self, duration_s: float) -> None:
        """A rest, seconds, in which capacity came back."""
        self.capacity.rest(duration_s)
        self.estimate = self.capacity.view()

    def start_fatigued(self, before: CapacityState, rest_s: float) -> None:
        """Begin with what an earlier set of the same person left.

        Args:
            before: the estimate at the end of that set.
            rest_s: rest since then, seconds.
        """
        self.capacity.start_fatigued(before, rest_s)
        self.estimate = self.capacity.view()

    def stalled(self, stall: StallSeen, prescription: Prescription) -> DropView:
        """The lifter stalled: what is known now, in the form that a policy sees.

        Args:
            stall: what was seen of it.
            prescription: of the set.
        """
        capacity = self.capacity
        capacity.stall(load_n=self.load_n)
        self.estimate = estimate = capacity.view()
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
            capacity_n=estimate.capacity_n,
            capacity_sd_n=estimate.capacity_sd_n,
            fresh_capacity_n=estimate.fresh_n,
            loss_per_repetition=capacity.loss_per_repetition,
            budget_spent=estimate.budget_spent,
            budget_limit=prescription.budget.capacity_loss,
            forecast=capacity.forecast,
        )


def estimator_of(
    prescription: Prescription, profile: LifterProfile | None, judgement: Judgement = CURRENT
) -> CapacityEstimator:
    """The capacity estimate at the start of a set: from the person's profile, or from people in general.

    Args:
        prescription: of the set.
        profile: of the lifter, if known.
        judgement: how far it is trusted.
    """
    return CapacityEstimator(
        line=line_of(prescription, profile),
        one_rm_n=profile.one_rm_n if profile is not None else None,
        exercise=prescription.exercise,
        generic=profile is None,
        judgement=judgement,
    )


def line_of(prescription: Prescription, profile: LifterProfile | None) -> LoadVelocityLine:
    """The person's own load–velocity line, or the exercise's generic one.

    Args:
        prescription: of the set.
        profile: of the lifter, if known.
    """
    if profile is None:
        return generic_line(prescription.exercise)
    return LoadVelocityLine(
        v0_m_s=profile.velocity_at_zero_m_s.mean,
        v0_sd_m_s=profile.velocity_at_zero_m_s.sd,
        v_1rm_m_s=profile.velocity_at_1rm_m_s.mean,
        v_1rm_sd_m_s=profile.velocity_at_1rm_m_s.sd,
        residual_sd_m_s=profile.residual_sd_m_s,
    )
