"""Fits the average lifter's parameters for each exercise to published values.

Run ``python -m campaigns.fits.calibrate --write`` to fit all exercises again and rewrite
``simulators/lifter/data/fitted.toml`` (some minutes). Numbers refer to the checks of
:mod:`ebbset.simulators.validation.validate`.

Fitted on: check 1 (velocity at loads, average lifter, plain weight), the times of the bench press's sticking region at
1RM (part of check 5), check 2 (mean repetitions to failure at four loads; once per fatigue model), check 7 (second set
after 1 and 3 min) and check 12 (velocity lost over six sets to failure, one and three repetitions short of it; three
constants of recovery, the same for all exercises, once for both fatigue models).

Not searched but set by hand from the literature, with checks 1, 2, 4, 8, 12, 13 and 14 in view: the extra cost of
moving over holding (``shortening_cost``, so that held efforts last about as long as published), the critical share, the
rates of the fast and the slow part, the extra force at the start of an ascent and the tilt of fatigue (so that a tired
repetition is fastest early), the speed below which a grind counts as no progress, the patience, the noise and the
habitual tempo. `ebbset validate` marks every figure that follows from any of these, and those that nobody looked at.
"""

from __future__ import annotations

import argparse
import math
import sys
from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, Final, Literal

import numpy as np
import numpy.typing as npt
import structlog
from scipy.optimize import minimize

from campaigns.fits.sharing import add_options, shared_out
from ebbset.models.physiology.strength import chart_repetitions
from ebbset.simulators.closed_loop.parallel import Mapper
from ebbset.simulators.lifter.exercises import EXERCISES, Exercise, exercise
from ebbset.simulators.lifter.lifter import FatigueModel, LifterParameters
from ebbset.simulators.population.population import draw_lifter, person_rng
from ebbset.simulators.population.strength_test import one_rm_n
from ebbset.simulators.validation.measures import (
    LAB_RIG,
    ONE_RM_STEP_N,
    rest_ratios,
    sets_to_failure,
    sticking_region,
    velocity_profile,
)
from ebbset.simulators.validation.protocols import six_sets
from ebbset.simulators.validation.published_targets import (
    HABITUAL_VELOCITY_M_S,
    LEG_PRESS_SLOPE,
    LOADS,
    REST_WORK_RATIOS,
    SIX_SETS_CHANGES,
    SIX_SETS_RESERVES,
    STICKING_TARGETS_S,
    VELOCITY_TARGETS_M_S,
)

FloatArray = npt.NDArray[np.float64]
log = structlog.get_logger()

REPETITION_LOADS: Final = (0.65, 0.75, 0.85, 0.95)
LEG_PRESS_REPETITIONS_80: Final = 15.2
"""Leg press at 80 %1RM, untrained men: Hoeger et al. 1990 J Appl Sport Sci Res 4:47-54, from memory."""
FITTED: Final = Path(__file__).parents[2] / "simulators" / "lifter" / "data" / "fitted.toml"
_SHAPE: Final = ("v_max_m_s", "curvature", "dip", "dip_width", "strength_top")
_LOW: Final = np.log([1.5, 0.2, 0.02, 0.12, 0.6])
_HIGH: Final = np.log([9.0, 6.0, 0.70, 0.60, 2.6])
_START: Final = np.log([5.8, 0.55, 0.28, 0.26, 1.2])
_VELOCITY_UNIT_M_S: Final = 0.03
_PEOPLE: Final = 20
_FAST_SHARES: Final = (0.45, 0.6, 0.75)
_SLOW_SHARES: Final = (0.02, 0.04, 0.06)
_STRAINS_PER_S: Final = (1.0, 1.25, 1.5, 1.75, 2.0)
_REST_MULTIPLIERS: Final = (6.0, 10.0, 14.0)
_RECOVERY_PEOPLE: Final = 12
_RATIO_UNIT: Final = 0.05
_LOSS_UNIT: Final = 0.03
FAST_RECOVERY_PER_S: Final = 0.2
SLOW_RECOVERY_PER_S: Final = 1.0 / 500.0


@dataclass(frozen=True, slots=True)
class Fixed:
    """Values that the fit keeps fixed for an exercise: unit and direction of its strength curve, and patience."""

    strength_bottom: float
    least_top: float
    grind_patience_s: float


Shape = Literal["search", "near", "keep"]
SHAPES: Final[tuple[Shape, ...]] = ("search", "near", "keep")

FIXED: Final = {
    "bench_press": Fixed(1.2, 1.2, 1.0),
    "shoulder_press": Fixed(1.2, 1.2, 1.0),
    "leg_press": Fixed(1.2, 1.2, 1.0),
    "curl": Fixed(1.2, 1.2, 1.0),
    "row": Fixed(1.6, 0.6, 0.6),
}


def _bounded(x: FloatArray) -> FloatArray:
    return np.clip(x, _LOW, _HIGH)


def velocity_cost(kind: Exercise, fatigue_scale: float) -> Callable[[FloatArray], float]:
    """Squared distance from the published velocities, in units of 0.03 m/s, as a function of the log shape."""
    targets = np.array(VELOCITY_TARGETS_M_S[kind.name])
    weights = np.ones(len(LOADS))
    weights[-2:] = 2.0, 6.0

    def cost(x: FloatArray) -> float:
        outside = float(np.abs(x - _bounded(x)).sum())
        lifter = shaped(kind, _bounded(x), fatigue_scale)
        try:
            best = one_rm_n(lifter, None) - 0.5 * ONE_RM_STEP_N
            repetitions = velocity_profile(lifter, best, LOADS)
        except ValueError:
            return 1e3
        v = np.array([r.propulsive_velocity_m_s for r in repetitions[:-1]] + [repetitions[-1].mean_velocity_m_s])
        total = float(np.sum(weights * ((v - targets) / _VELOCITY_UNIT_M_S) ** 2)) + 10.0 * outside
        if kind.name == "leg_press":
            total += ((float(np.polyfit(LOADS, v, 1)[0]) / 100.0 + LEG_PRESS_SLOPE) / 0.0002) ** 2
        if kind.name == "bench_press":
            seen = sticking_region(lifter, best)
            if seen is None:
                return total + 20.0
            start, end = STICKING_TARGETS_S
            total += ((seen.first_peak_s - start) / 0.1) ** 2 + ((seen.minimum_s - end) / 0.3) ** 2
        return total

    return cost


def shaped(kind: Exercise, x: FloatArray, fatigue_scale: float) -> LifterParameters:
    """The average lifter with the shape parameters exp(x) in the order of the fit."""
    values: dict[str, Any] = dict(zip(_SHAPE, (float(v) for v in np.exp(x)), strict=True))
    if kind.name == "row":  # strength falls towards the chest and has no known dip
        values["dip"] = 0.0
    fixed = FIXED[kind.name]
    values["strength_top"] = max(values["strength_top"], fixed.least_top)
    return kind.mean_lifter(
        **values,
        strength_bottom=fixed.strength_bottom,
        grind_patience_s=fixed.grind_patience_s,
        fatigue_per_s=kind.quantities["fatigue_per_s"].mean * fatigue_scale,
    )


def fit_shape(
    kind: Exercise, fatigue_scale: float, restarts: int = 2, evaluations: int = 150, start: FloatArray = _START
) -> FloatArray:
    """Shape parameters (log) of one exercise, the best of a few simplex searches from seeded starts near ``start``."""
    cost = velocity_cost(kind, fatigue_scale)
    rng = np.random.default_rng(0)
    first, best_x, best_cost = start, start, math.inf
    for k in range(restarts):
        start = first + (0.0 if k == 0 else 0.35) * rng.standard_normal(len(_SHAPE))
        simplex = np.vstack([start, start + 0.35 * np.diag([1.0, -1.0, 1.0, -1.0, 1.0])])
        found = minimize(cost, start, method="Nelder-Mead", options={"maxfev": evaluations, "initial_simplex": simplex})
        log.info("shape", exercise=kind.name, start=k, cost=round(float(found.fun), 2))
        if found.fun < best_cost:
            best_x, best_cost = _bounded(np.asarray(found.x)), float(found.fun)
    return best_x


def mean_repetitions(people: list[LifterParameters], shares: tuple[float, ...]) -> FloatArray:
    """Mean repetitions to failure of these people at shares of each one's 1RM, on the laboratory rig."""
    rows = sets_to_failure(people, shares, 0, LAB_RIG)
    return np.asarray(np.mean([[truth.repetitions for truth in row] for row in rows], axis=0))


def repetition_targets(name: str) -> tuple[tuple[float, ...], FloatArray]:
    """Loads and repetitions that the fatigue constants are fitted to."""
    if name == "leg_press":
        return (0.80,), np.array([LEG_PRESS_REPETITIONS_80])
    return REPETITION_LOADS, np.array([chart_repetitions(100.0 * share) for share in REPETITION_LOADS])


def _people(kind: Exercise, shape: LifterParameters, model: FatigueModel) -> list[LifterParameters]:
    """Men of the population with the shape just fitted instead of the stored one."""
    drawn = [
        draw_lifter(kind, person_rng(99, i), sex="male", training_status="trained", fatigue_model=model)
        for i in range(_PEOPLE)
    ]
    return [
        replace(
            lifter,
            v_max_m_s=lifter.v_max_m_s * shape.v_max_m_s / kind.fitted.v_max_m_s,
            curvature=shape.curvature,
            strength_bottom=shape.strength_bottom,
            strength_top=shape.strength_top,
            dip=shape.dip,
            dip_width=shape.dip_width,
            grind_patience_s=lifter.grind_patience_s * shape.grind_patience_s / kind.fitted.grind_patience_s,
            concentric_velocity_m_s=HABITUAL_VELOCITY_M_S,
        )
        for lifter in drawn
    ]


def fit_fatigue(kind: Exercise, shape: LifterParameters, model: FatigueModel) -> float:
    """Fatigue scale (3CC-r) or reserve in seconds (critical force) that gives the mean repetitions."""
    shares, targets = repetition_targets(kind.name)
    allowed = np.maximum(1.0, 0.15 * targets)
    drawn = _people(kind, shape, model)
    middle = kind.fitted.fatigue_scale if model == "3cc_r" else kind.fitted.reserve_s

    def cost(log_value: float) -> float:
        factor = math.exp(log_value) / middle
        people = [
            replace(lifter, fatigue_per_s=lifter.fatigue_per_s * factor)
            if model == "3cc_r"
            else replace(lifter, reserve_s=lifter.reserve_s * factor)
            for lifter in drawn
        ]
        return float(np.sum(((mean_repetitions(people, shares) - targets) / allowed) ** 2))

    grid = np.log(middle) + np.linspace(-0.4, 0.4, 5)
    for width in (0.1, 0.04):
        costs = [cost(v) for v in grid]
        centre = grid[int(np.argmin(costs))]
        grid = centre + width * np.array([-1.0, 0.0, 1.0])
    log.info("fatigue", exercise=kind.name, model=model, value=math.exp(centre), cost=min(costs))
    return math.exp(centre)


def _recovery_cost(job: tuple[tuple[FatigueModel, ...], float, float, float, float]) -> float:
    """Squared distance from the second set after rest and from six sets near failure, in units of what is uncertain."""
    models, fast, slow, strain, rest = job
    kind = exercise("bench_press")
    shape = kind.mean_lifter()
    total = 0.0
    for model in models:
        people = [
            replace(
                lifter,
                fast_share=fast,
                fast_recovery_per_s=FAST_RECOVERY_PER_S,
                slow_share=slow,
                slow_recovery_per_s=SLOW_RECOVERY_PER_S,
                strain_per_s=strain,
                reserve_rest_multiplier=rest,
                give_in="slow_lowering",
            )
            for lifter in _people(kind, shape, model)[:_RECOVERY_PEOPLE]
        ]
        ratios = rest_ratios(people, 7)
        allout = [replace(lifter, concentric_velocity_m_s=99.0) for lifter in people]
        losses = np.array(
            [[six_sets(lifter, left, 11, i) for left in SIX_SETS_RESERVES] for i, lifter in enumerate(allout)]
        )
        change = np.nanmean(losses, axis=0)
        log.info("recovery", model=model, fast=fast, slow=slow, strain=strain, rest=rest,
                 ratios=ratios.round(2).tolist(), change=change.round(2).tolist())  # fmt: skip
        total += float(np.sum(((ratios - REST_WORK_RATIOS) / _RATIO_UNIT) ** 2))
        total += float(np.sum(((change - np.array(SIX_SETS_CHANGES)) / _LOSS_UNIT) ** 2))
    return total


def fit_recovery(mapper: Mapper = map) -> dict[str, float]:
    """Constants of recovery of the bench press, given everything else: one after another over a grid, strain twice.

    Args:
        mapper: `map`, or a parallel version that keeps the order.
    """

    def least(values: tuple[float, ...], *jobs: tuple[tuple[FatigueModel, ...], float, float, float, float]) -> float:
        costs = list(mapper(_recovery_cost, jobs))
        return values[costs.index(min(costs))]

    both: tuple[FatigueModel, ...] = ("3cc_r", "critical_force")
    now = exercise("bench_press").recovery
    fast, slow, strain, rest = now.fast_share, now.slow_share, now.strain_per_s, now.reserve_rest_multiplier
    strain = least(_STRAINS_PER_S, *((both, fast, slow, s, rest) for s in _STRAINS_PER_S))
    slow = least(_SLOW_SHARES, *((both, fast, s, strain, rest) for s in _SLOW_SHARES))
    fast = least(_FAST_SHARES, *((both, s, slow, strain, rest) for s in _FAST_SHARES))
    rest = least(_REST_MULTIPLIERS, *((("critical_force",), fast, slow, strain, s) for s in _REST_MULTIPLIERS))
    strain = least(_STRAINS_PER_S, *((both, fast, slow, s, rest) for s in _STRAINS_PER_S))
    return {
        "fast_share": fast,
        "fast_recovery_per_s": FAST_RECOVERY_PER_S,
        "slow_share": slow,
        "slow_recovery_per_s": SLOW_RECOVERY_PER_S,
        "strain_per_s": strain,
        "reserve_rest_multiplier": rest,
    }


def fit(job: tuple[str, Shape]) -> dict[str, float]:
    """All fitted values of one exercise, in the order of the file.

    Args:
        job: the exercise, and what is done about speed and strength curve: searched from a seeded start, only from
            where they are now (a tenth of the time), or kept.
    """
    name, how = job
    kind = exercise(name)
    scale = kind.fitted.fatigue_scale
    if how == "keep":
        shape = kind.mean_lifter()
    elif how == "near":
        now = _bounded(np.log([max(getattr(kind.fitted, key), 1e-9) for key in _SHAPE]))
        shape = shaped(kind, fit_shape(kind, scale, restarts=1, evaluations=60, start=now), scale)
    else:
        shape = shaped(kind, fit_shape(kind, scale), scale)
    scale = fit_fatigue(kind, shape, "3cc_r")
    values = {key: float(getattr(shape, key)) for key in ("v_max_m_s", "curvature")}
    for key in ("strength_bottom", "strength_top", "dip", "dip_width"):
        values[key] = float(getattr(shape, key))
    values["fatigue_scale"] = scale
    values["reserve_s"] = fit_fatigue(kind, shape, "critical_force")
    values["grind_patience_s"] = FIXED[name].grind_patience_s
    return values


def main(argv: list[str] | None = None) -> int:
    """Fit and, with ``--write``, replace ``data/fitted.toml``."""
    parser = argparse.ArgumentParser(description="Fit the average lifter of each exercise to published values.")
    parser.add_argument("--write", action="store_true", help="replace simulators/lifter/data/fitted.toml")
    parser.add_argument("--only", choices=(*EXERCISES, "recovery"), action="append", help="fit only this")
    parser.add_argument(
        "--shape",
        choices=SHAPES,
        default="search",
        help="search speed and strength curve (default), search near where they are, or keep them",
    )
    add_options(parser)
    options = parser.parse_args(argv)
    names = tuple(options.only or (*EXERCISES, "recovery"))
    kept = exercise("bench_press").recovery
    recovery = {k: getattr(kept, k) for k in kept.__dataclass_fields__}
    chosen = [name for name in EXERCISES if name in names]
    with shared_out(options, "fits") as mapper:
        if "recovery" in names:
            recovery = fit_recovery(mapper)
        found = dict(zip(chosen, mapper(fit, [(name, options.shape) for name in chosen]), strict=True))
    lines = [
        "# Written by `python -m campaigns.fits.calibrate --write`; do not edit by hand.",
        "# The top of that module lists what it was fitted on and what it never saw.",
        "",
        "[recovery]",
        *(f"{key} = {value:.4g}" for key, value in recovery.items()),
    ]
    for name in EXERCISES:
        old = exercise(name).fitted
        fitted = found[name] if name in found else {k: getattr(old, k) for k in old.__dataclass_fields__}
        lines += ["", f"[{name}]", *(f"{key} = {value:.4g}" for key, value in fitted.items())]
        log.info("fitted", exercise=name, **{k: round(v, 4) for k, v in fitted.items()})
    text = "\n".join(lines) + "\n"
    if options.write:
        FITTED.write_text(text, encoding="utf-8")
    else:
        sys.stdout.write(text)
    return 0


if __name__ == "__main__":
    # By its own name, so that other processes find what they are to run.
    from campaigns.fits.calibrate import main as fit_by_name

    sys.exit(fit_by_name())
