"""Published muscle mechanics: the force a muscle can produce at a length and a velocity, without time dependence.

Every function takes and returns plain floats and has no state, so that the simulator can compile the very same text
(there is no second copy of these rules). For arrays wrap them in ``numpy.vectorize``. Signs: a positive velocity is
shortening (concentric), a negative one lengthening (eccentric).

Fatigue lives in :mod:`ebbset.models.physiology.fatigue`, strength tests in :mod:`ebbset.models.physiology.strength`.
"""

from __future__ import annotations

import math


def hill_force_n(velocity_m_s: float, f0_n: float, a_n: float, b_m_s: float) -> float:
    """Force (N) of a shortening muscle after Hill (1938), (F + a)(v + b) = (F0 + a) b.

    Source: Hill AV 1938 Proc R Soc B 126:136-195, 10.1098/rspb.1938.0050.

    Args:
        velocity_m_s: shortening velocity, >= 0.
        f0_n: isometric force.
        a_n: Hill's a, a force.
        b_m_s: Hill's b, a velocity; the greatest shortening velocity is b F0 / a.
    """
    return (f0_n + a_n) * b_m_s / (velocity_m_s + b_m_s) - a_n


def force_velocity(u: float, curvature: float, eccentric_plateau: float) -> float:
    """Force relative to isometric at the relative velocity ``u`` = v / v_max.

    Shortening follows the normalised hyperbola of Hill 1938 (10.1098/rspb.1938.0050), f = (1 - u) / (1 + u / k)
    with k = a / F0. Lengthening rises to a plateau along a hyperbola with the same slope at u = 0, which keeps the
    curve smooth there (common practice, no source). Above v_max the hyperbola goes on below zero (a muscle dragged
    faster than it can shorten resists), bounded at -0.2.

    Args:
        u: relative velocity, -; > 0 shortening.
        curvature: k = a / F0, > 0. Isolated muscle 0.15-0.5; movements of several joints are nearly linear, k > 1
            (Jaric S 2015 Int J Sports Med 36:699-704, from memory).
        eccentric_plateau: greatest lengthening force relative to isometric, > 1. In vivo mean 1.41
            (Nuzzo et al. 2023 Sports Med 53:1125-1136).
    """
    if u >= 0.0:
        return max((1.0 - u) / (1.0 + u / curvature), -0.2)
    gain = eccentric_plateau - 1.0
    pull = -u * (1.0 + 1.0 / curvature)
    return 1.0 + gain * pull / (gain + pull)


def peak_power_fraction(curvature: float) -> float:
    """Relative velocity (= relative force) at which Hill's power is greatest, u* = sqrt(k^2 + k) - k.

    Source: the maximum of u f(u) for the hyperbola of Hill 1938 (10.1098/rspb.1938.0050), by algebra.
    """
    return math.sqrt(curvature * curvature + curvature) - curvature


def effort_cost(power_share: float, shortening_cost: float) -> float:
    """What a unit of activation costs while moving, relative to holding still.

    Shortening muscle uses more energy than holding, lengthening muscle less (the effect of Fenn 1924 J Physiol
    58:175-203; three to five times at peak power in frogs, less in mammals; a half to a third in lowering: from
    memory). One smooth curve: 1 + c p while power is given, 1 / (1 - c p) while it is taken.

    Args:
        power_share: p, mechanical power over the peak power of Hill's curve; negative in lengthening.
        shortening_cost: c; 0 makes moving cost what holding costs.
    """
    load = shortening_cost * power_share
    return 1.0 + load if load >= 0.0 else 1.0 / (1.0 - load)


def force_length(relative_length: float, width: float = 0.45) -> float:
    """Active force relative to optimum, exp(-((L/L0 - 1) / width)^2); a common simplification, no source.

    Args:
        relative_length: length over optimal length.
        width: of the bell, in relative length.
    """
    z = (relative_length - 1.0) / width
    return math.exp(-z * z)


def strength_curve(s: float, bottom: float, top: float, dip: float, dip_at: float, dip_width: float) -> float:
    """Isometric strength along the range of motion, before it is scaled to 1 at the weakest point.

    A straight rise (or fall) from bottom to top, less a bell-shaped dip: the smallest form that holds the ascending,
    descending and sticking-region shapes of isometric strength curves (Kulig K, Andrews JG, Hay JG 1984 Exerc Sport
    Sci Rev 12:417-466, from memory; dip of the bench press: van den Tillaar et al. 2012 J Sports Sci 30:591-599).

    Args:
        s: position as a share of the range of motion, 0 bottom, 1 top; held at the ends outside.
        bottom: strength at s = 0 without the dip.
        top: strength at s = 1 without the dip.
        dip: depth of the sticking region, in the same unit.
        dip_at: where it is deepest, share of the range.
        dip_width: its width, share of the range.
    """
    if s < 0.0:
        s = 0.0
    elif s > 1.0:
        s = 1.0
    z = (s - dip_at) / dip_width
    return bottom + (top - bottom) * s - dip * math.exp(-z * z)
