"""Short sets and strength tests of lifters of any structure, on a rig that is strong enough for all of them."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from ebbset.simulators.lifter.conduct import Conduct
from ebbset.simulators.lifter.habits import Habits
from ebbset.simulators.lifter.muscle_lifter import MuscleLifter
from ebbset.simulators.plant.plugged_plant import PluggedPlant
from ebbset.simulators.plant.rig_parameters import strong_rig
from ebbset.simulators.plant.truth import RepetitionTruth, Truth

STRONG_RIG = replace(strong_rig(8000.0), max_ramp_n_per_s=8000.0)
STEADY = Habits(noise_cv=0.0, repetition_noise_cv=0.0, spread=0.0, retries=0, eccentric_m_s=0.45)
"""As fast as possible, brisk and tidy to failure: how published sets were done."""


def loaded(lifter: MuscleLifter, load_n: float) -> PluggedPlant:
    plant = PluggedPlant(STRONG_RIG, lifter, np.random.default_rng(1))
    plant.start()
    plant.advance(900)
    plant.command((load_n,), max(2.0 * load_n, 500.0))
    return plant


def attempt(lifter: MuscleLifter, load_n: float) -> RepetitionTruth:
    """One attempt with all effort, rested."""
    plant = loaded(lifter.at_full_effort(), load_n)
    while plant.attempts_ended == 0:
        plant.advance(50)
        assert plant.time_s < 40.0, f"no attempt at {load_n:g} N"
    return plant.truth.records[0]


def one_rm(lifter: MuscleLifter) -> tuple[float, RepetitionTruth]:
    """Greatest load lifted once, to 2 %, and the attempt."""
    strongest = max(lifter.greatest_pull_n(s, 0.0) for s in np.linspace(0.0, 1.0, 21))
    low, high, best = 0.0, 1.1 * strongest, None
    while high - low > 0.02 * high:
        middle = 0.5 * (low + high)
        record = attempt(lifter, middle)
        if record.completed:
            low, best = middle, record
        else:
            high = middle
    assert best is not None
    return low, best


def to_failure(lifter: MuscleLifter, load_n: float) -> Truth:
    """A steady set until the handle is put down."""
    fresh = lifter.copy()
    fresh.conduct = Conduct(STEADY, fresh.bottom_m, fresh.rom_m)
    plant = loaded(fresh, load_n)
    while not plant.done:
        plant.advance(50)
        assert plant.time_s < 200.0, "the set never ended"
    return plant.truth
