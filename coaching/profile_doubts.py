"""When a few sets make no profile, and what to do: velocities that rise, sets that contradict, a 1RM too vague.

Judges what was seen and what a fit made of it. Fits nothing (`curve_fit`) and writes no profile (`profile_fit`).
"""

from __future__ import annotations

import math
from typing import Final

import numpy as np

from ebbset.coaching.curve_fit import (
    DAY_SD,
    TESTED_SHARE,
    CurveEvidence,
    CurvePosterior,
    strongest_contradiction,
)
from ebbset.coaching.curve_prior import CurvePrior
from ebbset.controller.estimation.capacity_filter import UNKNOWN_FRESH_SD
from ebbset.models.contract import formatting

RISE_SDS: Final = 3.0
"""Velocities that do not fall are refused if they lie this many standard deviations off the fall that the exercise
leads to expect: once in 700 honest profiles."""
SAID_SDS: Final = 2.5
REFUSED_SDS: Final = 4.0
"""A set this far off what the others say is pointed out, or makes the profile be refused: by chance once in 80, and
once in 16 000."""
MOST_LIGHTER: Final = 0.3
"""A heaviest load that is with this probability or more lighter than anybody tests with gives no 1RM, because how much
lighter it is then rests on `TESTED_SHARE` alone; judgement."""
_CHECK: Final = "check the load, the velocity and that the effort was maximal, or leave it out and lift it again"


class NoProfileError(ValueError):
    """The sets make no profile; says why, and what to do."""


def refuse_rising(seen: CurveEvidence, prior: CurvePrior) -> None:
    """Refuse velocities that do not fall as the load grows.

    Loads so close that chance can turn two velocities round are no reason: the exercise then gives the slope. Rising
    velocities that would be refused for one set among them are refused for the rise, which tells more.

    Args:
        seen: what was seen.
        prior: what is expected of the curve.

    Raises:
        NoProfileError: names the lightest and the heaviest load with their velocities.
    """
    loads, velocities = seen.loads_n, seen.velocities_m_s
    if loads.size < 2 or float(np.ptp(loads)) <= 0.0:
        return
    apart = loads - loads.mean()
    reach = float(np.ptp(loads))
    fall = -reach * float(apart @ velocities) / float(apart @ apart)
    expected = max(float(prior.mean[0]) - float(velocities.mean()), 0.0) * reach / float(loads.mean())
    by_chance = RISE_SDS * seen.velocity_sd_m_s * reach / math.sqrt(float(apart @ apart))
    if fall > 0.0 or (expected - fall < by_chance and abs(strongest_contradiction(seen, prior)[0]) < REFUSED_SDS):
        return
    light, heavy = int(np.argmin(loads)), int(np.argmax(loads))
    raise NoProfileError(
        f"velocity does not fall as the load grows: {velocities[light]:.2f} m/s at "
        f"{formatting.load(float(loads[light]), 'kg')}, {velocities[heavy]:.2f} m/s at "
        f"{formatting.load(float(loads[heavy]), 'kg')}; allowed: a heavier load is slower. Check that loads and "
        "velocities are not swapped, and that every set was lifted as fast as possible"
    )


def refuse_weaker_than_lifted(seen: CurveEvidence) -> None:
    """Refuse a 1RM below a load that was lifted with a velocity.

    Args:
        seen: what was seen.

    Raises:
        NoProfileError: names the 1RM, and the load above it.
    """
    if not seen.loads_n.size:
        return
    heaviest = int(np.argmax(seen.loads_n))
    lifted_n = float(seen.loads_n[heaviest])
    for log_n, log_sd in seen.strengths:
        if math.log(lifted_n) - log_n > REFUSED_SDS * math.hypot(log_sd, DAY_SD):
            raise NoProfileError(
                f"{_strength(log_n)} lies below {formatting.load(lifted_n, 'kg')}, which was lifted at "
                f"{seen.velocities_m_s[heaviest]:.2f} m/s; allowed: no less than what was lifted. One of them is "
                f"wrong: {_CHECK}"
            )


def _strength(log_n: float) -> str:
    return f"a set to failure or a lifted 1RM that means {formatting.load(math.exp(log_n), 'kg')}"


def contradiction(seen: CurveEvidence, prior: CurvePrior) -> tuple[str, float] | None:
    """The set that fits worst with the others, if it is far enough off to be told.

    Args:
        seen: what was seen.
        prior: what is expected of the curve.

    Returns:
        A sentence, and the factor by which deviations are to be widened; None if all fit.

    Raises:
        NoProfileError: it lies so far off that the sets make no profile.
    """
    count = seen.loads_n.size + len(seen.strengths)
    if count < 2:
        return None
    off, kind, k = strongest_contradiction(seen, prior)
    if abs(off) < SAID_SDS:
        return None
    if kind == "velocity":
        way = "faster" if off > 0.0 else "slower"
        which = f"the set at {formatting.load(float(seen.loads_n[k]), 'kg')}, {seen.velocities_m_s[k]:.2f} m/s,"
    else:
        way = "stronger" if off > 0.0 else "weaker"
        which = f"{_strength(seen.strengths[k][0])},"
    others = "the other set says" if count == 2 else "the other sets say"
    said = f"{which} is {way} than {others}, by {abs(off):.1f} standard deviations"
    if abs(off) >= REFUSED_SDS:
        raise NoProfileError(f"{said}; allowed: {REFUSED_SDS:g}. One of them is wrong: {_CHECK}")
    return f"{said}: {_CHECK}; the spreads are wider for it", abs(off) / SAID_SDS


def refuse_vague(posterior: CurvePosterior, seen: CurveEvidence) -> None:
    """Refuse a 1RM that is known no better than that of anybody, and loads too light to tell.

    Args:
        posterior: the fit.
        seen: what was seen.

    Raises:
        NoProfileError: says how vague it is, and which set would help.
    """
    mean, sd = posterior.one_rm
    if seen.loads_n.size and not seen.strengths:
        heaviest_n = float(seen.loads_n.max())
        lighter = float(posterior.weights[posterior.log_one_rm > math.log(heaviest_n / TESTED_SHARE)].sum())
        if lighter > MOST_LIGHTER:
            raise NoProfileError(
                f"the heaviest load, {formatting.load(heaviest_n, 'kg')}, was lifted so fast that it may be any small "
                f"part of the 1RM; allowed: clearly above {TESTED_SHARE:.0%} of it. Add a heavier set, near "
                f"{formatting.load(2.0 * heaviest_n, 'kg')} or more"
            )
    if sd <= UNKNOWN_FRESH_SD * mean:
        return
    heaviest = f" than {formatting.load(float(seen.loads_n.max()), 'kg')}" if seen.loads_n.size else ""
    raise NoProfileError(
        f"these sets leave the 1RM at {formatting.spread(mean, sd, 'kg')}, which says next to nothing; allowed: "
        f"{UNKNOWN_FRESH_SD:.0%} or less. Add a set that is clearly heavier{heaviest}, a set to failure, or "
        " a 1RM that was lifted"
    )
