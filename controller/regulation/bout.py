"""A bout: what follows from telemetry while a lifter works.

What lives here: the order in which a frame or a summary is looked at, and the drop after a stall. Every step
returns an outcome; ending a bout or a set is the regulator's. What never does: which inputs come here (the table
in `transitions`), how a stall is seen (`segmenter`), what stands against a drop (`stop_rules`), how a proposal is
narrowed (`load_limits`).
"""

from __future__ import annotations

from collections.abc import Iterable

from ebbset.controller.detection.signals import (
    ReleaseSeen,
    RepetitionEnded,
    RepetitionStarted,
    SensorTrouble,
    Signal,
    StallSeen,
)
from ebbset.controller.messages.events import Acknowledged, RepetitionSeen, RigReported, Samples
from ebbset.controller.messages.reasons import SENTENCES, Reason, State
from ebbset.controller.policies.load_limits import UnusableProposalError, limit_proposal
from ebbset.controller.regulation.armed_set import ArmedSet
from ebbset.controller.regulation.outcomes import (
    CONTINUE,
    BoutDone,
    Continue,
    End,
    Finding,
    Hold,
    MayDrop,
    Outcome,
)
from ebbset.controller.regulation.reports import record_of
from ebbset.controller.regulation.rig_word import ANOTHER_SET, disagreement, taken_early
from ebbset.controller.regulation.set_context import SetContext
from ebbset.controller.regulation.stop_rules import after_repetition, at_stall, left_right


def after_frame(context: SetContext, armed: ArmedSet, frame: Samples) -> Outcome:
    """A frame came.

    Args:
        context: time, rig and output.
        armed: the set, in a bout.
        frame: not taken in yet.
    """
    rig = context.rig
    # Judged before the frame is taken in: a silence that a late frame ends was too long all the same.
    silent = context.silence(armed)
    if silent is not None:
        return End(silent)
    if not rig.accept_samples(frame):
        armed.refused_inputs += 1
        return CONTINUE
    broken = (
        rig.leap(frame, armed.silence_allowed_us) or taken_early(rig, armed) or disagreement(rig, armed, context.now_us)
    )
    if broken is not None:
        return End(broken)
    found: list[tuple[int, Signal]] = []
    for k, cable in enumerate(armed.cables):
        segmenter = cable.segmenter
        signals = segmenter.feed(
            frame.t_us,
            frame.position_m[k],
            frame.velocity_m_s[k],
            frame.force_n[k],
            load_n=frame.applied_n[k],
            docked=frame.docked,
        )
        if segmenter.moved_t_us > armed.moved_t_us:
            armed.moved_t_us = segmenter.moved_t_us
            if not frame.docked:
                armed.active_us = context.now_us
        if signals:
            found += [(k, signal) for signal in signals]
    return _after_signals(context, armed, found) if found else CONTINUE


def after_summary(context: SetContext, armed: ArmedSet, summary: RepetitionSeen) -> Outcome:
    """A rig that segments itself sent a repetition, which stands for the segmenter's signals.

    Args:
        context: time, rig and output.
        armed: the set, in a bout.
        summary: not taken in yet.
    """
    rig = context.rig
    if rig.by_frames or not rig.accept_repetition(summary):
        armed.refused_inputs += 1
        return CONTINUE
    if summary.nonce != armed.nonce:
        if rig.is_old(summary.t_end_us):
            armed.refused_inputs += 1
            return CONTINUE
        return End(ANOTHER_SET)
    broken = taken_early(rig, armed)
    if broken is None and not rig.is_old(summary.t_end_us):
        broken = disagreement(rig, armed, context.now_us)
    if broken is not None:
        return End(broken)
    armed.active_us = context.now_us
    armed.moved_in_bout = True
    return _after_signals(context, armed, armed.signals_of(summary))


def after_word(context: SetContext, armed: ArmedSet, event: Acknowledged | RigReported) -> Outcome:
    """The rig answered a command or reported the dock, which was taken in.

    Args:
        context: time, rig and output.
        armed: the set, in a bout.
        event: what it said.
    """
    broken = taken_early(context.rig, armed)
    if broken is None and isinstance(event, Acknowledged) and not context.rig.by_frames:
        broken = disagreement(context.rig, armed, context.now_us)
    return CONTINUE if broken is None else End(broken)


def _after_signals(context: SetContext, armed: ArmedSet, found: Iterable[tuple[int, Signal]]) -> Outcome:
    for k, signal in found:
        outcome: Outcome = CONTINUE
        if isinstance(signal, StallSeen):
            outcome = _after_stall(context, armed, k, signal)
        elif isinstance(signal, RepetitionEnded):
            outcome = _after_repetition(context, armed, k, signal)
        elif isinstance(signal, RepetitionStarted):
            armed.repetition_started(k, signal.t_us)
            uneven = left_right(armed.prescription.stop, armed.sides)
            outcome = CONTINUE if uneven is None else End(uneven)
        else:
            outcome = End(_trouble(armed, k, signal))
        if not isinstance(outcome, Continue):
            return outcome
    return CONTINUE


def _trouble(armed: ArmedSet, k: int, signal: ReleaseSeen | SensorTrouble) -> Finding:
    if isinstance(signal, SensorTrouble):
        return Finding(signal.reason, ((signal.quantity, signal.value),), ((signal.quantity, signal.allowed),), k)
    return Finding(
        Reason.HANDLE_RELEASED,
        (("velocity_m_s", signal.velocity_m_s), ("force_n", signal.force_n)),
        (("release_velocity_m_s", -armed.prescription.stall.release_velocity_m_s),),
        k,
    )


def _after_repetition(context: SetContext, armed: ArmedSet, k: int, ended: RepetitionEnded) -> Outcome:
    armed.repetition_ended(k, ended)
    context.out.append(record_of(armed, k, ended))
    finding = after_repetition(armed.prescription, armed.cables, k, armed.sides)
    if finding is not None:
        return End(finding)
    wanted = armed.prescription.bouts[armed.bout].repetitions
    if wanted is None or min([cable.counts.completed_in_bout for cable in armed.cables]) < wanted:
        return CONTINUE
    done = Finding(
        Reason.REPETITIONS_DONE, (("repetitions_in_bout", float(wanted)),), (("repetitions", float(wanted)),)
    )
    return BoutDone(done)


def _after_stall(context: SetContext, armed: ArmedSet, k: int, stall: StallSeen) -> Outcome:
    cable, prescription = armed.cables[k], armed.prescription
    if cable.has_answered(stall):
        # Coupled cables drop together, so a stall of either may have been answered by a drop for the other.
        cable.pass_over(stall)
        return CONTINUE
    view = cable.stalled(stall, prescription)
    ruling = at_stall(prescription, armed.cables, stall, view, index=k, bout=armed.bout, drops=armed.drops)
    if isinstance(ruling, Hold):
        return _hold(context, armed, k, stall, ruling.finding)
    if not isinstance(ruling, MayDrop):
        return ruling
    finding = ruling.finding
    try:
        cable.policy_state, proposal = armed.policy.propose(cable.policy_state, view)
        load_n, limits = limit_proposal(proposal.load_n, load_n=cable.load_n, floor_n=view.floor_n)
        why = str(proposal.why)[:200]
    except UnusableProposalError as error:
        return _policy_failed(finding, str(error))
    except Exception as error:
        # A policy is third-party code: whatever it raises ends the set safely and is reported, never passed on.
        return _policy_failed(finding, f"{type(error).__name__}: {error}"[:200])
    before_n = armed.target_n
    armed.drop(k, load_n, t_us=stall.t_us, now_us=context.now_us, applied_n=context.rig.applied_n)
    context.send_load(armed)
    context.decide(
        armed,
        State.WORKING,
        "drop",
        Finding(
            stall.reason,
            (*finding.inputs, ("proposed_n", float(proposal.load_n))),
            (*finding.thresholds, ("floor_n", view.floor_n)),
            k,
        ),
        f"{SENTENCES[stall.reason]} Policy {armed.policy.name}: {why}.",
        from_n=before_n,
        limited_by=limits,
    )
    return CONTINUE


def _policy_failed(stall: Finding, detail: str) -> End:
    return End(Finding(Reason.POLICY_FAILED, stall.inputs, stall.thresholds, stall.cable), detail)


def _hold(context: SetContext, armed: ArmedSet, k: int, stall: StallSeen, finding: Finding) -> Outcome:
    cable = armed.cables[k]
    cable.held(stall, patience_s=armed.prescription.stall.start_patience_s)
    cable.segmenter.load_dropped(stall.t_us, cable.load_n, 0.0)
    text = "A stall at the floor load; the prescription allows another try."
    context.decide(armed, State.WORKING, "hold", finding, text)
    return CONTINUE
