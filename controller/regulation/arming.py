"""Conditions for arming a set, and for starting it: functions that return the first one that fails, or None."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from ebbset.controller.messages.events import Requested, RigAnnounced
from ebbset.controller.messages.reasons import AnswerCode
from ebbset.controller.policies.policy import PolicyFactory
from ebbset.controller.regulation.armed_set import ArmedSet
from ebbset.controller.regulation.rig_facts import RigFacts
from ebbset.controller.regulation.set_context import SetContext
from ebbset.models.contract.prescription import Prescription
from ebbset.models.contract.problems import BadDocumentError


@dataclass(frozen=True, slots=True)
class RefusedRequest:
    """A code for scripts and a sentence that names field, value and what is allowed."""

    code: AnswerCode
    message: str


def refusal_to_arm(
    request: Requested,
    rig: RigFacts,
    policies: Mapping[str, PolicyFactory],
    now_us: int,
    *,
    last_nonce: str | None,
) -> RefusedRequest | None:
    """Why this request cannot arm this rig now, or None when nothing is in the way.

    Args:
        request: a person's request to arm.
        rig: as last heard.
        policies: drop policies by name.
        now_us: controller's clock, microseconds.
        last_nonce: of the set before, which may not be used again.
    """
    identity, prescription = rig.identity, request.prescription
    if identity is None:
        return RefusedRequest(AnswerCode.RIG_OFFLINE, "The rig is not there: no announcement heard on this link.")
    if not request.cautions_shown:
        return RefusedRequest(
            AnswerCode.CAUTIONS_NOT_SHOWN, "cautions_shown is false; allowed: true, after showing them"
        )
    if prescription is None:
        return RefusedRequest(
            AnswerCode.NO_PRESCRIPTION, "prescription is missing; allowed: one in the request or the file"
        )
    if request.fresh_nonce is None or request.fresh_nonce == last_nonce:
        return RefusedRequest(
            AnswerCode.NONCE_NOT_FRESH, "fresh_nonce is missing or used; allowed: one never used before"
        )
    refusal = _load_refusal(prescription, identity)
    if refusal is not None:
        return refusal
    profile = request.profile
    if profile is not None and profile.exercise != prescription.exercise:
        return RefusedRequest(
            AnswerCode.PROFILE_OF_ANOTHER_EXERCISE,
            f"profile.exercise is {profile.exercise!r}; allowed: {prescription.exercise!r}, as prescribed",
        )
    return _policy_refusal(prescription, policies) or _silence_refusal(prescription, rig, now_us)


def refusal_to_start(request: Requested, context: SetContext, armed: ArmedSet) -> RefusedRequest | None:
    """Why this request cannot start what is armed, or None when nothing is in the way.

    Args:
        request: a person's request to start.
        context: time and rig.
        armed: what is armed.
    """
    if request.arming != armed.nonce:
        text = f"arming is {request.arming!r}; allowed: {armed.nonce!r}, the nonce of what is armed now"
        return RefusedRequest(AnswerCode.ANOTHER_ARMING, text)
    if context.rig.docked is not True:
        return RefusedRequest(AnswerCode.HANDLE_NOT_DOCKED, "docked is not true; allowed: a docked handle")
    if context.silence(armed) is not None:
        return RefusedRequest(AnswerCode.NO_TELEMETRY, "No telemetry within telemetry_timeout_ms.")
    if not armed.acknowledged or not context.rig.heard_since(armed.armed_us):
        text = "The rig has not yet acknowledged the arming; start again when it has."
        return RefusedRequest(AnswerCode.RIG_NOT_HEARD, text)
    return None


def _load_refusal(prescription: Prescription, identity: RigAnnounced) -> RefusedRequest | None:
    load = prescription.load
    if load.start_n > identity.max_load_n:
        return RefusedRequest(
            AnswerCode.ABOVE_RIG_MAXIMUM,
            f"load.start_n is {load.start_n:g} N; allowed: at most the rig's max_load_n = {identity.max_load_n:g} N",
        )
    if load.floor_n < identity.min_load_n:
        return RefusedRequest(
            AnswerCode.BELOW_RIG_MINIMUM,
            f"load.floor_n is {load.floor_n:g} N; allowed: at least the rig's min_load_n = {identity.min_load_n:g} N",
        )
    return None


def _policy_refusal(prescription: Prescription, policies: Mapping[str, PolicyFactory]) -> RefusedRequest | None:
    if prescription.drop.policy not in policies:
        known = ", ".join(sorted(policies)) or "none installed"
        return RefusedRequest(
            AnswerCode.UNKNOWN_POLICY, f"drop.policy is {prescription.drop.policy!r}; allowed: {known}"
        )
    try:
        policies[prescription.drop.policy].from_parameters(prescription.drop.parameters)
    except BadDocumentError as error:
        return RefusedRequest(AnswerCode.BAD_POLICY_PARAMETERS, str(error)[:400])
    except Exception as error:
        # A policy is third-party code: whatever it raises refuses the arming and is reported.
        return RefusedRequest(AnswerCode.POLICY_FAILED, f"drop.policy raised {type(error).__name__}: {error}"[:400])
    return None


def _silence_refusal(prescription: Prescription, rig: RigFacts, now_us: int) -> RefusedRequest | None:
    if rig.by_frames:
        timeout_ms = prescription.safety.telemetry_timeout_ms
        if rig.fresh_us is None or now_us - rig.fresh_us > timeout_ms * 1_000:
            return RefusedRequest(
                AnswerCode.NO_TELEMETRY, f"No sample frame within telemetry_timeout_ms = {timeout_ms}."
            )
    return None
