"""Whole simulated sets against real time: lifter, rig, sensors, firmware, link, invariants and the real controller."""

from __future__ import annotations

import statistics
import time

from benchmarks.claims import Claim

REPEATS = 7


def main() -> list[Claim]:
    from ebbset.models.contract.prescription import Prescription
    from ebbset.simulators.closed_loop.closed_loop import run_set
    from ebbset.simulators.closed_loop.simulated_set import LoopSettings
    from ebbset.simulators.lifter.exercises import exercise
    from ebbset.simulators.plant.rig_parameters import RigParameters
    from ebbset.simulators.population.population import draw_lifter, person_rng
    from ebbset.simulators.population.strength_test import one_rm_n

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

    def speed(frame_samples: int) -> tuple[float, str]:
        settings = LoopSettings(frame_samples=frame_samples)
        outcome = run_set(prescription, lifter, rig, seed=2, settings=settings)
        if outcome.violations or outcome.result is None or outcome.result.drops < 3:
            raise SystemExit(
                f"the benchmark's set ended as {outcome.result}; allowed: 3 drops or more, no broken invariant"
            )
        seconds = []
        for _ in range(REPEATS):
            # Processor time of this process: what one core needs, whatever else runs on the machine.
            begun = time.process_time()
            run_set(prescription, lifter, rig, seed=2, settings=settings)
            seconds.append(time.process_time() - begun)
        note = f"{outcome.simulated_s:.0f} s set, 100 Hz, frames of {frame_samples}, processor time"
        return outcome.simulated_s / statistics.median(seconds), note

    slow, slow_note = speed(5)
    fast, fast_note = speed(10)
    return [
        Claim("closed loop: simulated over real time, frames of 5", slow, "x real time", 500.0, False, slow_note),
        Claim("closed loop: simulated over real time, frames of 10", fast, "x real time", 2_000.0, False, fast_note),
    ]
