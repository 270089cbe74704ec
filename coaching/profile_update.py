"""What a set teaches about a person's profile: 1RM of the day, load–velocity line and ROM, folded in with its date.

Computes the next profile from an estimator's posterior. The date is passed in; estimation itself is in `capacity`.

The estimator of a set starts from the profile, so its posterior already holds both; only what a single day cannot
tell is added back: strength differs from day to day, and it drifts over weeks.
"""

from __future__ import annotations

import datetime
from collections.abc import Sequence
from dataclasses import dataclass
from math import sqrt
from typing import Final

from ebbset.controller.estimation.capacity import CapacityEstimator
from ebbset.models.contract.profile import LifterProfile, Uncertain

DAY_CV: Final = 0.019
"""1RM between days: CV 1.9 % (deadlift; Ruf et al. 2018 JSCR 32:681-689, 10.1519/JSC.0000000000002369)."""
DRIFT_PER_WEEK: Final = 0.006
"""Drift of 1RM unseen, part per square root of a week; +9.3 % in six weeks of training is the most that
González-Badillo & Sánchez-Medina 2010 saw, a quarter of that in a typical week (judgement)."""
LEAST_LINE_SD_M_S: Final = 0.015
LEAST_ROM_SD_M: Final = 0.01
STALE_AFTER_DAYS: Final = 84


@dataclass(frozen=True, slots=True, kw_only=True)
class SetObservation:
    """What one set showed.

    Attributes:
        date: when.
        one_rm_n: 1RM of the day, newtons per cable.
        velocity_at_zero_m_s: of this person's line.
        velocity_at_1rm_m_s: of this person's line.
        rom_m: reference ROM that the segmenter learned, metres.
        doubted: the profile's 1RM did not fit and was not used.
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
    """What an estimator holds at the end of a set; ``None`` when it saw nothing.

    Args:
        estimator: as it stood at the end of the set.
        date: day of the set.
        rom_m: range of motion that the segmenter learned, metres.
    """
    fresh, fresh_sd = estimator.fresh_n, estimator.fresh_sd_n
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
    """The profile after these sets, oldest first; observations from before the profile's date are left out.

    A doubted profile's 1RM is replaced, not averaged. Uncertainty never falls under what one day cannot tell.

    Args:
        profile: the profile so far.
        observations: what sets showed, in any order.
    """
    for seen in sorted(observations, key=lambda one: one.date):
        if seen.date < profile.date:
            continue
        day_sd = DAY_CV * seen.one_rm_n.mean
        one_rm = Uncertain(mean=seen.one_rm_n.mean, sd=sqrt(seen.one_rm_n.sd**2 + day_sd**2))
        if profile.one_rm_n is not None and not seen.doubted:
            one_rm = _combine(_aged(profile.one_rm_n, profile.date, seen.date), one_rm, day_sd)
        zero, at_1rm = seen.velocity_at_zero_m_s, seen.velocity_at_1rm_m_s
        if zero.mean <= at_1rm.mean or at_1rm.mean <= 0.0:
            zero, at_1rm = profile.velocity_at_zero_m_s, profile.velocity_at_1rm_m_s
        profile = profile.model_copy(
            update={
                "date": seen.date,
                "sets_used": profile.sets_used + 1,
                "one_rm_n": one_rm,
                "velocity_at_zero_m_s": Uncertain(mean=zero.mean, sd=max(zero.sd, LEAST_LINE_SD_M_S)),
                "velocity_at_1rm_m_s": Uncertain(mean=at_1rm.mean, sd=max(at_1rm.sd, LEAST_LINE_SD_M_S)),
                "rom_m": _rom(profile.rom_m, seen.rom_m),
            }
        )
    return LifterProfile.model_validate(profile.model_dump())


def profile_is_old(profile: LifterProfile, today: datetime.date) -> bool:
    """Older than what strength is known to keep for; a set may also say it is stale (`profile_stale`).

    Args:
        profile: the profile.
        today: the current date.
    """
    return (today - profile.date).days > STALE_AFTER_DAYS


def _aged(one_rm: Uncertain, since: datetime.date, today: datetime.date) -> Uncertain:
    weeks = max(0.0, (today - since).days / 7.0)
    return Uncertain(mean=one_rm.mean, sd=sqrt(one_rm.sd**2 + weeks * (DRIFT_PER_WEEK * one_rm.mean) ** 2))


def _combine(a: Uncertain, b: Uncertain, least_sd: float) -> Uncertain:
    """Mean weighted with certainty; b rests in part on a, so the sum counts as no surer than the surer of both."""
    wa, wb = 1.0 / max(a.sd, 1e-9) ** 2, 1.0 / max(b.sd, 1e-9) ** 2
    return Uncertain(mean=(wa * a.mean + wb * b.mean) / (wa + wb), sd=max(least_sd, min(a.sd, b.sd)))


def _rom(before: Uncertain | None, seen_m: float | None) -> Uncertain | None:
    if seen_m is None or not 0.05 <= seen_m <= 2.5:
        return before
    if before is None:
        return Uncertain(mean=seen_m, sd=0.02)
    return Uncertain(mean=before.mean + 0.3 * (seen_m - before.mean), sd=max(LEAST_ROM_SD_M, 0.9 * before.sd))
