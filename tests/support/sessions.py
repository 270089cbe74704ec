"""A whole set as the core handled it, for tests of recording, replay and the wire: inputs with what each led to."""

from __future__ import annotations

from typing import Any

from ebbset.controller.messages.actions import Output
from ebbset.controller.messages.events import BadInput, Event, Tick
from ebbset.controller.regulation.set_controller import SetController
from ebbset.models.contract.prescription import Prescription
from tests.support.kinematic_rig import KinematicRig, profile_of

Pair = tuple[Event, tuple[Output, ...]]


PATIENT = {"lease_ms": 2_500, "telemetry_timeout_ms": 2_200}
"""For sets in real time on a machine that runs many tests at once: a process may not get its turn for a while."""


PATIENT_STOP = {"max_pause_s": 100.0, "max_start_wait_s": 100.0}
"""For the same sets: a lifter whose program waits for its turn is not resting."""


def auto_drop_order(**sections: Any) -> Prescription:
    """An invented auto-drop set that ends by its floor rule."""
    base: dict[str, Any] = {
        "name": "Auto-drop",
        "exercise": "row",
        "load": {"start_n": 400.0, "floor_n": 120.0, "ramp_n_per_s": 400.0},
        "drop": {"policy": "fixed_fraction", "parameters": {"fraction": 0.25}},
    }
    return Prescription.model_validate({**base, **sections})


class Tap(SetController):
    """A controller that keeps what it handled."""

    __slots__ = ("pairs",)

    def __init__(self, policies: Any) -> None:
        super().__init__(policies)
        self.pairs: list[Pair] = []

    def handle(self, event: Event) -> tuple[Output, ...]:
        outputs = super().handle(event)
        self.pairs.append((event, outputs))
        return outputs


def auto_drop_session() -> list[Pair]:
    """Two repetitions, then a stall at 400 N, at 300 N and so on down to the floor, with ticks and one bad input."""
    rig = KinematicRig(auto_drop_order(), lifts_n=[1e9, 1e9, 310.0, 1e9, 230.0, 180.0, 100.0], profile=profile_of())
    tap = Tap(rig.policies)
    rig.controller = tap
    rig.begin()
    for k in range(900):
        rig.frame()
        rig.send(Tick(now_us=rig.now_us + 1_000))
        if k == 40:
            rig.send(BadInput(now_us=rig.now_us, topic="rig/frame", code="not_json", detail="expected value"))
        if rig.result() is not None:
            break
    assert rig.result() is not None, "the scripted set must end by itself"
    return tap.pairs
