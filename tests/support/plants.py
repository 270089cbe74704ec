"""Plants with a simulated bench presser on them, for tests of the physics and of what people do."""

from __future__ import annotations

from typing import Any

import numpy as np

from ebbset.simulators.lifter.exercises import exercise
from ebbset.simulators.lifter.layout import Phase
from ebbset.simulators.lifter.lifter import LifterParameters
from ebbset.simulators.plant.plant import Plant
from ebbset.simulators.plant.rig_parameters import RigParameters

QUIET: dict[str, Any] = {
    "force_noise_cv": 0.0,
    "repetition_noise_cv": 0.0,
    "habit_cv": 0.0,
    "depth_sd_m": 0.0,
    "range_cv": 0.0,
}
RIG = RigParameters()


def bencher(**changes: Any) -> LifterParameters:
    return exercise("bench_press").mean_lifter(**changes)


def plant(lifter: LifterParameters | None = None, rig: RigParameters = RIG, seed: int = 3) -> Plant:
    return Plant(rig, lifter or bencher(), np.random.default_rng(seed))


def run_until(p: Plant, phase: Phase, limit_s: float = 120.0) -> None:
    end = p.time_s + limit_s
    while p.phase != phase:
        p.advance(10)
        assert p.time_s < end, f"{phase!r} was never reached; the plant is in {p.phase!r}"


def loaded(load_n: float, **changes: Any) -> Plant:
    p = plant(bencher(**changes))
    p.start()
    p.advance(1200)
    p.command((load_n,), 800.0)
    return p
