"""A regulator with a scripted rig, begun, and how its set ended."""

from __future__ import annotations

from typing import Any

from ebbset.controller.messages.actions import SendRelease, SendUnload
from ebbset.controller.messages.events import RigReported
from ebbset.controller.messages.reasons import Reason, State
from ebbset.models.contract.prescription import Prescription
from ebbset.models.contract.rig_messages import RigEventKind
from tests.support.kinematic_rig import KinematicRig, profile_of


def order(**sections: Any) -> Prescription:
    base: dict[str, Any] = {
        "name": "Test",
        "exercise": "row",
        "load": {"start_n": 400.0, "floor_n": 120.0, "ramp_n_per_s": 400.0},
        "drop": {"policy": "fixed_fraction", "parameters": {"fraction": 0.25}},
    }
    for name, value in sections.items():
        base[name] = {**base.get(name, {}), **value} if isinstance(value, dict) else value
    return Prescription.model_validate(base)


def begun(prescription: Prescription, **rig: Any) -> KinematicRig:
    driven = KinematicRig(prescription, profile=profile_of(), **rig)
    driven.begin()
    return driven


def ended_by(rig: KinematicRig) -> Reason:
    result = rig.result()
    assert result is not None, f"set did not end; state {rig.controller.state}"
    assert rig.controller.state is State.ENDED
    assert isinstance(rig.commands[-1], SendRelease)
    assert isinstance(rig.commands[-2], SendUnload)
    return result.reason


def rig_report(rig: KinematicRig, kind: RigEventKind) -> RigReported:
    return RigReported(now_us=rig.now_us, boot_id="boot-0001", seq=1, t_us=rig.rig_us, kind=kind, detail="pressed")


def state_of(rig: KinematicRig) -> State:
    """The state now; a call, so that a type checker does not take it for what it was before."""
    return rig.controller.state
