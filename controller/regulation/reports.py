"""Reports of repetitions, of the state and of the result of a set, each built in one place."""

from __future__ import annotations

from ebbset.controller.detection.signals import RepetitionEnded
from ebbset.controller.estimation.intervals import estimates_of
from ebbset.controller.messages.actions import RepetitionRecord, SetResult, StateChanged
from ebbset.controller.messages.reasons import SENTENCES, Reason
from ebbset.controller.regulation.armed_set import ArmedSet, NoSet, Position


def record_of(armed: ArmedSet, cable_index: int, ended: RepetitionEnded) -> RepetitionRecord:
    """One repetition of one cable, after its estimate was updated.

    Args:
        armed: the set.
        cable_index: whose concentric ended.
        ended: what was seen of it.
    """
    cable = armed.cables[cable_index]
    told = estimates_of(cable.capacity)
    return RepetitionRecord(
        nonce=armed.nonce,
        index=cable.counts.attempts,
        bout=armed.bout,
        step=cable.counts.step,
        cable=cable_index,
        outcome=ended.outcome,
        load_n=cable.load_n,
        t_start_us=ended.t_start_us,
        t_end_us=ended.t_end_us,
        rom_m=ended.rom_m,
        mean_velocity_m_s=ended.mean_velocity_m_s,
        peak_velocity_m_s=ended.peak_velocity_m_s,
        min_velocity_m_s=ended.min_velocity_m_s,
        mean_force_n=ended.mean_force_n,
        capacity_n=cable.estimate.capacity_n,
        capacity_sd_n=cable.estimate.capacity_sd_n,
        budget_spent=cable.estimate.budget_spent,
        budget_sd=cable.estimate.budget_sd,
        load_changed=ended.load_changed,
        one_rm_n=told.one_rm_n.value,
        one_rm_low_n=told.one_rm_n.low,
        one_rm_high_n=told.one_rm_n.high,
        capacity_low_n=told.capacity_n.low,
        capacity_high_n=told.capacity_n.high,
        repetitions_in_reserve=told.reserve.value,
        repetitions_in_reserve_low=told.reserve.low,
        repetitions_in_reserve_high=told.reserve.high,
        budget_spent_low=told.budget_spent.low,
        budget_spent_high=told.budget_spent.high,
    )


def snapshot_of(now_us: int, position: Position, applied_n: tuple[float, ...]) -> StateChanged:
    """Where the set stands.

    Args:
        now_us: controller's clock, microseconds.
        position: state and, where there is one, the set.
        applied_n: load that the rig reports, newtons per cable.
    """
    if isinstance(position, NoSet):
        return StateChanged(now_us=now_us, state=position.state, applied_n=applied_n)
    armed = position.armed
    return StateChanged(
        now_us=now_us,
        state=position.state,
        nonce=armed.nonce,
        prescription=armed.prescription.name,
        prescription_hash=armed.digest,
        bout=armed.bout,
        target_n=armed.target_n,
        applied_n=applied_n,
        repetitions=armed.repetitions,
        drops=armed.drops,
        budget_spent=armed.budget_spent,
        budget_limit=armed.prescription.budget.capacity_loss,
        velocity_m_s=tuple([cable.segmenter.velocity_m_s for cable in armed.cables]),
        position_m=tuple([cable.segmenter.position_m for cable in armed.cables]),
    )


def result_of(armed: ArmedSet) -> SetResult:
    """Result of a set that has ended."""
    reason = armed.end_reason or Reason.SET_DONE
    return SetResult(
        nonce=armed.nonce,
        prescription=armed.prescription.name,
        prescription_hash=armed.digest,
        reason=reason,
        text=SENTENCES[reason],
        repetitions=armed.repetitions,
        drops=armed.drops,
        bouts=armed.bouts_begun,
        duration_s=(armed.ending_us - armed.started_us) / 1e6 if armed.bouts_begun else 0.0,
        final_load_n=armed.last_load_n,
        budget_spent=armed.budget_spent,
        refused_inputs=armed.refused_inputs,
        guard_refusals=armed.guard_refusals,
    )
