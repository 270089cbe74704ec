"""Published fatigue models: how the force a muscle can produce falls with work and recovers with rest.

Two families of different structure are kept, because it is not known which is right for sets to failure:
compartments of motor units (3CC, 3CC-r) and a finite reserve above a critical force (W'). Rates are plain scalar
functions without state, so that the simulator compiles the very same text.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

REST_TARGET: Final = 0.01
"""Targets at or below this share of the maximum count as rest in 3CC-r (as in myosuite 3.0.0, Apache-2.0, which
cites Rakshit, Xiang & Yang 2021 J Biomech 127:110695, eq. 7)."""


@dataclass(frozen=True, slots=True)
class JointFatigue:
    """Published constants of one joint.

    Attributes:
        fatigue_per_s: F of the three-compartment controller, 1/s.
        recovery_per_s: R, 1/s.
        power_b0_s: b0 of the endurance law ET = b0 TL^b1, s.
        power_b1: b1.
    """

    fatigue_per_s: float
    recovery_per_s: float
    power_b0_s: float
    power_b1: float


JOINTS: Final[dict[str, JointFatigue]] = {
    "ankle": JointFatigue(0.00589, 0.00058, 34.71, -2.06),
    "knee": JointFatigue(0.01500, 0.00149, 19.38, -1.88),
    "trunk": JointFatigue(0.00755, 0.00075, 22.69, -2.27),
    "shoulder": JointFatigue(0.01820, 0.00168, 14.86, -1.83),
    "elbow": JointFatigue(0.00912, 0.00094, 17.98, -2.21),
    "grip": JointFatigue(0.00980, 0.00064, 33.55, -1.61),
    "general": JointFatigue(0.00970, 0.00091, 21.92, -1.98),
}
"""F, R: Frey-Law, Looft & Heitsman 2012 J Biomech 45:1803-1808, table 1; b0, b1: Frey-Law & Avin 2010 Ergonomics
53:109-129, 10.1080/00140130903389068, table 2 (both as carried by myosuite 3.0.0, tests/models/test_fatigue.py)."""


def three_compartment_rates(
    active: float,
    fatigued: float,
    fast: float,
    slow: float,
    target: float,
    fatigue_per_s: float,
    recovery_per_s: float,
    rest_multiplier: float,
    fast_share: float,
    fast_recovery_per_s: float,
    slow_share: float,
    slow_recovery_per_s: float,
    strain_per_s: float,
    develop_per_s: float,
    relax_per_s: float,
    cost: float,
) -> tuple[float, float, float, float]:
    """Rates (1/s) of the active, the fatigued, the fast and the slow compartment; the rest of 1 is resting.

    dM_A/dt = C - F M_A, dM_F/dt = F M_A - r R M_F, r = ``rest_multiplier`` at rest and 1 otherwise. C drives the active
    compartment to the target as far as rested units are left. ``rest_multiplier`` = 1 is the original 3CC,
    ``fast_share`` = ``slow_share`` = ``strain_per_s`` = 0 the published 3CC-r. The shares make recovery a sum of
    exponentials, as seen after held grips (Stull & Clarke 1971, author from memory) and as the published
    four-compartment extension has it (Front Physiol 2024, 10.3389/fphys.2024.1366172). ``strain_per_s`` is ours: units
    that are fatigued while more is asked for than can be given come to recover slowly, which makes the last
    repetitions and the failed one dear (Refalo et al. 2023, 10.1186/s40798-023-00554-y) without shortening the set.

    Sources: Xia & Frey-Law 2008 J Biomech 41:3046-3052; Looft et al. 2018 J Biomech 77:16-25.

    Args:
        active: M_A, share of the maximum.
        fatigued: M_F.
        fast: the part of the fatigued units that recovers fast.
        slow: the part that recovers slowly.
        target: TL, share of the maximum asked for.
        fatigue_per_s: F.
        recovery_per_s: R.
        rest_multiplier: r.
        fast_share: share of the fatiguing units that goes to the fast compartment.
        fast_recovery_per_s: its rate of recovery, at rest only: what a muscle at work gets too little blood for.
        slow_share: share of the fatiguing units that goes to the slow compartment.
        slow_recovery_per_s: its rate of recovery, at rest or not.
        strain_per_s: rate at which fatigued units turn slow, per unit of unmet demand.
        develop_per_s: L_D.
        relax_per_s: L_R.
        cost: factor on F; 1 for held efforts, which the published constants are for.
    """
    if active < target:
        drive = develop_per_s * min(target - active, 1.0 - active - fatigued - fast - slow)
    else:
        drive = relax_per_s * (target - active)
    recovery, quick = recovery_per_s * fatigued, 0.0
    if target <= REST_TARGET:
        recovery *= rest_multiplier
        quick = fast_recovery_per_s * fast
    loss = fatigue_per_s * cost * active
    strain = strain_per_s * max(target - (1.0 - fatigued - fast - slow), 0.0) * fatigued
    return (
        drive - loss,
        (1.0 - fast_share - slow_share) * loss - recovery - strain,
        fast_share * loss - quick,
        slow_share * loss - slow_recovery_per_s * slow + strain,
    )


def reserve_rates(
    active: float,
    depleted: float,
    fast: float,
    slow: float,
    target: float,
    critical: float,
    reserve_s: float,
    rest_multiplier: float,
    fast_share: float,
    fast_recovery_per_s: float,
    slow_share: float,
    slow_recovery_per_s: float,
    strain_per_s: float,
    develop_per_s: float,
    relax_per_s: float,
    cost: float,
) -> tuple[float, float, float, float]:
    """Rates (1/s) of the active share and of the spent share of a finite reserve, its fast and its slow part.

    Above the critical share of the maximal force the reserve drains linearly, below it refills towards full at
    (critical - active) / reserve (the unit-free differential form: Skiba et al. 2015; Skiba & Clarke 2021). The
    greatest force falls with the reserve, 1 at full and ``critical`` at empty (the three-parameter model: Morton RH
    1996 Ergonomics 39:611-619, from memory). ``rest_multiplier`` = 1 with both shares and ``strain_per_s`` 0 is the
    published form; strain is as in `three_compartment_rates`.

    Args:
        active: force given now, share of the fresh maximum.
        depleted: spent share of the reserve, without the fast and the slow part.
        fast: the spent share that comes back fast.
        slow: the spent share that comes back slowly.
        target: share of the fresh maximum asked for.
        critical: critical force, share of the fresh maximum.
        reserve_s: W', as seconds at the fresh maximum's worth of force.
        rest_multiplier: recovery at complete rest over recovery while working.
        fast_share: share of what is spent that comes back fast at rest.
        fast_recovery_per_s: at this rate, 1/s.
        slow_share: share of what is spent that comes back slowly.
        slow_recovery_per_s: at this rate, 1/s.
        strain_per_s: rate at which the spent share turns slow, per unit of unmet demand.
        develop_per_s: rate of force development.
        relax_per_s: rate of relaxation.
        cost: what a unit of force costs, 1 for held efforts.
    """
    most = 1.0 - (1.0 - critical) * (depleted + fast + slow)
    reachable = min(target, most)
    rate = develop_per_s if active < reachable else relax_per_s
    excess = (active * cost - critical) / reserve_s
    back = -slow_recovery_per_s * slow
    strain = strain_per_s * max(target - most, 0.0) * depleted
    if excess > 0.0:
        left = (1.0 - fast_share - slow_share) * excess - strain
        return rate * (reachable - active), left, fast_share * excess, back + slow_share * excess + strain
    quick = 0.0
    if target <= REST_TARGET:
        excess *= rest_multiplier
        quick = fast_recovery_per_s * fast
    return rate * (reachable - active), excess * depleted - strain, -quick, back + strain


def three_compartment_endurance_s(target: float, fatigue_per_s: float, recovery_per_s: float) -> float:
    """Seconds that a constant share ``target`` of the maximum is held, closed form of 3CC; ``inf`` if for ever.

    ET = -ln(1 - R (1 - TL) / (F TL)) / R, solved from the equations of Xia & Frey-Law 2008 (J Biomech 41:3046-3052) for
    a constant target.

    Args:
        target: share of the maximum that is held, 0 to 1.
        fatigue_per_s: F, 1/s.
        recovery_per_s: R, 1/s.
    """
    left = 1.0 - recovery_per_s * (1.0 - target) / (fatigue_per_s * target)
    return -math.log(left) / recovery_per_s if left > 0.0 else math.inf


def power_law_endurance_s(target: float, b0_s: float, b1: float) -> float:
    """Published endurance of a held effort in seconds, ET = b0 TL^b1.

    Source: Frey-Law & Avin 2010 Ergonomics 53:109-129, 10.1080/00140130903389068.

    Args:
        target: share of the maximum that is held, 0 to 1.
        b0_s: b0, s.
        b1: exponent, below 0.
    """
    return float(b0_s * target**b1)


def reserve_endurance_s(target: float, critical: float, reserve_s: float) -> float:
    """Seconds that a constant force is held, three-parameter model: W'/(P - CP) - W'/(P_max - CP); ``inf`` if for ever.

    Source: Morton RH 1996 Ergonomics 39:611-619, from memory.

    Args:
        target: P, share of the fresh maximum.
        critical: CP, share of the fresh maximum.
        reserve_s: W', seconds at the fresh maximum.
    """
    if target <= critical:
        return math.inf
    return reserve_s / (target - critical) - reserve_s / (1.0 - critical)


def w_prime_balance_j(power_w: list[float], dt_s: float, critical_w: float, w_prime_j: float) -> list[float]:
    """W' left after each interval of constant power, differential form with tau = W' / (CP - P).

    Source: Skiba et al. 2015; Skiba & Clarke 2021. The value may fall below zero: the caller says what that means.

    Args:
        power_w: power in each interval, W.
        dt_s: length of an interval, s.
        critical_w: critical power, W.
        w_prime_j: W', J.

    Returns:
        J, one value per interval.
    """
    left, balance = w_prime_j, []
    for power in power_w:
        if power > critical_w:
            left -= (power - critical_w) * dt_s
        else:
            left = w_prime_j - (w_prime_j - left) * math.exp(-dt_s * (critical_w - power) / w_prime_j)
        balance.append(left)
    return balance


def skiba_2012_tau_s(d_cp_w: float) -> float:
    """Recovery time constant (s) of the integral form, tau = 546 exp(-0.01 D_CP) + 316.

    Source: Skiba et al. 2012 Med Sci Sports Exerc 44:1526-1532, whole-body cycling in watts, from memory.
    """
    return 546.0 * math.exp(-0.01 * d_cp_w) + 316.0
