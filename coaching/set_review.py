"""Replays a recorded set through estimators that start from another profile.

Knows what each record means to a `CapacityEstimator` and feeds them in the order in which the controller wrote them, so
that the profile that the set was armed with gives the same bits as the set itself. Estimation is in `capacity`, and
what follows for the profile in `profile_update`. Reads no files.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from ebbset.controller.estimation.capacity import CapacityEstimator
from ebbset.controller.messages.actions import Decision, Output, RepetitionRecord, SendArm
from ebbset.controller.regulation.cable import estimator_of
from ebbset.models.contract.prescription import Prescription
from ebbset.models.contract.profile import LifterProfile


def review_set(
    outputs: Iterable[tuple[int, Output]],
    *,
    prescription: Prescription,
    profile: LifterProfile,
    before: Sequence[CapacityEstimator] = (),
    rest_s: float = 0.0,
) -> tuple[CapacityEstimator, ...]:
    """The estimators at the end of a set, one per cable; empty when the set was never armed.

    Args:
        outputs: the controller's outputs in this set, each with its clock in microseconds, in order.
        prescription: the prescription that the set was armed with.
        profile: profile to start from, for the same exercise.
        before: estimators at the end of an earlier set of the same person, if this one began fatigued; else empty.
        rest_s: rest after that set, s.
    """
    cables: tuple[CapacityEstimator, ...] = ()
    rest_began_us: int | None = None
    for now_us, output in outputs:
        if isinstance(output, SendArm) and not cables:
            cables = tuple(estimator_of(prescription, profile) for _ in output.ceiling_n)
            if len(before) == len(cables):
                for cable, earlier in zip(cables, before, strict=True):
                    cable.start_fatigued(earlier.state(), rest_s)
        elif isinstance(output, RepetitionRecord):
            cables[output.cable].repetition(
                load_n=output.load_n,
                mean_velocity_m_s=output.mean_velocity_m_s,
                outcome=output.outcome,
                load_changed=output.load_changed,
            )
        elif isinstance(output, Decision):
            _stall(cables, output)
            if output.action == "rest":
                rest_began_us = now_us
            elif output.action == "load" and rest_began_us is not None:
                for cable in cables:
                    cable.rest((now_us - rest_began_us) / 1e6)
                rest_began_us = None
    return cables


def _stall(cables: Sequence[CapacityEstimator], decision: Decision) -> None:
    """Tell the estimator about a stall, which shows in a decision as its duration."""
    seen = dict(decision.inputs)
    if decision.cable is not None and "stalled_s" in seen:
        cables[decision.cable].stall(load_n=decision.from_n[decision.cable])
