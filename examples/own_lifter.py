"""A family of lifters of your own, checked, then put at a simulated rig. docs/lifters.md explains it.

python examples/own_lifter.py
ebbset family check own_lifter:draw            (in the folder of this file)
ebbset simulate row.toml --lifters own_lifter:draw
"""

from __future__ import annotations

import math
from typing import Self

import numpy as np

from ebbset import Habits, MuscleLifter, check_lifter, draw_habits, lift_once, one_rm_n


class Spring(MuscleLifter):
    """Strong at the bottom, weak at the top, with one store of energy that work empties."""

    def __init__(self, rng: np.random.Generator, habits: Habits, strength_n: float, store_s: float) -> None:
        super().__init__(
            "band_row", bottom_m=0.3, rom_m=0.5, moving_mass_kg=4.0, rng=rng, habits=habits, asymmetry=0.02
        )
        self.strength_n, self.store_s, self.full = strength_n, store_s, 1.0

    def capacity(self) -> float:
        """Force left at standstill, as a share of the fresh one: half of it needs the store."""
        return 0.5 + 0.5 * self.full

    def greatest_pull_n(self, share: float, velocity_m_s: float) -> float:
        """Falls with the range and, on an exponential, with speed; lengthening holds a third more."""
        speed = math.exp(-velocity_m_s / 0.6) if velocity_m_s > 0.0 else min(1.0 - velocity_m_s, 1.33)
        return self.strength_n * self.capacity() * (1.2 - 0.4 * min(max(share, 0.0), 1.0)) * speed

    def tire(self, dt_s: float, effort: float, _share: float, _velocity_m_s: float) -> None:
        """Effort empties the store."""
        self.full = max(self.full - dt_s * effort / self.store_s, 0.0)

    def rest(self, duration_s: float) -> None:
        """It fills with a half-time of a minute."""
        self.full = 1.0 - (1.0 - self.full) * 0.5 ** (duration_s / 60.0)

    def at_full_effort(self) -> Self:
        """Rested too."""
        other = super().at_full_effort()
        other.full = 1.0
        return other


def draw(exercise: str | None, rng: np.random.Generator) -> Spring:
    """One person; this family knows one exercise."""
    if exercise not in (None, "band_row"):
        raise ValueError(f"exercise is {exercise!r}; allowed: band_row")
    return Spring(
        rng, draw_habits(rng), strength_n=float(rng.uniform(200.0, 900.0)), store_s=float(rng.uniform(30, 90))
    )


def main() -> None:
    """Check one person, then measure what she can lift once."""
    findings = check_lifter(draw, seed=1)
    print(f"checks: {len(findings)} findings" + "".join(f"\n  {f.rule}: {f.detail}" for f in findings))
    person = draw(None, np.random.default_rng(1))
    one_rm = one_rm_n(person, None)
    (record,) = lift_once(person, None, one_rm).truth.records
    print(f"simulated: 1RM {one_rm:.0f} N, lifted at {record.mean_velocity_m_s:.2f} m/s")


if __name__ == "__main__":
    main()
