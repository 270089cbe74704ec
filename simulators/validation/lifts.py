"""Checks of single fresh lifts against published studies: load-velocity profile and sticking region.

Lifts are made with a plain weight in the hands, since the studies used barbells, and with maximal intent.
"""

from __future__ import annotations

from typing import Final

import numpy as np

from ebbset.simulators.validation.comparison import CheckResult, Curve, FloatArray, Kind, Section, between, within
from ebbset.simulators.validation.measures import LAB_RIG, measured_one_rm_n, sticking_region, velocity_profile
from ebbset.simulators.validation.published_targets import LOADS, STICKING_TARGETS_S, VELOCITY_TARGETS_M_S
from ebbset.simulators.validation.sets import people

_GB = "González-Badillo & Sánchez-Medina 2010, 10.1055/s-0030-1248333"
_CONCEICAO = "Conceição 2016 J Sports Sci 34:1099-1106"
_HB = "Hernández-Belmonte 2020, PMID 34079168"


def _profiles(name: str, count: int, seed: int) -> FloatArray:
    """Mean propulsive velocity of each person (row) at each load of ``LOADS``; at 1RM the mean velocity."""
    rows = []
    for lifter in people(name, count, seed):
        lifts = velocity_profile(lifter, measured_one_rm_n(lifter), LOADS)
        rows.append([lift.propulsive_velocity_m_s for lift in lifts[:-1]] + [lifts[-1].mean_velocity_m_s])
    return np.array(rows)


def _r_squared(x: FloatArray, y: FloatArray, degree: int) -> float:
    rest = y - np.polyval(np.polyfit(x, y, degree), x)
    return float(1.0 - rest.var() / y.var())


def profiles(count: int, seed: int) -> Section:
    """Check 1: velocity at 40 … 100 % 1RM.

    Args:
        count: simulated people behind each figure.
        seed: of the population.
    """
    x = 100.0 * np.array(LOADS)
    bench = _profiles("bench_press", count, seed)
    results: list[CheckResult] = [
        within(
            1,
            f"bench press, mean propulsive velocity at {load:.0f} % 1RM",
            f"{_GB}, table from memory",
            float(bench[:, k].mean()),
            VELOCITY_TARGETS_M_S["bench_press"][k],
            0.05,
            "fitted",
            "m/s",
            3,
        )
        for k, load in enumerate(x[:-1])
    ]
    results.append(
        within(1, "bench press, mean velocity at 1RM", _GB, float(bench[:, -1].mean()), 0.16, 0.04, "fitted", "m/s", 3)
    )
    fits = [_r_squared(x, row, 2) for row in bench]
    results.append(
        between(
            1,
            "bench press, R² of individual quadratic profiles, mean",
            _GB,
            float(np.mean(fits)),
            0.98,
            1.0,
            "unseen",
            digits=4,
        )
    )
    leg = _profiles("leg_press", count, seed)
    slope = -float(np.polyfit(x, leg.mean(axis=0), 1)[0])
    results.append(
        between(
            1,
            "leg press, slope of the profile",
            f"{_CONCEICAO}: 95 % CI",
            slope,
            0.0169,
            0.0175,
            "fitted",
            "m/s per %1RM",
            4,
        )
    )
    results.append(
        within(1, "leg press, velocity at 1RM", _CONCEICAO, float(leg[:, -1].mean()), 0.21, 0.06, "fitted", "m/s", 3)
    )
    press = _profiles("shoulder_press", count, seed)
    results.append(
        within(
            1,
            "shoulder press, velocity at 1RM",
            f"{_HB}; ± 0.04 is ours",
            float(press[:, -1].mean()),
            0.19,
            0.04,
            "fitted",
            "m/s",
            3,
        )
    )
    curves = []
    for name, table in (("bench_press", bench), ("leg_press", leg), ("shoulder_press", press)):
        curves.append(Curve("load-velocity", f"{name.replace('_', ' ')}, simulated", x, table.mean(axis=0)))
        curves.append(
            Curve(
                "load-velocity", f"{name.replace('_', ' ')}, published", x, np.array(VELOCITY_TARGETS_M_S[name]), True
            )
        )
    rig = [
        velocity_profile(lifter, measured_one_rm_n(lifter, LAB_RIG), (0.5, 0.8), LAB_RIG)
        for lifter in people("bench_press", max(count // 3, 4), seed)
    ]
    for k, load in enumerate((50, 80)):
        mean = float(np.mean([lifts[k].mean_velocity_m_s for lifts in rig]))
        weight = VELOCITY_TARGETS_M_S["bench_press"][(1, 4)[k]]
        results.append(
            CheckResult(
                1,
                f"bench press at {load} % of the 1RM on the motor rig, not a barbell",
                f"{_GB}; a rig has less inertia, so light loads are faster: the size of it, not judged",
                f"{weight:.2f} m/s",
                f"{mean:.3f} m/s",
                f"{mean - weight:+.3f} m/s",
                "limit",
                None,
            )
        )
    return Section(tuple(results), tuple(curves))


_HEAVY: Final = (0.90, 0.95, 1.0)


def sticking(count: int, seed: int) -> Section:
    """Check 5: the sticking region at 90 % 1RM and more.

    Args:
        count: simulated people behind each figure.
        seed: of the population.
    """
    results: list[CheckResult] = []
    for name in ("bench_press", "shoulder_press"):
        crowd = people(name, count, seed)
        heavy, light, landmarks, slow_but_lifted = 0, 0, [], 0
        for lifter in crowd:
            best = measured_one_rm_n(lifter)
            seen = [sticking_region(lifter, share * best) for share in _HEAVY]
            heavy += sum(s is not None for s in seen)
            light += sum(sticking_region(lifter, share * best) is not None for share in (0.4, 0.5))
            slow_but_lifted += sum(s is not None and s.minimum_m_s < 0.1 for s in seen)
            if seen[-1] is not None:
                landmarks.append(seen[-1])
        title = name.replace("_", " ")
        results.append(
            between(
                5,
                f"{title}: lifts at 90, 95 and 100 % 1RM that show a dip",
                "van den Tillaar & Ettema 2010 J Sports Sci 28:529-535: in every lifter at 1RM",
                heavy / (3.0 * count),
                0.9,
                1.0,
                "unseen",
            )
        )
        results.append(
            between(
                5,
                f"{title}: lifts under 0.1 m/s in the dip and still completed, share",
                "exist; same source",
                slow_but_lifted / (3.0 * count),
                0.05,
                1.0,
                "unseen",
            )
        )
        if name == "bench_press":
            pairs: tuple[tuple[str, float, float, float, Kind], ...] = (
                (
                    "start of sticking after first movement, s",
                    float(np.mean([s.first_peak_s for s in landmarks])),
                    STICKING_TARGETS_S[0],
                    0.15,
                    "fitted",
                ),
                (
                    "end of sticking after first movement, s",
                    float(np.mean([s.minimum_s for s in landmarks])),
                    STICKING_TARGETS_S[1],
                    0.4,
                    "fitted",
                ),
                (
                    "place of the minimum, % of the range",
                    100.0 * float(np.mean([s.minimum_share_of_range for s in landmarks])),
                    36.0,
                    12.0,
                    "unseen",
                ),
            )
            source = "van den Tillaar & Ettema 2010; place: 0.12-0.17 m of 0.40 m, doubtful; width ours"
        else:
            pairs = (
                (
                    "first peak, % of concentric time",
                    100.0 * float(np.mean([s.first_peak_s / s.duration_s for s in landmarks])),
                    14.3,
                    10.0,
                    "unseen",
                ),
                (
                    "minimum, % of concentric time",
                    100.0 * float(np.mean([s.minimum_s / s.duration_s for s in landmarks])),
                    46.1,
                    12.0,
                    "unseen",
                ),
                (
                    "second peak, % of concentric time",
                    100.0 * float(np.mean([s.second_peak_s / s.duration_s for s in landmarks])),
                    88.7,
                    12.0,
                    "unseen",
                ),
            )
            source = f"{_HB}, loads above 74.9 % 1RM; width ours"
        results += [
            within(5, f"{title} at 1RM: {label}", source, value, target, allowed, kind, digits=2)
            for label, value, target, allowed, kind in pairs
        ]
        results.append(
            CheckResult(
                5,
                f"{title}: lifts at 40 and 50 % 1RM that show a dip",
                "Newton 1997: none at 75 %; not judged",
                "0.00",
                f"{light / (2.0 * count):.2f}",
                f"{light / (2.0 * count):+.2f}",
                "limit",
                None,
            )
        )
    return Section(tuple(results))
