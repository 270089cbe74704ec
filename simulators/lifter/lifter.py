"""One person on one exercise, as numbers: strength, speed, fatigue and habits.

Forces are those of both arms (or legs) together, measured at the handle. How the numbers act is in
:mod:`ebbset.simulators.plant.physics` and :mod:`ebbset.simulators.lifter.behaviour`; where they come from in
:mod:`ebbset.simulators.lifter.exercises` and :mod:`ebbset.simulators.population.population`.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final, Literal

from ebbset.simulators.lifter.bounds import Bounds, check_bounds

FatigueModel = Literal["3cc_r", "critical_force"]
GiveIn = Literal["slow_lowering", "sudden_release"]

_BOUNDS: Final[Bounds] = {
    "f_max_n": (10.0, 10_000.0),
    "v_max_m_s": (0.2, 15.0),
    "curvature": (0.05, 20.0),
    "eccentric_plateau": (1.05, 2.5),
    "limb_mass_kg": (0.2, 60.0),
    "start_m": (0.02, 1.0),
    "rom_m": (0.05, 1.5),
    "strength_bottom": (0.2, 5.0),
    "strength_top": (0.2, 5.0),
    "dip": (0.0, 3.0),
    "dip_at": (0.0, 1.0),
    "dip_width": (0.05, 2.0),
    "leverage": (0.0, 1.0),
    "fatigue_per_s": (1e-5, 0.5),
    "recovery_per_s": (1e-6, 0.5),
    "rest_multiplier": (1.0, 100.0),
    "critical_share": (0.01, 0.95),
    "reserve_s": (0.5, 1000.0),
    "reserve_rest_multiplier": (1.0, 100.0),
    "fast_share": (0.0, 0.9),
    "fast_recovery_per_s": (0.0, 2.0),
    "slow_share": (0.0, 0.9),
    "slow_recovery_per_s": (0.0, 0.1),
    "strain_per_s": (0.0, 10.0),
    "fatigue_tilt": (0.0, 2.0),
    "boost": (0.0, 0.5),
    "boost_s": (0.02, 1.0),
    "shortening_cost": (0.0, 20.0),
    "develop_per_s": (2.0, 100.0),
    "relax_per_s": (2.0, 100.0),
    "concentric_velocity_m_s": (0.05, 99.0),
    "braking_m_s2": (1.0, 40.0),
    "eccentric_velocity_m_s": (0.02, 2.0),
    "handling_velocity_m_s": (0.05, 1.0),
    "pause_bottom_s": (0.0, 30.0),
    "pause_top_s": (0.0, 30.0),
    "pause_growth": (0.0, 30.0),
    "habit_cv": (0.0, 0.5),
    "depth_sd_m": (0.0, 0.05),
    "range_cv": (0.0, 0.1),
    "grind_velocity_m_s": (0.0, 0.2),
    "grind_patience_s": (0.1, 20.0),
    "partial_tendency": (0.0, 1.0),
    "jerk": (0.0, 0.3),
    "talk_after_reps": (0.0, 1000.0),
    "talk_s": (0.0, 300.0),
    "reserve_held": (0.0, 2.0),
    "retry_ratio": (0.0, 1.5),
    "retry_wait_s": (0.0, 60.0),
    "retries": (0.0, 100.0),
    "reaction_s": (0.02, 2.0),
    "force_noise_cv": (0.0, 0.1),
    "repetition_noise_cv": (0.0, 0.1),
    "push_cv": (0.0, 0.5),
    "asymmetry": (-0.5, 0.5),
}


@dataclass(frozen=True, slots=True, kw_only=True)
class LifterParameters:
    """Everything that makes one lifter on one exercise.

    Attributes:
        exercise: name of the exercise.
        f_max_n: isometric force at the weakest point of the range, fresh, all arms together, N.
        v_max_m_s: unloaded shortening speed at the handle, m/s.
        curvature: Hill's a/F0 of the whole movement.
        eccentric_plateau: greatest lengthening force over isometric.
        limb_mass_kg: mass of the limbs moving with the handle, all arms together, kg.
        start_m: cable paid out at the bottom of the movement, m.
        rom_m: range of motion, m.
        strength_bottom: isometric strength at the bottom (arbitrary unit; the curve is scaled to 1 at its weakest).
        strength_top: same at the top.
        dip: depth of the sticking region.
        dip_at: its middle, share of the range.
        dip_width: its width, share of the range.
        leverage: share of the strength curve that is leverage: where leverage gives force it takes speed, so that v_max
            at a position is v_max / (1 + leverage x (strength - 1)); 1 keeps power, 0 is strength without that price.
        shortening_cost: how much more a unit of activation tires at peak power than in holding still; see
            :func:`ebbset.models.physiology.muscle.effort_cost`.
        fatigue_model: "3cc_r" or "critical_force".
        fatigue_per_s: F of 3CC-r, 1/s.
        recovery_per_s: R, 1/s.
        rest_multiplier: r.
        critical_share: critical force over maximal force (critical_force).
        reserve_s: reserve above it, seconds at maximal force (critical_force).
        reserve_rest_multiplier: recovery of the reserve at complete rest over that at work (critical_force).
        fast_share: share of fatigue that recovers fast (both models).
        fast_recovery_per_s: at this rate, 1/s.
        slow_share: share of fatigue that recovers slowly whatever the effort (both models).
        slow_recovery_per_s: at this rate, 1/s.
        strain_per_s: how fast fatigue turns into the slowly recovering kind while more is asked for than can be given:
            this times the unmet share times the fatigued share, 1/s. What failure costs above all.
        fatigue_tilt: how much more fatigue takes at the top of the range than at its weakest point: strength there is
            (1 - tilt x lost capacity x distance in shares of the range) of what it would be.
        boost: extra force at the very start of an ascent, share, from the stretch before it.
        boost_s: time constant with which it fades, s.
        develop_per_s: rate of force development, 1/s.
        relax_per_s: rate of relaxation, 1/s.
        concentric_velocity_m_s: speed the lifter wants on the way up; 99 = as fast as possible.
        braking_m_s2: deceleration planned towards a goal; less than gravity, since a person stops pushing and lets the
            weight brake.
        eccentric_velocity_m_s: speed of the lowering.
        handling_velocity_m_s: speed of picking up, putting down and giving in.
        pause_bottom_s: pause at the bottom, fresh, s.
        pause_top_s: pause at the top, fresh, s.
        pause_growth: pauses are (1 + growth x lost capacity) times as long.
        habit_cv: spread of pauses and tempo from repetition to repetition.
        depth_sd_m: spread of the bottom from repetition to repetition, m.
        range_cv: spread of the range from repetition to repetition.
        grind_velocity_m_s: slower than this is no progress.
        grind_patience_s: how long without progress before giving in.
        give_in: way of giving in.
        partial_tendency: tendency to cut the top short when tired; 0 none.
        jerk: relative force fluctuation at 4 Hz while moving slowly upwards.
        talk_after_reps: stops at the top after this many repetitions; 0 never.
        talk_s: for that long.
        reserve_held: ends the set when capacity over load falls under 1 + this; 0 goes to failure.
        retry_ratio: after giving in goes on if the load has become less than this share of the one that stopped them.
        retry_wait_s: waits that long for it.
        retries: tries the same load again that often, one after the other, before the handle is put down.
        reaction_s: time to notice that the load has gone.
        force_noise_cv: fluctuation of force within a repetition.
        repetition_noise_cv: from repetition to repetition.
        push_cv: how much the push varies from repetition to repetition, as a share of the strength that the load leaves
            spare: what is light is pushed now harder, now less, and at the edge of failure everything is given.
        asymmetry: (left - right) / (left + right) strength with two cables; the first cable is left.

    Raises:
        ValueError: a value outside the range in which the simulation is meaningful and stable.
    """

    exercise: str
    f_max_n: float
    v_max_m_s: float
    curvature: float
    eccentric_plateau: float
    limb_mass_kg: float
    start_m: float
    rom_m: float
    strength_bottom: float
    strength_top: float
    dip: float
    dip_at: float
    dip_width: float
    fatigue_model: FatigueModel
    fatigue_per_s: float
    recovery_per_s: float
    rest_multiplier: float
    critical_share: float
    reserve_s: float
    reserve_rest_multiplier: float
    slow_share: float
    slow_recovery_per_s: float
    leverage: float = 1.0
    fast_share: float = 0.0
    fast_recovery_per_s: float = 0.0
    strain_per_s: float = 0.0
    fatigue_tilt: float = 0.5
    boost: float = 0.15
    boost_s: float = 0.15
    shortening_cost: float = 0.5
    develop_per_s: float = 50.0
    relax_per_s: float = 25.0
    concentric_velocity_m_s: float = 99.0
    braking_m_s2: float = 8.0
    eccentric_velocity_m_s: float = 0.28
    handling_velocity_m_s: float = 0.3
    pause_bottom_s: float = 0.1
    pause_top_s: float = 0.2
    pause_growth: float = 2.0
    habit_cv: float = 0.1
    depth_sd_m: float = 0.005
    range_cv: float = 0.01
    grind_velocity_m_s: float = 0.06
    grind_patience_s: float = 1.0
    give_in: GiveIn = "slow_lowering"
    partial_tendency: float = 0.0
    jerk: float = 0.0
    talk_after_reps: int = 0
    talk_s: float = 0.0
    reserve_held: float = 0.0
    retry_ratio: float = 0.95
    retry_wait_s: float = 1.5
    retries: int = 2
    reaction_s: float = 0.25
    force_noise_cv: float = 0.01
    repetition_noise_cv: float = 0.012
    push_cv: float = 0.0
    asymmetry: float = 0.0

    def __post_init__(self) -> None:
        check_bounds(self, _BOUNDS)
        if self.fast_share + self.slow_share > 1.0:
            raise ValueError(f"slow_share is {self.slow_share!r}; allowed: at most 1 - fast_share")
        if self.fatigue_model not in ("3cc_r", "critical_force"):
            raise ValueError(f"fatigue_model is {self.fatigue_model!r}; allowed: 3cc_r, critical_force")
        if self.give_in not in ("slow_lowering", "sudden_release"):
            raise ValueError(f"give_in is {self.give_in!r}; allowed: slow_lowering, sudden_release")
