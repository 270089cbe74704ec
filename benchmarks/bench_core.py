"""One sample through segmenter, detector, estimate, budget, regulator and guard, against reading it from the wire."""

from __future__ import annotations

from typing import Any

from benchmarks.claims import Claim, side_by_side

SECONDS_OF_SET = 45.0


def wire_frame(event: Any) -> bytes:
    """The frame as its rig would send it."""
    from ebbset.models.contract.rig_messages import CableSamples, SampleFrame

    columns = ("position_m", "velocity_m_s", "force_n")
    frame = SampleFrame(
        boot_id=event.boot_id,
        seq=event.seq,
        nonce=event.nonce,
        docked=event.docked,
        applied_n=event.applied_n,
        t_us=event.t_us,
        cables=tuple(
            CableSamples(**{name: getattr(event, name)[k] for name in columns}) for k in range(len(event.position_m))
        ),
    )
    return frame.model_dump_json().encode()


def main() -> list[Claim]:
    from ebbset.controller.messages.actions import Output
    from ebbset.controller.messages.codec import event_from_wire
    from ebbset.controller.messages.events import Event, Samples
    from ebbset.controller.recording.core_build import core_build
    from ebbset.controller.regulation.set_controller import SetController
    from ebbset.models.contract.prescription import example
    from ebbset.models.contract.wire import Topic
    from tests.support.kinematic_rig import KinematicRig, profile_of

    prescription = example(budget={"capacity_loss": 0.9}, stop={"max_duration_s": 600.0})
    recorded: list[Event] = []
    rig = KinematicRig(prescription, profile=profile_of(), lifts_n=[1e9] * 6 + [350.0] * 3 + [270.0] * 3 + [1e9])

    class Recording:
        """Not a subclass, since the core may be a compiled one, which has none."""

        def __init__(self) -> None:
            self.inner = SetController(rig.policies)

        def handle(self, event: Event) -> tuple[Output, ...]:
            recorded.append(event)
            return self.inner.handle(event)

        def __getattr__(self, name: str) -> Any:
            return getattr(self.inner, name)

    rig.controller = Recording()  # type: ignore[assignment]
    rig.begin()
    rig.run(SECONDS_OF_SET)
    samples = sum(len(event.t_us) for event in recorded if isinstance(event, Samples))
    drops = len(rig.decisions("drop"))
    if drops < 2 or rig.result() is not None:
        raise SystemExit(f"the benchmark's set made {drops} drops and ended {rig.result()}; allowed: 2 or more, no end")

    def whole_set() -> None:
        controller = SetController(rig.policies)
        for event in recorded:
            controller.handle(event)

    payloads = [wire_frame(event) for event in recorded if isinstance(event, Samples)]

    def decode() -> None:
        for payload in payloads:
            event_from_wire(Topic.FRAME, payload, now_us=0, rig="bench")

    core, decoding = side_by_side(whole_set, decode)
    return [
        Claim(
            "core: a sample through the core over reading it from JSON",
            core / decoding,
            "times",
            1.0,
            at_most=True,
            note=f"{core / samples * 1e6:.2f} over {decoding / samples * 1e6:.2f} µs; {samples} samples, "
            f"{drops} drops, frames of 5 at 100 Hz; {core_build()} core",
        )
    ]
