"""The records that leave the core: built in one place from the order and the rig's facts, so that they agree."""

from __future__ import annotations

from ebbset.controller.detection.signals import RepetitionEnded
from ebbset.controller.messages.actions import Decision, RepetitionRecord, SetResult, StateChanged
from ebbset.controller.messages.reasons import SENTENCES, Limit, Reason, State
from ebbset.controller.regulation.armed_set import ArmedSet
from ebbset.controller.regulation.rig_facts import RigFacts
from ebbset.controller.regulation.stop_rules import Numbers


def decision_of(
    order: ArmedSet,
    *,
    seq: int,
    now_us: int,
    t_rig_us: int | None,
    state: State,
    action: str,
    reason: Reason,
    text: str,
    cable: int | None,
    from_n: tuple[float, ...],
    inputs: Numbers,
    thresholds: Numbers,
    limited_by: tuple[Limit, ...],
) -> Decision:
    """One decision; ``to_n`` is the order's target after it."""
    return Decision(
        seq=seq,
        nonce=order.nonce,
        now_us=now_us,
        t_rig_us=t_rig_us,
        state=state,
        action=action,
        reason=reason,
        text=text,
        cable=cable,
        from_n=from_n,
        to_n=order.target_n,
        repetition=order.repetitions,
        inputs=inputs,
        thresholds=thresholds,
        limited_by=limited_by,
    )


def record_of(order: ArmedSet, cable_index: int, ended: RepetitionEnded) -> RepetitionRecord:
    """One repetition of one cable, after its estimate was updated."""
    cable = order.cables[cable_index]
    return RepetitionRecord(
        nonce=order.nonce,
        index=cable.counts.attempts,
        bout=order.bout,
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
        capacity_n=cable.capacity.capacity_n,
        capacity_sd_n=cable.capacity.capacity_sd_n,
        budget_spent=cable.capacity.budget_spent,
        budget_sd=cable.capacity.budget_sd,
        load_changed=ended.load_changed,
    )


def snapshot_of(now_us: int, state: State, order: ArmedSet | None, rig: RigFacts) -> StateChanged:
    """Where the set stands."""
    if order is None or state in (State.OFFLINE, State.IDLE):
        return StateChanged(
            now_us=now_us,
            state=state,
            nonce=None,
            prescription=None,
            prescription_hash=None,
            bout=0,
            target_n=(),
            applied_n=rig.applied_n,
            repetitions=0,
            drops=0,
            budget_spent=None,
            budget_limit=None,
            velocity_m_s=(),
            position_m=(),
        )
    return StateChanged(
        now_us=now_us,
        state=state,
        nonce=order.nonce,
        prescription=order.prescription.name,
        prescription_hash=order.digest,
        bout=order.bout,
        target_n=order.target_n,
        applied_n=rig.applied_n,
        repetitions=order.repetitions,
        drops=order.drops,
        budget_spent=order.budget_spent,
        budget_limit=order.prescription.budget.capacity_loss,
        velocity_m_s=tuple([cable.tracker.velocity_m_s for cable in order.cables]),
        position_m=tuple([cable.tracker.position_m for cable in order.cables]),
    )


def result_of(order: ArmedSet, now_us: int) -> SetResult:
    """What the set came to."""
    reason = order.end_reason or Reason.SET_DONE
    return SetResult(
        nonce=order.nonce,
        prescription=order.prescription.name,
        prescription_hash=order.digest,
        reason=reason,
        text=SENTENCES[reason],
        repetitions=order.repetitions,
        drops=order.drops,
        bouts=order.bouts_begun,
        duration_s=(order.ending_us - order.started_us) / 1e6 if order.bouts_begun else 0.0,
        final_load_n=order.last_load_n,
        budget_spent=order.budget_spent,
        refused_inputs=order.refused_inputs,
        guard_refusals=order.guard_refusals,
    )
