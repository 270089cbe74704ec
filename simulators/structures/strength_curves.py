"""Strength along the range of a movement, for a structure that has no geometry of its own."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

import numpy as np

_GRID: Final = np.linspace(0.0, 1.0, 201)


@dataclass(frozen=True, slots=True, kw_only=True)
class StrengthCurve:
    """Strength at standstill along the range: a straight line less a bell, 1 at its weakest place.

    Attributes:
        slope: change from bottom to top over the middle.
        dip: depth of the sticking region, 0 none.
        dip_at: its place, share of the range.
        dip_width: its width, share of the range.
        scale: so much more than 1 the line is in its middle, so that the weakest place is 1.
    """

    slope: float
    dip: float
    dip_at: float
    dip_width: float
    scale: float

    def at(self, share: float) -> float:
        """Strength over the weakest.

        Args:
            share: place, 0 at the bottom, 1 at the top; beyond a tenth outside it stays as it is.
        """
        s = min(max(share, -0.1), 1.1)
        z = (s - self.dip_at) / self.dip_width
        return self.scale * (1.0 + self.slope * (s - 0.5)) * (1.0 - self.dip * math.exp(-z * z))


def draw_curve(rng: np.random.Generator) -> StrengthCurve:
    """A strength curve: ascending, descending or flat, with a sticking region anywhere or with none.

    Args:
        rng: source of every random number.
    """
    slope = float(rng.uniform(-0.3, 0.4))
    sticks = rng.random() < 0.75
    curve = StrengthCurve(
        slope=slope,
        dip=float(rng.uniform(0.05, 0.35)) if sticks else 0.0,
        dip_at=float(rng.uniform(0.15, 0.7)),
        dip_width=float(rng.uniform(0.10, 0.22)),
        scale=1.0,
    )
    weakest = min(curve.at(float(s)) for s in _GRID)
    return StrengthCurve(
        slope=slope, dip=curve.dip, dip_at=curve.dip_at, dip_width=curve.dip_width, scale=1.0 / weakest
    )
