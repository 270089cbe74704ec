"""Whole simulated sets against the compiled physics in them: what sensors, firmware, link, checks and controller add.

A set is run once with a plant that notes what is asked of it; then the set and the same calls to a plant alone are
timed in turns.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np

from benchmarks.claims import Claim, side_by_side

SEED = 2


def main() -> list[Claim]:
    from ebbset.controller.recording.core_build import core_build
    from ebbset.models.contract.prescription import Prescription
    from ebbset.simulators.closed_loop.closed_loop import run_set
    from ebbset.simulators.closed_loop.simulated_set import LoopSettings
    from ebbset.simulators.lifter.exercises import exercise
    from ebbset.simulators.plant.plant import Plant
    from ebbset.simulators.plant.rig_parameters import RigParameters
    from ebbset.simulators.population.population import draw_lifter, person_rng
    from ebbset.simulators.population.strength_test import one_rm_n
    from ebbset.simulators.rig.simulated_rig import STEP_S

    rig = RigParameters()
    lifter = draw_lifter(exercise("bench_press"), person_rng(5, 4), fatigue_model="3cc_r")
    one_rm = one_rm_n(lifter, rig)
    prescription = Prescription.model_validate(
        {
            "name": "Benchmark",
            "exercise": "bench_press",
            "load": {"start_n": 0.75 * one_rm, "floor_n": 0.35 * one_rm},
        }
    )

    def plant(kind: type[Plant] = Plant) -> Plant:
        return kind(rig, lifter, np.random.default_rng(SEED), STEP_S)

    def ratio(frame_samples: int, most: float) -> Claim:
        settings = LoopSettings(frame_samples=frame_samples)
        asked: list[tuple[Callable[..., Any], tuple[Any, ...]]] = []

        class Noting(Plant):
            def start(self) -> None:
                asked.append((Plant.start, ()))
                super().start()

            def command(self, target_n: tuple[float, ...], ramp_n_per_s: float) -> None:
                asked.append((Plant.command, (target_n, ramp_n_per_s)))
                super().command(target_n, ramp_n_per_s)

            def run_frame(self, n_samples: int, steps_per_sample: int, out: Any) -> float:
                asked.append((Plant.run_frame, (n_samples, steps_per_sample, np.zeros_like(out))))
                return super().run_frame(n_samples, steps_per_sample, out)

        noting = plant(Noting)
        outcome = run_set(prescription, lifter, rig, seed=SEED, settings=settings, plant=noting)
        if outcome.violations or outcome.result is None or outcome.result.drops < 3:
            raise SystemExit(
                f"the benchmark's set ended as {outcome.result}; allowed: 3 drops or more, no broken invariant"
            )

        def physics() -> Plant:
            alone = plant()
            for call, arguments in asked:
                call(alone, *arguments)
            return alone

        if physics().truth.records != noting.truth.records:
            raise SystemExit("the plant alone did not do the same as in the set")
        whole, alone = side_by_side(
            lambda: run_set(prescription, lifter, rig, seed=SEED, settings=settings, plant=plant()), physics
        )
        return Claim(
            f"closed loop over its compiled physics, frames of {frame_samples}", whole / alone, "times", most,
            at_most=True,
            note=f"{outcome.simulated_s:.0f} s set at 100 Hz; {outcome.simulated_s / whole:.0f} against "
            f"{outcome.simulated_s / alone:.0f} times real time; {core_build()} core",
        )  # fmt: skip

    # With frames of 5 it was 500 times real time, where the plant made 4,740.
    return [ratio(5, 9.5), ratio(10, 3.0)]
