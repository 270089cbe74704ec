"""Published statistics of lifting as plain functions: no force, no muscle, only what was counted and timed on people.

Load is a share of the fresh 1RM throughout, capacity the share of it that is left now.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np

from ebbset.simulators.structures.movements import Movement, varied

PLACES: Final = 64
_LEAST_LOAD: Final = 0.25
"""The published lines begin at 30 %; nobody gets much faster below."""
_NO_DIP_BELOW: Final = 0.75
_WHOLE_DIP_FROM: Final = 0.92
"""Bench press: a sticking region at 90 % and none at 75 % of the 1RM (Newton 1997, cited in MSSE 2009 41(11))."""
_EDGE: Final = 0.3
"""Share of the mean velocity that a profile starts and ends with; the rest of starting and braking is the body's."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Statistics:
    """Figures of one person on one exercise.

    Attributes:
        one_rm_n: greatest load lifted once, fresh, all cables together, N.
        repetitions_scale: k of repetitions = 1 + k (1 / load - 1).
        velocity_at_1rm_m_s: mean velocity of that lift, m/s.
        slope_m_s: fall of mean velocity from no load to the 1RM, m/s.
        velocity_at_failure_m_s: of the last repetition before failure, m/s, about the same at every load.
        loss_power: velocity is lost like the done share of the possible repetitions to this power.
        light_pace: time per range by place over the mean, light or fresh.
        heavy_pace: the same, heavy or tired.
        trough_at: place of the slowest point of the heavy one, share of the range.
        lengthening: greatest load that can be lowered or held, over that which can be lifted.
    """

    one_rm_n: float
    repetitions_scale: float
    velocity_at_1rm_m_s: float
    slope_m_s: float
    velocity_at_failure_m_s: float
    loss_power: float
    light_pace: tuple[float, ...]
    heavy_pace: tuple[float, ...]
    trough_at: float
    lengthening: float

    def repetitions_left(self, load: float, capacity: float = 1.0) -> float:
        """Repetitions until failure; below 1 the next one fails.

        The chart of Haff & Triplett 2016 (from memory) has k = 27; Nuzzo et al. 2024 (Sports Med 54:303-321) found more
        repetitions at moderate loads than older charts, and most in the leg press.

        Args:
            load: share of the fresh 1RM, above 0.
            capacity: share of the fresh 1RM that is left.
        """
        return 1.0 + self.repetitions_scale * (capacity / load - 1.0)

    def cost_of_repetition(self, load: float) -> float:
        """Loss of capacity that takes one repetition at this load off `repetitions_left`.

        Args:
            load: share of the fresh 1RM.
        """
        return load / self.repetitions_scale

    def mean_velocity_m_s(self, load: float, capacity: float, failure_factor: float = 1.0) -> float:
        """Of a repetition at this load, by the general line fresh and by the curve of velocity loss when tired.

        Args:
            load: share of the fresh 1RM.
            capacity: share of it that is left.
            failure_factor: of this repetition on the velocity at failure, which varies most.
        """
        fresh = self.velocity_at_1rm_m_s + self.slope_m_s * (1.0 - min(max(load, _LEAST_LOAD), 1.0))
        last = min(self.velocity_at_failure_m_s * failure_factor, fresh)
        lost = 1.0 - capacity
        if lost <= 0.0:
            return fresh
        possible = 1.0 - load
        done = min(lost / possible, 1.0) if possible > 0.0 else 1.0
        return float(fresh - (fresh - last) * done**self.loss_power)

    def pace(self, share: float, load: float, capacity: float) -> float:
        """Mean velocity over velocity at a place: above 1 where it is slow.

        Args:
            share: of the range.
            load: share of the fresh 1RM.
            capacity: share of it that is left.
        """
        at = min(max(share, 0.0), 1.0) * PLACES
        left = min(int(at), PLACES - 1)
        right = at - left
        dip = (load / capacity - _NO_DIP_BELOW) / (_WHOLE_DIP_FROM - _NO_DIP_BELOW)
        dip = min(max(dip, 0.0), 1.0)
        light = self.light_pace[left] + right * (self.light_pace[left + 1] - self.light_pace[left])
        heavy = self.heavy_pace[left] + right * (self.heavy_pace[left + 1] - self.heavy_pace[left])
        return light + dip * (heavy - light)


def pace_by_place(knots: list[tuple[float, float]]) -> tuple[tuple[float, ...], tuple[float, ...]]:
    """Mean velocity over velocity at `PLACES` + 1 places, from velocities at moments of the concentric phase.

    Args:
        knots: (share of its time, velocity in any unit), first at 0, last at 1; joined by half waves.

    Returns:
        The pace at each place, and the place reached at each knot.
    """
    times = np.linspace(0.0, 1.0, 801)
    at, v = np.array([knot[0] for knot in knots]), np.array([knot[1] for knot in knots])
    left = np.clip(np.searchsorted(at, times, side="right") - 1, 0, len(knots) - 2)
    part = (times - at[left]) / (at[left + 1] - at[left])
    velocity = v[left] + (v[left + 1] - v[left]) * 0.5 * (1.0 - np.cos(np.pi * part))
    way = np.concatenate([[0.0], np.cumsum(0.5 * (velocity[1:] + velocity[:-1]) * np.diff(times))])
    mean = way[-1]
    pace = np.interp(np.linspace(0.0, 1.0, PLACES + 1), way / mean, mean / velocity)
    return tuple(pace.tolist()), tuple(np.interp(at, times, way / mean).tolist())


def draw_statistics(movement: Movement, rng: np.random.Generator) -> Statistics:
    """Figures of one person.

    Args:
        movement: what is lifted.
        rng: source of every random number.
    """
    legs = movement.exercise in ("leg_press", "squat", "hip_thrust", "calf_raise")
    light, _ = pace_by_place([(0.0, _EDGE), (float(rng.uniform(0.40, 0.75)), 1.0), (1.0, _EDGE)])
    # Shoulder press above 75 %: peaks at 14.3 and 88.7 %, trough at 46.1 % of the concentric phase
    # (Hernández-Belmonte et al. 2020). Heights: no figure was found that could be trusted; ours.
    trough_time = float(np.clip(rng.normal(0.461, 0.10), 0.2, 0.7))
    early_time = 0.31 * trough_time * varied(rng, 0.15)
    late_time = float(np.clip(rng.normal(0.887, 0.03), trough_time + 0.1, 0.95))
    early = float(rng.uniform(1.1, 1.8))
    # A tired or heavy repetition has its peak early in most people (Duffey & Challis 2007 JSCR 21:556-560).
    late = early * float(rng.uniform(0.6, 1.15))
    # 10 of 15 lifters had a sticking region in the squat (van den Tillaar et al. 2014), all 12 in the bench press.
    sticks = rng.random() < (0.67 if legs else 0.85)
    trough = early * float(rng.uniform(0.2, 0.6)) if sticks else early * 0.9
    heavy, places = pace_by_place(
        [(0.0, _EDGE * early), (early_time, early), (trough_time, trough), (late_time, late), (1.0, _EDGE * early)]
    )
    at_1rm = movement.velocity_at_1rm_m_s
    return Statistics(
        one_rm_n=movement.one_rm_n,
        repetitions_scale=(36.0 if legs else 29.0) * varied(rng, 0.2),
        velocity_at_1rm_m_s=at_1rm,
        slope_m_s=movement.slope_m_s,
        # Correlates with the velocity at the 1RM by no more than 0.2 to 0.4 (García-Ramos et al. 2020 PeerJ 8:e8760).
        velocity_at_failure_m_s=max(at_1rm * varied(rng, 0.2), 0.04),
        # Fitted by eye to the shape of velocity loss against share of repetitions done in press (1.7) and squat (2.0)
        # (Rodríguez-Rosell et al. 2020, from memory and doubtful; only its shape is used).
        loss_power=(2.0 if legs else 1.7) * varied(rng, 0.12),
        light_pace=light,
        heavy_pace=heavy,
        trough_at=places[2],
        # 1.41 (Nuzzo et al. 2023 Sports Med 53:1125-1136), individuals 0.84 to 1.62 (Armstrong et al. 2022).
        lengthening=float(np.clip(rng.normal(1.41, 0.12), 1.1, 1.7)),
    )
