"""Simulated lifters that match a profile in 1RM, velocity and range of motion and otherwise vary as people do.

A profile says how strong and fast a lifter is and how certain that is, but not how fast they tire. So twins are drawn:
strength and speed from the profile's uncertainty, fatigue, habits and the rest from the population. Twins are simulated
and never stand for the person.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from ebbset.models.contract.profile import LifterProfile
from ebbset.simulators.lifter.exercises import Exercise, exercise
from ebbset.simulators.lifter.lifter import LifterParameters
from ebbset.simulators.plant.rig_parameters import RigParameters, with_stronger_drive
from ebbset.simulators.population.population import draw_lifter, person_rng
from ebbset.simulators.population.strength_test import one_rm_n, velocity_at

MATCHED_SHARE: Final = 0.5
"""Load at which speed is matched, as part of 1RM: far from 1RM, where the profile's two ends weigh alike."""
_ROUNDS: Final = 10
_SPEED_POWER: Final = 1.0
_CURVE_POWER: Final = 0.8
_RANGE_POWER: Final = 0.5
"""People differ in unloaded speed, in how much of it a load leaves and in the way they have to speed up and to brake; a
twin who is too slow changes in all three, unless the range is known, since one alone would have to leave what is
possible."""
_LONGEST_M: Final = 1.4
_CLOSE: Final = 0.01
_STRONGEST_N: Final = 10_000.0


class NoTwinError(ValueError):
    """The profile cannot be matched; says why."""


@dataclass(frozen=True, slots=True)
class TwinTarget:
    """What a twin is to match.

    Attributes:
        one_rm_n: 1RM per cable, N.
        velocity_m_s: mean concentric velocity at ``MATCHED_SHARE`` of it.
        rom_m: range of motion, or None where it is not known.
    """

    one_rm_n: float
    velocity_m_s: float
    rom_m: float | None = None


def draw_target(profile: LifterProfile, rng: np.random.Generator) -> TwinTarget:
    """One draw over the profile's uncertainty, each figure within three standard deviations.

    Args:
        profile: the lifter profile.
        rng: source of all randomness of the call.

    Raises:
        NoTwinError: the profile has no 1RM.
    """
    if profile.one_rm_n is None:
        raise NoTwinError("profile.one_rm_n is missing; allowed: a 1RM, from `ebbset profile` with two loads or more")
    z = np.clip(rng.standard_normal(4), -3.0, 3.0)
    strength = profile.one_rm_n
    one_rm = max(strength.mean + float(z[0]) * strength.sd, 0.3 * strength.mean)
    v0, v1 = profile.velocity_at_zero_m_s, profile.velocity_at_1rm_m_s
    slowest = max(v1.mean + float(z[2]) * v1.sd, 0.02)
    fastest = max(v0.mean + float(z[1]) * v0.sd, 2.0 * slowest)
    rom = None
    if profile.rom_m is not None:
        rom = float(np.clip(profile.rom_m.mean + float(z[3]) * profile.rom_m.sd, 0.1, _LONGEST_M))
    return TwinTarget(one_rm, fastest - (fastest - slowest) * MATCHED_SHARE, rom)


def matched(lifter: LifterParameters, rig: RigParameters, target: TwinTarget) -> LifterParameters:
    """The lifter with strength and speed moved until 1RM and velocity are those of the target, to 1 %.

    Args:
        lifter: the person.
        rig: the rig.
        target: what to match.

    Raises:
        NoTwinError: not reached within a few rounds, e.g. a 1RM beyond the rig.
    """
    twin = lifter if target.rom_m is None else replace(lifter, rom_m=target.rom_m)
    # Strength is looked for without the rig's own greatest load, which a person may be stronger than.
    rig = with_stronger_drive(rig, _STRONGEST_N)
    try:
        for _ in range(_ROUNDS):
            strength = one_rm_n(twin, rig)
            speed = velocity_at(twin, rig, MATCHED_SHARE * strength)
            if abs(strength / target.one_rm_n - 1.0) < _CLOSE and abs(speed / target.velocity_m_s - 1.0) < _CLOSE:
                return twin
            change = target.velocity_m_s / speed
            rom_m = min(twin.rom_m * change**_RANGE_POWER, _LONGEST_M) if target.rom_m is None else twin.rom_m
            twin = replace(
                twin,
                rom_m=rom_m,
                f_max_n=twin.f_max_n * target.one_rm_n / strength,
                v_max_m_s=twin.v_max_m_s * change**_SPEED_POWER,
                curvature=twin.curvature * change**_CURVE_POWER,
            )
    except (ValueError, ZeroDivisionError) as error:
        raise NoTwinError(f"no simulated lifter matches 1RM {target.one_rm_n:.0f} N on this rig: {error}") from None
    raise NoTwinError(
        f"no simulated lifter matches 1RM {target.one_rm_n:.0f} N with {target.velocity_m_s:.2f} m/s at half of it; "
        "allowed: a profile nearer to what people do on this exercise"
    )


def draw_twins(
    profile: LifterProfile, rig: RigParameters, seed: int, count: int, *, kind: Exercise | None = None
) -> list[LifterParameters]:
    """Twins of one lifter; twin ``i`` of a seed is the same however many are drawn.

    Twins lower the handle when they give in; a plan does not assume that it is thrown away. Draws that cannot be
    matched are left out; at least half must be matched.

    Args:
        profile: of the lifter.
        rig: the rig the plan is for.
        seed: of all randomness.
        count: how many.
        kind: exercise to draw habits and fatigue from; the profile's own when None.

    Raises:
        NoTwinError: no 1RM in the profile, or fewer than half of the draws could be matched.
        ValueError: an exercise that the simulator does not know.
    """
    kind = kind or exercise(profile.exercise)
    found: list[LifterParameters] = []
    failure: NoTwinError | None = None
    for k in range(count):
        rng = person_rng(seed, k)
        target = draw_target(profile, rng)
        try:
            found.append(matched(replace(draw_lifter(kind, rng), give_in="slow_lowering"), rig, target))
        except NoTwinError as error:
            failure = error
    if len(found) * 2 < count and failure is not None:
        raise failure
    return found
