"""The compiled plant alone: a step of two cables over one of one, in whole sets with frames as of a rig."""

from __future__ import annotations

from functools import partial

import numpy as np

from benchmarks.claims import Claim, side_by_side

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
    simulated = [whole_set(cables) for cables in (1, 2)]
    seconds = side_by_side(partial(whole_set, 1), partial(whole_set, 2))
    one, two = (taken / of for taken, of in zip(seconds, simulated, strict=True))
    return [
        Claim(
            "plant: a step of two cables over one of one",
            two / one,
            "times",
            2.0,
            at_most=True,
            note=f"{two * 1e3:.2f} over {one * 1e3:.2f} µs; sets of {simulated[0]:.0f} s, frames of 5 at 100 Hz",
        )
    ]
