"""Estimates of the lifter's state: capacity, 1RM of the day, repetitions in reserve, budget spent, hard repetitions.

Each with its uncertainty, from loads, velocities and stalls; no decisions.
"""

from __future__ import annotations

from ebbset.controller.estimation.capacity import CapacityEstimator
from ebbset.controller.estimation.effort import Effort
from ebbset.controller.estimation.intervals import EstimatedFigure, Estimates, estimates_of
from ebbset.controller.estimation.repetitions_in_reserve import RepetitionForecast

__all__ = ["CapacityEstimator", "Effort", "EstimatedFigure", "Estimates", "RepetitionForecast", "estimates_of"]
