"""People: lifters drawn from published spreads with a seed.

Person ``i`` of a seed is the same however many are drawn and by however many workers: each has a stream of her own
(``SeedSequence.spawn``). Spreads are lognormal, so that nothing gets a wrong sign.
"""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Final, Literal

import numpy as np

from ebbset.simulators.lifter.exercises import Exercise
from ebbset.simulators.lifter.lifter import FatigueModel, LifterParameters

Sex = Literal["male", "female"]
TrainingStatus = Literal["novice", "trained", "highly_trained"]

SEXES: Final[tuple[Sex, ...]] = ("male", "female")
TRAINING: Final[tuple[TrainingStatus, ...]] = ("novice", "trained", "highly_trained")
_STRENGTH: Final[dict[TrainingStatus, float]] = {"novice": 0.72, "trained": 1.0, "highly_trained": 1.3}
"""Strength over that of the trained; from memory, order of magnitude."""
_PATIENCE: Final[dict[TrainingStatus, float]] = {"novice": 0.75, "trained": 1.0, "highly_trained": 1.4}
"""The experienced grind longer and so lift slower at their maximum (Zourdos et al. 2016 JSCR 30:267-275); size ours."""
_CRITICAL: Final[dict[TrainingStatus, float]] = {"novice": 0.9, "trained": 1.0, "highly_trained": 1.15}
"""Critical force over that of the trained: 30.5 % untrained, 41.4 % trained of maximum (de Ruiter 2014), halved."""
_ECCENTRIC: Final[dict[Sex, float]] = {"male": 1.38 / 1.41, "female": 1.47 / 1.41}
"""Lengthening over shortening strength, men 1.38, women 1.47, all 1.41: Nuzzo et al. 2023 Sports Med 53:1125-1136."""
# Spreads of speed, its curve, the push and the day were chosen together so that methods of the field err on these
# people about as much as on people (checks 15 and 16 of `ebbset validate`): with narrower ones a line through five
# single lifts gave the 1RM within 1.5 %, on people within 2.7 to 3.7 % (10.3233/IES-202247).
V_MAX_CV: Final = 0.09
CURVATURE_CV: Final = 0.28
"""a/F0 of whole movements lies between 0.15 and 0.5 (from memory); two deviations either way span that."""
PUSH_CV: Final = 0.15
"""Variation of the push, as a share of the strength that a load leaves spare; velocities on two days differ by CV 1.9
to 9.3 % (PMC12036251)."""
PUSH_SPREAD: Final = 0.4
DAY_SPEED_CV: Final = 0.03
SHAPE_CV: Final = 0.20
PATIENCE_CV: Final = 0.40
"""Velocity at 1RM is 0.16 ± 0.04 m/s in the bench press (González-Badillo & Sánchez-Medina 2010)."""
RESERVE_CV: Final = 0.12
STRAIN_CV: Final = 0.25
"""Spread of what failure costs; men lost 29 % and women 21 % to the same sets (Refalo 2023), the rest is ours."""
TILT: Final = 0.5
"""Set by hand so that the last repetition before failure is fastest early (Duffey & Challis 2007 JSCR 21:556-560)."""
BOOST: Final = 0.15
"""A press after a lowering starts some 15 % stronger than one without (Wilson, Elliott & Wood 1991 MSSE 23:364-370,
from memory); it is over within a few tenths of a second."""
TIRED_CV: Final = 0.3
"""Between lifters the kinematics of a tired repetition vary considerably (Duffey & Challis 2007); size ours."""
DAY_CV: Final = 0.019
"""Strength from day to day: CV of the deadlift 1RM between days 1.9 % (Ruf et al. 2018 JSCR 32:681-689)."""


def _lognormal(rng: np.random.Generator, mean: float, cv: float) -> float:
    """One lognormal draw with that mean and CV; always uses one number of the stream."""
    z = min(max(float(rng.standard_normal()), -3.0), 3.0)
    if cv == 0.0:
        return mean
    sigma2 = math.log1p(cv * cv)
    return mean * math.exp(math.sqrt(sigma2) * z - 0.5 * sigma2)


def draw_lifter(
    exercise: Exercise,
    rng: np.random.Generator,
    *,
    training_status: TrainingStatus | None = None,
    sex: Sex | None = None,
    fatigue_model: FatigueModel | None = None,
) -> LifterParameters:
    """One person.

    Args:
        exercise: what is lifted.
        rng: this person's own stream (see ``person_rng``).
        training_status: drawn with equal chances if None.
        sex: drawn with equal chances if None.
        fatigue_model: drawn with equal chances if None, since nobody knows which is right.

    Returns:
        Parameters; asymmetry, habits and way of giving in are drawn too.

    Raises:
        ValueError: an unknown training status or sex.
    """
    if training_status is not None and training_status not in TRAINING:
        raise ValueError(f"training_status is {training_status!r}; allowed: {', '.join(TRAINING)}")
    if sex is not None and sex not in SEXES:
        raise ValueError(f"sex is {sex!r}; allowed: {', '.join(SEXES)}")
    coin = rng.random(3)
    status = training_status or TRAINING[int(coin[0] * 3)]
    gender = sex or SEXES[int(coin[1] * 2)]
    model: FatigueModel = fatigue_model or ("3cc_r" if coin[2] < 0.5 else "critical_force")
    q = {name: _lognormal(rng, quantity.mean, quantity.cv) for name, quantity in exercise.quantities.items()}
    fitted = exercise.fitted
    rise = fitted.strength_top / fitted.strength_bottom
    size = exercise.women_share if gender == "female" else 1.0
    return LifterParameters(
        exercise=exercise.name,
        f_max_n=q["f_max_n"] * size * _STRENGTH[status],
        v_max_m_s=_lognormal(rng, fitted.v_max_m_s, V_MAX_CV),
        curvature=_lognormal(rng, fitted.curvature, CURVATURE_CV),
        eccentric_plateau=q["eccentric_plateau"] * _ECCENTRIC[gender],
        limb_mass_kg=q["limb_mass_kg"] * (0.75 if gender == "female" else 1.0),
        start_m=q["start_m"],
        rom_m=q["rom_m"] * (0.92 if gender == "female" else 1.0),
        strength_bottom=fitted.strength_bottom,
        strength_top=fitted.strength_bottom * rise ** _lognormal(rng, 1.0, SHAPE_CV),
        dip=_lognormal(rng, fitted.dip, SHAPE_CV),
        dip_at=q["dip_at"],
        dip_width=fitted.dip_width,
        fatigue_model=model,
        fatigue_per_s=q["fatigue_per_s"] * fitted.fatigue_scale,
        recovery_per_s=q["recovery_per_s"],
        rest_multiplier=q["rest_multiplier"],
        critical_share=min(q["critical_share"] * _CRITICAL[status], 0.6),
        reserve_s=_lognormal(rng, fitted.reserve_s, RESERVE_CV),
        reserve_rest_multiplier=exercise.recovery.reserve_rest_multiplier,
        fast_share=exercise.recovery.fast_share,
        fast_recovery_per_s=exercise.recovery.fast_recovery_per_s,
        slow_share=exercise.recovery.slow_share,
        slow_recovery_per_s=exercise.recovery.slow_recovery_per_s,
        eccentric_velocity_m_s=q["eccentric_velocity_m_s"],
        pause_bottom_s=q["pause_bottom_s"],
        pause_top_s=q["pause_top_s"],
        grind_patience_s=_lognormal(rng, fitted.grind_patience_s * _PATIENCE[status], PATIENCE_CV),
        give_in="sudden_release" if rng.random() < 0.05 else "slow_lowering",
        asymmetry=min(max(0.02 * float(rng.standard_normal()), -0.08), 0.08),
        depth_sd_m=q["depth_sd_m"],
        strain_per_s=_lognormal(rng, exercise.recovery.strain_per_s, STRAIN_CV),
        fatigue_tilt=_lognormal(rng, TILT, TIRED_CV),
        boost=_lognormal(rng, BOOST, TIRED_CV),
        push_cv=_lognormal(rng, PUSH_CV, PUSH_SPREAD),
    )


def person_rng(seed: int, person: int) -> np.random.Generator:
    """The random stream of person number ``person`` of a seed, independent of how many are drawn.

    Args:
        seed: of the population.
        person: number of the person.
    """
    return np.random.default_rng(np.random.SeedSequence(seed, spawn_key=(person,)))


def on_day(lifter: LifterParameters, rng: np.random.Generator) -> LifterParameters:
    """The same person on another day: strength varies by ``DAY_CV``, speed by ``DAY_SPEED_CV``.

    Args:
        lifter: the person.
        rng: source of all randomness of the call.
    """
    return replace(
        lifter,
        f_max_n=_lognormal(rng, lifter.f_max_n, DAY_CV),
        v_max_m_s=_lognormal(rng, lifter.v_max_m_s, DAY_SPEED_CV),
    )
