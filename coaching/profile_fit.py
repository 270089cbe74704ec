"""A lifter profile from a few submaximal sets: load–velocity line, velocity at 1RM, 1RM and ROM, each with its spread.

The prior of the fit is what is known about the exercise in general, so that one set already gives a profile, though a
vague one, and every further load narrows it. The fit is least squares on velocity at no load, velocity at 1RM, the
logarithm of the 1RM and a bend, since no person's curve is quite a line; the spreads come from the curvature at the
minimum. Reads no files.
"""

from __future__ import annotations

import datetime
import math
from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
import numpy.typing as npt
from scipy.optimize import least_squares

from ebbset.controller.messages.actions import Decision, RepetitionRecord
from ebbset.models.contract import formatting
from ebbset.models.contract.profile import LEAST_RESIDUAL_M_S, LifterProfile, Uncertain
from ebbset.models.contract.rig_messages import RepetitionOutcome
from ebbset.models.physiology.load_velocity import LoadVelocityLine, generic_line
from ebbset.models.physiology.strength import FORMULAS, MAX_FORMULA_REPETITIONS, estimate_one_rm

VELOCITY_SD_M_S: Final = 0.05
"""Velocity at one load from set to set: standard error of measurement 0.03 to 0.08 m/s at 30 to 90 % of 1RM (Front
Physiol 2020, 10.3389/fphys.2020.561682), scatter about a person's own line included."""
BEND_SD_M_S: Final = 0.4
"""How far a person's curve may depart from the straight line: by ``bend * x (1 - x)`` at share x of the 1RM.
The published bench press table (from memory) bends by -0.5 m/s; on a simulated rig, where little mass has to be
accelerated, it is +0.5."""
FORMULA_SD: Final = 0.06
"""Error of a 1RM formula as a share of the 1RM, on top of the disagreement among the formulas; our judgement."""
ONE_RM_SD: Final = 0.019
"""Day-to-day variation of a lifted 1RM: CV of 1.9 % (Ruf et al. 2018, 10.1519/JSC.0000000000002369)."""
FRESH_REPETITIONS: Final = 3
"""The fastest of this many first repetitions represents the fresh lifter; common practice, no source."""
_PRIOR_WEIGHT: Final = 4.0
_ROM_SD_M: Final = 0.02
FloatArray = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class ObservedSet:
    """What one set showed; loads in newtons per cable.

    Attributes:
        load_n: load.
        velocity_m_s: mean concentric velocity of the fastest fresh repetition at maximal intent, m/s; None if unknown.
        repetitions_to_failure: completed repetitions before the one that failed; None if the set ended before failure.
        rom_m: range of motion, m; None if unknown.
    """

    load_n: float
    velocity_m_s: float | None = None
    repetitions_to_failure: int | None = None
    rom_m: float | None = None

    def __post_init__(self) -> None:
        if not 0.0 < self.load_n <= 5_000.0:
            raise ValueError(f"load_n is {self.load_n!r}; allowed: above 0 to 5000")
        if self.velocity_m_s is not None and not 0.02 <= self.velocity_m_s <= 5.0:
            raise ValueError(f"velocity_m_s is {self.velocity_m_s!r}; allowed: 0.02 to 5")
        if self.repetitions_to_failure is not None and not 1 <= self.repetitions_to_failure <= MAX_FORMULA_REPETITIONS:
            raise ValueError(
                f"repetitions_to_failure is {self.repetitions_to_failure!r}; allowed: 1 to {MAX_FORMULA_REPETITIONS}"
            )
        if self.rom_m is not None and not 0.05 <= self.rom_m <= 2.5:
            raise ValueError(f"rom_m is {self.rom_m!r}; allowed: 0.05 to 2.5")
        if self.velocity_m_s is None and self.repetitions_to_failure is None:
            raise ValueError("velocity_m_s and repetitions_to_failure are both missing; allowed: one of them or both")


@dataclass(frozen=True, slots=True)
class ProfileFit:
    """A profile and what it rests on.

    Attributes:
        profile: the profile, ready to be written.
        residuals_m_s: measured less fitted velocity, m/s, one per set with a velocity.
        correlation: of velocity at no load, velocity at 1RM and log 1RM, shape (3, 3).
        remarks: sentences on its weak points; empty when there are none.
    """

    profile: LifterProfile
    residuals_m_s: tuple[float, ...]
    correlation: FloatArray
    remarks: tuple[str, ...]


def fit_profile(
    sets: Sequence[ObservedSet],
    *,
    lifter: str,
    exercise: str,
    date: datetime.date,
    one_rm_n: float | None = None,
    line: LoadVelocityLine | None = None,
    bend_sd_m_s: float = BEND_SD_M_S,
) -> ProfileFit:
    """Fit a profile.

    Args:
        sets: one or more sets of the rested lifter, in any order.
        lifter: pseudonym.
        exercise: name of the exercise; its generic line is the prior, or a wide one if it has none.
        date: date of the sets.
        one_rm_n: a 1RM that was actually lifted, newtons per cable; None if there is none.
        line: prior to use instead of the generic line.
        bend_sd_m_s: standard deviation of the bend, m/s.

    Raises:
        ValueError: there is no set, or the result is not a valid profile.
    """
    if not sets:
        raise ValueError("sets are 0; allowed: one or more")
    line = line or generic_line(exercise)
    seen = [(s.load_n, s.velocity_m_s) for s in sets if s.velocity_m_s is not None]
    loads, velocities = (
        np.array(column, dtype=np.float64) for column in (zip(*seen, strict=True) if seen else ((), ()))
    )
    strengths = [_from_repetitions(s) for s in sets if s.repetitions_to_failure is not None]
    if one_rm_n is not None:
        strengths.append((math.log(one_rm_n), ONE_RM_SD))

    def misfit(theta: FloatArray) -> FloatArray:
        v0, v1, log_m, bend = theta
        part = loads / math.exp(log_m)
        fitted = v0 - (v0 - v1) * part + bend * part * (1.0 - part)
        parts = [
            (velocities - fitted) / VELOCITY_SD_M_S,
            np.array([(v0 - line.v0_m_s) / line.v0_sd_m_s, (v1 - line.v_1rm_m_s) / line.v_1rm_sd_m_s]),
            np.array([(log_m - mean) / sd for mean, sd in strengths]),
            np.array([bend / bend_sd_m_s]),
        ]
        return np.concatenate(parts)

    start = np.array([line.v0_m_s, line.v_1rm_m_s, _first_guess(seen, strengths, line), 0.0])
    found = least_squares(misfit, start, x_scale=(1.0, 0.1, 1.0, 0.5))
    jacobian = np.asarray(found.jac, dtype=np.float64)
    covariance = np.linalg.inv(jacobian.T @ jacobian)
    sds = np.sqrt(np.diag(covariance))
    v0, v1, log_m = (float(value) for value in found.x[:3])
    residuals = tuple(float(r) * VELOCITY_SD_M_S for r in found.fun[: len(seen)])
    scatter = math.sqrt(
        (_PRIOR_WEIGHT * VELOCITY_SD_M_S**2 + sum(r * r for r in residuals)) / (_PRIOR_WEIGHT + len(seen))
    )
    strength = math.exp(log_m)
    profile = LifterProfile(
        lifter=lifter,
        exercise=exercise,
        date=date,
        sets_used=len(sets),
        one_rm_n=Uncertain(mean=round(strength, 1), sd=round(strength * float(sds[2]), 1)),
        velocity_at_zero_m_s=Uncertain(mean=round(v0, 3), sd=round(float(sds[0]), 3)),
        velocity_at_1rm_m_s=Uncertain(mean=round(v1, 3), sd=round(float(sds[1]), 3)),
        residual_sd_m_s=round(min(max(scatter, LEAST_RESIDUAL_M_S), 0.3), 3),
        rom_m=_rom(sets),
    )
    return ProfileFit(
        profile=profile,
        residuals_m_s=residuals,
        correlation=(covariance / np.outer(sds, sds))[:3, :3],
        remarks=tuple(_remarks(loads / strength, profile, line, residuals, strengths)),
    )


def sets_seen(records: Sequence[RepetitionRecord], decisions: Sequence[Decision] = ()) -> list[ObservedSet]:
    """What a recorded set showed of the fresh lifter: its first load in its first bout, averaged over cables.

    Later bouts and loads after a drop are done in fatigue and say nothing about the fresh line.

    Args:
        records: the repetitions of one set, all cables, in order.
        decisions: the set's decisions; a stall among them means that the set went to failure.

    Returns:
        One observation; none if no repetition at that load was completed.
    """
    found: dict[int, list[RepetitionRecord]] = defaultdict(list)
    for record in records:
        if record.bout == 0 and record.step == 0:
            found[record.cable].append(record)
    sets = []
    for cable, first in sorted(found.items()):
        whole = [r for r in first if r.outcome is RepetitionOutcome.COMPLETED]
        if not whole:
            continue
        fresh = max(r.mean_velocity_m_s for r in whole[:FRESH_REPETITIONS])
        stalled = any(r.outcome is RepetitionOutcome.FAILED for r in first) or any(
            d.cable == cable and any(name == "stalled_s" for name, _ in d.inputs) for d in decisions
        )
        sets.append(
            ObservedSet(
                load_n=whole[0].load_n,
                velocity_m_s=fresh,
                repetitions_to_failure=len(whole) if stalled and len(whole) <= MAX_FORMULA_REPETITIONS else None,
                rom_m=float(np.median([r.rom_m for r in whole])),
            )
        )
    if len(sets) < 2:
        return sets
    counts = [s.repetitions_to_failure for s in sets if s.repetitions_to_failure is not None]
    return [
        replace(
            sets[0],
            velocity_m_s=float(np.mean([s.velocity_m_s for s in sets if s.velocity_m_s is not None])),
            repetitions_to_failure=min(counts) if counts else None,
            rom_m=float(np.mean([s.rom_m for s in sets if s.rom_m is not None])),
        )
    ]


def _from_repetitions(one: ObservedSet) -> tuple[float, float]:
    """Log 1RM and its SD from a set to failure: mean of the handbook formulas; the SD covers formulas and people."""
    repetitions = one.repetitions_to_failure or 1
    if repetitions == 1:
        return math.log(one.load_n), FORMULA_SD
    logs = [math.log(estimate_one_rm(one.load_n, repetitions, name)) for name in FORMULAS]
    return float(np.mean(logs)), math.hypot(FORMULA_SD, float(np.std(logs)))


def _first_guess(
    seen: Sequence[tuple[float, float]], strengths: Sequence[tuple[float, float]], line: LoadVelocityLine
) -> float:
    if strengths:
        return strengths[-1][0]
    return float(np.mean([math.log(load / line.relative_load(velocity)) for load, velocity in seen]))


def _rom(sets: Sequence[ObservedSet]) -> Uncertain | None:
    known = [s.rom_m for s in sets if s.rom_m is not None]
    if not known:
        return None
    spread = float(np.std(known, ddof=1)) if len(known) > 2 else _ROM_SD_M
    return Uncertain(mean=round(float(np.mean(known)), 3), sd=round(max(spread, 0.005), 3))


def _remarks(
    relative: FloatArray,
    profile: LifterProfile,
    line: LoadVelocityLine,
    residuals: Sequence[float],
    strengths: Sequence[tuple[float, float]],
) -> list[str]:
    """The weak points of the profile, and which set would help most."""
    found = []
    strength = profile.one_rm_n
    if relative.size and float(np.ptp(relative)) < 0.15:
        where = 0.8 if float(relative.mean()) < 0.65 else 0.45
        found.append(
            "all velocities are from about the same load, so the slope is that of the exercise, not the lifter's own; "
            f"a set near {formatting.load(where * (strength.mean if strength else 0.0), 'kg')} would help most"
        )
    if relative.size and float(relative.max()) < 0.7 and not strengths:
        found.append(
            f"the heaviest load was {float(relative.max()):.0%} of the estimated 1RM; velocity at 1RM and the 1RM "
            "itself are extrapolated from there"
        )
    if profile.velocity_at_1rm_m_s.sd > 0.9 * line.v_1rm_sd_m_s:
        found.append("velocity at 1RM is that of people in general; only sets near failure show the lifter's own")
    if strength is not None and strength.sd > 0.08 * strength.mean:
        found.append(f"the 1RM is only known to ± {strength.sd / strength.mean:.0%}; plan with care")
    if residuals and max(abs(r) for r in residuals) > 2.5 * VELOCITY_SD_M_S:
        found.append("one set lies far off the line: check its load, its velocity, and that the effort was maximal")
    return found
