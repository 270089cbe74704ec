"""The form of the figures that say how rested people depart from the controller's load–velocity curve."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class CurveDepartures:
    """How rested people depart from the controller's mean on one exercise; simulated, not measured on people.

    Order of the figures: at no load, at 1RM, bow, all in m/s.

    Attributes:
        mean: mean over people.
        covariance: over people, rows of three.
        misfit_sd_m_s: what the three figures leave of a person's curve.
    """

    mean: tuple[float, float, float]
    covariance: tuple[tuple[float, float, float], tuple[float, float, float], tuple[float, float, float]]
    misfit_sd_m_s: float
