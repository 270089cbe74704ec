"""Time for one sample through segmenter, detector, estimate, budget, regulator and guard, on one core."""

from __future__ import annotations

from benchmarks.claims import Claim, median_seconds

SECONDS_OF_SET = 45.0


def main() -> list[Claim]:
    from ebbset.controller.messages.actions import Output
    from ebbset.controller.messages.events import Event, Samples
    from ebbset.controller.regulation.set_controller import SetController
    from ebbset.models.contract.prescription import example
    from tests.support.kinematic_rig import KinematicRig, profile_of

    prescription = example(budget={"capacity_loss": 0.9}, stop={"max_duration_s": 600.0})
    recorded: list[Event] = []
    rig = KinematicRig(prescription, profile=profile_of(), lifts_n=[1e9] * 6 + [350.0] * 3 + [270.0] * 3 + [1e9])

    class Recording(SetController):
        def handle(self, event: Event) -> tuple[Output, ...]:
            recorded.append(event)
            return super().handle(event)

    rig.controller = Recording(rig.policies)
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

    seconds = median_seconds(whole_set)
    return [
        Claim(
            "core: one sample through the whole core",
            seconds / samples * 1e6,
            "µs",
            10.0,
            at_most=True,
            note=f"{samples} samples, {drops} drops, frames of 5 at 100 Hz",
        )
    ]
