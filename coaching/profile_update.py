"""How a set changes a profile: the day's 1RM, load–velocity line and ROM are combined with what the profile holds.

Turns an estimator's posterior into the next profile. Reads no files and no clock (the date is passed in), and leaves
estimation itself to `capacity`.

The estimator of a set starts from the profile, so its posterior already combines both. Only the uncertainty that a
single day cannot show is added back: strength differs from day to day, and it drifts over weeks.
"""

from __future__ import annotations

import datetime
from collections.abc import Sequence
from dataclasses import dataclass
from math import sqrt
from typing import Final

from ebbset.controller.estimation.capacity import CapacityEstimator
from ebbset.models.contract.profile import BOUNDS, LifterProfile, Uncertain, figure_problem, line_problem

DAY_CV: Final = 0.019
"""1RM between days: CV 1.9 % (deadlift; Ruf et al. 2018 JSCR 32:681-689, 10.1519/JSC.0000000000002369)."""
DRIFT_PER_WEEK: Final = 0.006
"""Unobserved drift of the 1RM, as a share of it per square root of a week. Our judgement, well below the largest gain
that González-Badillo & Sánchez-Medina 2010 saw: +9.3 % in six weeks of training."""
LEAST_LINE_SD_M_S: Final = 0.015
LEAST_ROM_SD_M: Final = 0.01
STALE_AFTER_DAYS: Final = 84


@dataclass(frozen=True, slots=True, kw_only=True)
class SetObservation:
    """What one set showed.

    Attributes:
        date: date of the set.
        one_rm_n: 1RM of the day, newtons per cable.
        velocity_at_zero_m_s: velocity at no load, m/s, from this person's line.
        velocity_at_1rm_m_s: velocity at 1RM, m/s, from this person's line.
        rom_m: reference ROM that the segmenter learned, m.
        doubted: whether the profile's 1RM did not fit and was not used.
    """

    date: datetime.date
    one_rm_n: Uncertain
    velocity_at_zero_m_s: Uncertain
    velocity_at_1rm_m_s: Uncertain
    rom_m: float | None = None
    doubted: bool = False


def observe_set(
    estimator: CapacityEstimator, *, date: datetime.date, rom_m: float | None = None
) -> SetObservation | None:
    """What an estimator concluded by the end of a set.

    Args:
        estimator: estimator of one cable, at the end of the set.
        date: date of the set.
        rom_m: ROM seen in the set, m; None if unknown.

    Returns:
        The observation; None if the estimator saw fewer than two velocities or stalls.
    """
    fresh, fresh_sd = estimator.fresh_n, estimator.fresh_own_sd_n
    if fresh is None or fresh_sd is None or estimator.seen < 2:
        return None
    zero, at_1rm = estimator.line_ends()
    return SetObservation(
        date=date,
        one_rm_n=Uncertain(mean=fresh, sd=fresh_sd),
        velocity_at_zero_m_s=Uncertain(mean=zero[0], sd=zero[1]),
        velocity_at_1rm_m_s=Uncertain(mean=at_1rm[0], sd=at_1rm[1]),
        rom_m=rom_m,
        doubted=estimator.profile_stale,
    )


def update_profile(profile: LifterProfile, observations: Sequence[SetObservation]) -> LifterProfile:
    """The profile after these sets, applied from the oldest to the newest.

    The 1RM of a doubted profile is replaced, not averaged. Uncertainty never falls below the day-to-day variation.

    Args:
        profile: the profile so far.
        observations: what each set showed, in any order; those from before the profile's date are ignored, and those
            whose 1RM no person can have.
    """
    for seen in sorted(observations, key=lambda one: one.date):
        if seen.date < profile.date:
            continue
        day_sd = DAY_CV * seen.one_rm_n.mean
        one_rm = Uncertain(mean=seen.one_rm_n.mean, sd=sqrt(seen.one_rm_n.sd**2 + day_sd**2))
        if profile.one_rm_n is not None and not seen.doubted:
            one_rm = _combine(_aged(profile.one_rm_n, profile.date, seen.date), one_rm, day_sd)
        if figure_problem("one_rm_n", one_rm) is not None:
            continue
        zero, at_1rm = _line(seen, profile)
        profile = profile.model_copy(
            update={
                "date": seen.date,
                "sets_used": profile.sets_used + 1,
                "one_rm_n": one_rm,
                "velocity_at_zero_m_s": zero,
                "velocity_at_1rm_m_s": at_1rm,
                "rom_m": _rom(profile.rom_m, seen.rom_m),
            }
        )
    return LifterProfile.model_validate(profile.model_dump())


def profile_is_old(profile: LifterProfile, today: datetime.date) -> bool:
    """Whether a profile is older than `STALE_AFTER_DAYS`; an estimator may also doubt it sooner (`profile_stale`).

    Args:
        profile: the profile.
        today: date by which its age is judged.
    """
    return (today - profile.date).days > STALE_AFTER_DAYS


def _aged(one_rm: Uncertain, since: datetime.date, today: datetime.date) -> Uncertain:
    weeks = max(0.0, (today - since).days / 7.0)
    return Uncertain(mean=one_rm.mean, sd=sqrt(one_rm.sd**2 + weeks * (DRIFT_PER_WEEK * one_rm.mean) ** 2))


def _combine(a: Uncertain, b: Uncertain, least_sd: float) -> Uncertain:
    """Precision-weighted mean. Since ``b`` is partly based on ``a``, the result is no surer than the better one."""
    wa, wb = 1.0 / max(a.sd, 1e-9) ** 2, 1.0 / max(b.sd, 1e-9) ** 2
    return Uncertain(mean=(wa * a.mean + wb * b.mean) / (wa + wb), sd=max(least_sd, min(a.sd, b.sd)))


def _line(seen: SetObservation, profile: LifterProfile) -> tuple[Uncertain, Uncertain]:
    """Both ends of the line that a set showed; the profile's own where those cannot be a person's."""
    zero, at_1rm = seen.velocity_at_zero_m_s, seen.velocity_at_1rm_m_s
    problems = (
        figure_problem("velocity_at_zero_m_s", zero),
        figure_problem("velocity_at_1rm_m_s", at_1rm),
        line_problem(zero, at_1rm),
    )
    if any(problem is not None for problem in problems):
        zero, at_1rm = profile.velocity_at_zero_m_s, profile.velocity_at_1rm_m_s
    return (
        Uncertain(mean=zero.mean, sd=max(zero.sd, LEAST_LINE_SD_M_S)),
        Uncertain(mean=at_1rm.mean, sd=max(at_1rm.sd, LEAST_LINE_SD_M_S)),
    )


def _rom(before: Uncertain | None, seen_m: float | None) -> Uncertain | None:
    if seen_m is None or not BOUNDS["rom_m"].least <= seen_m <= BOUNDS["rom_m"].most:
        return before
    if before is None:
        return Uncertain(mean=seen_m, sd=0.02)
    return Uncertain(mean=before.mean + 0.3 * (seen_m - before.mean), sd=max(LEAST_ROM_SD_M, 0.9 * before.sd))
