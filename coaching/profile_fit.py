"""A lifter profile from a few submaximal sets: load–velocity line, velocity at 1RM, 1RM and ROM, each with its spread.

What is known about the exercise in general is the prior (`curve_prior`), so that one set already gives a profile,
though a vague one, and every further load narrows it. The curve is the controller's, with the same bend near 1RM
(`curve_fit`); sets that make no profile are refused (`profile_doubts`). Reads no files.
"""

from __future__ import annotations

import datetime
import math
from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from ebbset.coaching.curve_fit import DAY_SD, CurveEvidence, CurvePosterior, fit_curve
from ebbset.coaching.curve_prior import CurvePrior, FloatArray, curve_prior
from ebbset.coaching.profile_doubts import contradiction, refuse_rising, refuse_vague, refuse_weaker_than_lifted
from ebbset.controller.messages.actions import Decision, RepetitionRecord
from ebbset.models.contract import formatting
from ebbset.models.contract.profile import LEAST_RESIDUAL_M_S, LifterProfile, Uncertain
from ebbset.models.contract.rig_messages import RepetitionOutcome
from ebbset.models.physiology.strength import FORMULAS, MAX_FORMULA_REPETITIONS, estimate_one_rm

VELOCITY_SD_M_S: Final = 0.05
"""Velocity at one load from set to set: standard error of measurement 0.03 to 0.08 m/s at 30 to 90 % of 1RM (Front
Physiol 2020, 10.3389/fphys.2020.561682), scatter about a person's own line included."""
FORMULA_SD: Final = 0.06
"""Error of a 1RM formula as a share of the 1RM, on top of the disagreement among the formulas; our judgement."""
FRESH_REPETITIONS: Final = 3
"""The fastest of this many first repetitions represents the fresh lifter; common practice, no source."""
_PRIOR_WEIGHT: Final = 4.0
_ROM_SD_M: Final = 0.02


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
        one_rm_range_n: 80 % range of the 1RM, newtons per cable; never below what was lifted.
        residuals_m_s: measured less fitted velocity, m/s, one per set with a velocity.
        correlation: of velocity at no load, velocity at 1RM and log 1RM, shape (3, 3).
        remarks: sentences on its weak points; empty when there are none.
    """

    profile: LifterProfile
    one_rm_range_n: tuple[float, float]
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
    prior: CurvePrior | None = None,
    velocity_sd_m_s: float = VELOCITY_SD_M_S,
) -> ProfileFit:
    """Fit a profile.

    Args:
        sets: one or more sets of the rested lifter, in any order.
        lifter: pseudonym.
        exercise: name of the exercise, which gives the prior: a wide one for an exercise without figures.
        date: date of the sets.
        one_rm_n: a 1RM that was actually lifted, newtons per cable; None if there is none.
        prior: what is expected of the curve; None: the exercise's.
        velocity_sd_m_s: standard deviation of a measured velocity, m/s.

    Raises:
        NoProfileError: the sets contradict each other or what people can do, or say next to nothing.
        ValueError: there is no set, or the result is not a valid profile.
    """
    if not sets:
        raise ValueError("sets are 0; allowed: one or more")
    prior = prior or curve_prior(exercise)
    seen = _seen(sets, one_rm_n, velocity_sd_m_s)
    refuse_rising(seen, prior)
    refuse_weaker_than_lifted(seen)
    told = contradiction(seen, prior)
    wider = 1.0 if told is None else told[1]
    posterior = fit_curve(seen, prior)
    refuse_vague(posterior, seen)
    strength_n, strength_sd_n = posterior.one_rm
    means, covariance = posterior.figures()
    sds = np.sqrt(np.diag(covariance))
    residuals = tuple(
        float(v) - posterior.velocity(float(w))[0] for w, v in zip(seen.loads_n, seen.velocities_m_s, strict=True)
    )
    scatter = math.sqrt(
        (_PRIOR_WEIGHT * velocity_sd_m_s**2 + sum(r * r for r in residuals)) / (_PRIOR_WEIGHT + len(residuals))
    )
    profile = LifterProfile(
        lifter=lifter,
        exercise=exercise,
        date=date,
        sets_used=len(sets),
        one_rm_n=Uncertain(mean=round(strength_n, 1), sd=round(wider * strength_sd_n, 1)),
        velocity_at_zero_m_s=Uncertain(mean=round(float(means[0]), 3), sd=round(wider * float(sds[0]), 3)),
        velocity_at_1rm_m_s=Uncertain(mean=round(float(means[1]), 3), sd=round(wider * float(sds[1]), 3)),
        residual_sd_m_s=round(min(max(scatter, LEAST_RESIDUAL_M_S), 0.3), 3),
        rom_m=_rom(sets),
    )
    remarks = ([] if told is None else [told[0]]) + _remarks(seen, profile, prior)
    return ProfileFit(
        profile=profile,
        one_rm_range_n=_range(posterior, seen, wider),
        residuals_m_s=residuals,
        correlation=covariance / np.outer(sds, sds),
        remarks=tuple(remarks),
    )


def _seen(sets: Sequence[ObservedSet], one_rm_n: float | None, velocity_sd_m_s: float) -> CurveEvidence:
    """The sets as a fit takes them."""
    pairs = [(s.load_n, s.velocity_m_s) for s in sets if s.velocity_m_s is not None]
    strengths = [_from_repetitions(s) for s in sets if s.repetitions_to_failure is not None]
    if one_rm_n is not None:
        strengths.append((math.log(one_rm_n), DAY_SD))
    table = np.array(pairs, dtype=np.float64).reshape(-1, 2)
    return CurveEvidence(table[:, 0], table[:, 1], tuple(strengths), velocity_sd_m_s)


def _range(posterior: CurvePosterior, seen: CurveEvidence, wider: float) -> tuple[float, float]:
    """80 % range of the 1RM, widened about its middle; a load that was lifted is not above it."""
    low, middle, high = (posterior.one_rm_quantile(share) for share in (0.1, 0.5, 0.9))
    lifted = float(seen.loads_n.max()) if seen.loads_n.size else 0.0
    return max(middle - wider * (middle - low), min(lifted, middle)), middle + wider * (high - middle)


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
        if record.at_first_load:
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


def _rom(sets: Sequence[ObservedSet]) -> Uncertain | None:
    known = [s.rom_m for s in sets if s.rom_m is not None]
    if not known:
        return None
    spread = float(np.std(known, ddof=1)) if len(known) > 2 else _ROM_SD_M
    return Uncertain(mean=round(float(np.mean(known)), 3), sd=round(max(spread, 0.005), 3))


def _remarks(seen: CurveEvidence, profile: LifterProfile, prior: CurvePrior) -> list[str]:
    """The weak points of the profile, and which set would help most."""
    strength = profile.one_rm_n
    if strength is None:
        return []
    found = []
    relative = seen.loads_n / strength.mean
    if relative.size and float(np.ptp(relative)) < 0.15:
        where = 0.8 if float(relative.mean()) < 0.65 else 0.45
        found.append(
            "all velocities are from about the same load, so the slope is that of the exercise, not the lifter's own; "
            f"a set near {formatting.load(where * strength.mean, 'kg')} would help most"
        )
    if relative.size and float(relative.max()) < 0.7 and not seen.strengths:
        found.append(
            f"the heaviest load was {float(relative.max()):.0%} of the estimated 1RM; velocity at 1RM and the 1RM "
            "itself are extrapolated from there"
        )
    straight = prior.straight_part()[1]
    if profile.velocity_at_1rm_m_s.sd > 0.9 * math.sqrt(float(straight @ prior.covariance @ straight)):
        found.append("velocity at 1RM is that of people in general; only sets near failure show the lifter's own")
    if strength.sd > 0.08 * strength.mean:
        found.append(f"the 1RM is only known to ± {strength.sd / strength.mean:.0%}; plan with care")
    return found
