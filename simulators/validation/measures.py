"""What a laboratory would measure on a simulated lifter: load-velocity profiles, sets to failure, sticking regions.

No published value is known here; :mod:`campaigns.fits.calibrate` and
:mod:`ebbset.simulators.validation.validate` compare.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
import numpy.typing as npt

from ebbset.models.contract.units import STANDARD_GRAVITY_M_S2
from ebbset.simulators.lifter.layout import Phase
from ebbset.simulators.lifter.lifter import LifterParameters
from ebbset.simulators.plant.plant import Plant
from ebbset.simulators.plant.rig_parameters import RigParameters, free_weight
from ebbset.simulators.plant.truth import RepetitionTruth, Truth
from ebbset.simulators.population.population import on_day, person_rng
from ebbset.simulators.population.strength_test import lift_once, one_rm_n
from ebbset.simulators.validation.published_targets import RESTS_S

FloatArray = npt.NDArray[np.float64]

LAB_RIG = RigParameters(
    max_load_n=8000.0, max_ramp_n_per_s=4000.0, max_power_w=10_000.0, inertia_kg=5.0, coulomb_share=0.01
)
"""A rig strong enough for every exercise, so with a heavier drum and better bearings; otherwise the default one."""
_SET_LIMIT_S = 900.0
_DIP_M_S = 0.02
"""A dip is at least this much slower than the peaks around it."""
_DIP_ENDS_SHARE = 0.9
"""It lies in the first 90 % of the range: after that everybody brakes."""
ONE_RM_STEP_N: Final = STANDARD_GRAVITY_M_S2
"""Laboratories find the 1RM in steps of a kilogram at best (from memory): what they call 1RM lies below the limit."""


def measured_one_rm_n(lifter: LifterParameters, rig: RigParameters | None = None) -> float:
    """1RM as a laboratory finds it: the last whole kilogram (N per cable) that is lifted; without a rig on a weight.

    Args:
        lifter: the person.
        rig: None: a plain weight.
    """
    return math.floor(one_rm_n(lifter, rig) / ONE_RM_STEP_N) * ONE_RM_STEP_N


@dataclass(frozen=True, slots=True)
class Sticking:
    """Velocity landmarks of one slow repetition.

    Attributes:
        first_peak_s: time from the first movement to the first velocity peak.
        first_peak_m_s: velocity there.
        minimum_s: time to the minimum that follows.
        minimum_m_s: velocity there.
        second_peak_s: time to the peak after it.
        duration_s: duration of the whole concentric phase.
        minimum_share_of_range: position of the minimum, share of the range.
    """

    first_peak_s: float
    first_peak_m_s: float
    minimum_s: float
    minimum_m_s: float
    second_peak_s: float
    duration_s: float
    minimum_share_of_range: float


def velocity_profile(
    lifter: LifterParameters, one_rm: float, shares: tuple[float, ...], rig: RigParameters | None = None
) -> list[RepetitionTruth]:
    """One fresh repetition at each share of ``one_rm`` (N per cable); without a rig on a plain weight.

    Args:
        lifter: the person.
        one_rm: 1RM, N per cable.
        shares: loads as shares of 1RM.
        rig: None: a plain weight.

    Raises:
        ValueError: a load that the lifter does not even begin to lift.
    """
    repetitions = []
    for share in shares:
        records = lift_once(lifter, rig, share * one_rm).truth.records
        if not records:
            raise ValueError(f"shares is {shares!r}; allowed: loads that this lifter begins to lift, not {share!r}")
        repetitions.append(records[0])
    return repetitions


def sticking_region(lifter: LifterParameters, load_n: float, rig: RigParameters | None = None) -> Sticking | None:
    """Landmarks of one fresh repetition at a load, or None if velocity never dips or the lift fails.

    Args:
        lifter: the person.
        load_n: load, N per cable.
        rig: None: a plain weight.
    """
    plant = lift_once(lifter, rig, load_n)
    records = plant.truth.records
    if not records or not records[0].completed:
        return None
    record = records[0]
    trace = _concentric_trace(lifter, load_n, rig, record)
    t, x, v = trace[:, 0] - record.start_s, trace[:, 1], trace[:, 2]
    peaks = np.flatnonzero((v[1:-1] >= v[:-2]) & (v[1:-1] > v[2:]) & (t[1:-1] > 0.0)) + 1
    inside = np.flatnonzero(x < lifter.start_m + _DIP_ENDS_SHARE * lifter.rom_m)
    if peaks.size == 0 or inside.size == 0 or inside[-1] <= peaks[0]:
        return None
    first = int(peaks[0])
    low = int(first + np.argmin(v[first : inside[-1] + 1]))
    second = int(low + np.argmax(v[low:]))
    if min(v[first], v[second]) - v[low] < _DIP_M_S:
        return None
    return Sticking(
        first_peak_s=float(t[first]),
        first_peak_m_s=float(v[first]),
        minimum_s=float(t[low]),
        minimum_m_s=float(v[low]),
        second_peak_s=float(t[second]),
        duration_s=record.end_s - record.start_s,
        minimum_share_of_range=float((x[low] - lifter.start_m) / lifter.rom_m),
    )


def _concentric_trace(
    lifter: LifterParameters, load_n: float, rig: RigParameters | None, record: RepetitionTruth
) -> FloatArray:
    """Samples (t, x, v, tension) every 5 ms through the repetition that ``record`` describes, lightly smoothed."""
    plant = lift_once(lifter, rig, load_n, until_s=max(record.start_s - 0.02, 0.0))
    samples = int((record.end_s - plant.time_s) / 0.005)
    out = np.zeros((samples, plant.rig.n_cables, 4))
    plant.run_frame(samples, 5, out)
    trace = out.mean(axis=1)
    kernel = np.ones(9) / 9.0
    trace[4:-4, 2] = np.convolve(trace[:, 2], kernel, mode="valid")
    return np.asarray(trace)


def set_to_failure(
    lifter: LifterParameters,
    load_n: float,
    rng: np.random.Generator,
    rig: RigParameters | None = LAB_RIG,
    plant: Plant | None = None,
) -> Plant:
    """Plant after one set at a constant load (N per cable) until the lifter ends it.

    Args:
        lifter: the person.
        load_n: load per cable.
        rng: source of the set's fluctuations.
        rig: the rig; None is a plain weight.
        plant: go on with this plant (rested or not) instead of a fresh one.
    """
    rig = free_weight(load_n) if rig is None else rig
    plant = Plant(rig, replace(lifter, retries=0), rng) if plant is None else plant
    began = plant.time_s
    plant.start()
    plant.advance(1200)
    plant.command((load_n,) * rig.n_cables, load_n)
    while not plant.done and plant.time_s - began < _SET_LIMIT_S:
        plant.advance(250)
    plant.command((0.0,) * rig.n_cables, rig.max_ramp_n_per_s)
    while not plant.docked:
        plant.advance(250)
    return plant


def sets_to_failure(
    people: list[LifterParameters], shares: tuple[float, ...], seed: int, rig: RigParameters | None
) -> list[list[Truth]]:
    """One set to failure of each person (row) at each share of the measured 1RM (column), each on a day of its own.

    Args:
        people: the persons.
        shares: loads as shares of 1RM.
        seed: of all randomness.
        rig: None: a plain weight.
    """
    rows = []
    for i, lifter in enumerate(people):
        best = measured_one_rm_n(lifter, rig)
        row = []
        for k, share in enumerate(shares):
            today = on_day(lifter, person_rng(seed + 2, 100 * i + k))
            row.append(set_to_failure(today, share * best, person_rng(seed + 1, 100 * i + k), rig).truth)
        rows.append(row)
    return rows


@dataclass(frozen=True, slots=True)
class DropSet:
    """One set with drops.

    Attributes:
        repetitions: completed at each load, first load first.
        seconds: from the first pull to the end.
    """

    repetitions: tuple[int, ...]
    seconds: float


def drop_set(
    lifter: LifterParameters,
    load_n: float,
    drop_share: float,
    drops: int,
    rng: np.random.Generator,
    rig: RigParameters = LAB_RIG,
) -> DropSet:
    """A classic drop set: to failure, at once less by ``drop_share``, to failure again, ``drops`` times.

    Args:
        lifter: the person.
        load_n: starting load, N per cable.
        drop_share: part of the load that each drop takes off.
        drops: how many.
        rng: source of all randomness of the call.
        rig: the rig.
    """
    plant = Plant(rig, replace(lifter, give_in="slow_lowering", retry_wait_s=5.0, retries=0), rng)
    plant.start()
    plant.advance(1200)
    began = plant.time_s
    load, counts, before = load_n, [], 0
    plant.command((load,) * rig.n_cables, load)
    dropped = False
    while not plant.done and plant.time_s < _SET_LIMIT_S:
        plant.advance(100)
        if plant.phase == Phase.FAILED and not dropped:
            done = plant.truth.repetitions
            counts.append(done - before)
            before, dropped = done, True
            if len(counts) > drops:
                break
            load *= 1.0 - drop_share
            plant.command((load,) * rig.n_cables, 0.5 * load_n)
        elif plant.phase != Phase.FAILED:
            dropped = False
    return DropSet(tuple(counts), plant.time_s - began)


def rest_ratios(people: list[LifterParameters], seed: int) -> FloatArray:
    """Repetitions of a second set to failure at 75 %1RM after each rest, over those after the longest.

    Args:
        people: the persons.
        seed: of all randomness.

    Returns:
        float64, shape (rests,).
    """
    counts = np.zeros(len(RESTS_S))
    for i, lifter in enumerate(people):
        load = 0.75 * one_rm_n(lifter, LAB_RIG)
        first = set_to_failure(lifter, load, person_rng(seed, i))
        for k, rest_s in enumerate(RESTS_S):
            second = first.fork()
            second.rest(rest_s)
            counts[k] += set_to_failure(lifter, load, person_rng(seed, i), plant=second).truth.repetitions
    return np.asarray(counts / counts[-1])
