"""The compiled plant alone: simulated time over wall time for a whole set, writing frames as a rig would."""

from __future__ import annotations

from functools import partial

import numpy as np

from benchmarks.claims import Claim, median_seconds

FRAME_SAMPLES, STEPS_PER_SAMPLE = 5, 10


def whole_set(cables: int) -> float:
    """Simulated seconds of one set to failure."""
    from ebbset.simulators.lifter.exercises import exercise
    from ebbset.simulators.plant.plant import Plant
    from ebbset.simulators.plant.rig_parameters import RigParameters

    out = np.zeros((FRAME_SAMPLES, cables, 4))
    lifter = exercise("bench_press").mean_lifter()
    plant = Plant(RigParameters(n_cables=cables), lifter, np.random.default_rng(0))
    plant.start()
    plant.command((650.0 / cables,) * cables, 600.0)
    while not plant.done:
        plant.run_frame(FRAME_SAMPLES, STEPS_PER_SAMPLE, out)
    return plant.time_s


def main() -> list[Claim]:
    claims = []
    for cables, target in ((1, 2500.0), (2, 1250.0)):
        simulated = whole_set(cables)
        seconds = median_seconds(partial(whole_set, cables))
        claims.append(
            Claim(
                f"plant: set to failure, {cables} cable(s), 1 ms steps, frames of 5 at 100 Hz",
                simulated / seconds,
                "× real time",
                target,
                at_most=False,
                note=f"{seconds / simulated * 1e3:.2f} µs a step, {simulated:.0f} s simulated",
            )
        )
    return claims
