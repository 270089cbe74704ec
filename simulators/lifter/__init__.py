"""One person on one exercise: strength, speed, fatigue and habits as numbers, and what the lifter does next, compiled.

Exercises are data, each value with its source.
"""

from __future__ import annotations

from ebbset.simulators.lifter.exercises import Exercise, exercise
from ebbset.simulators.lifter.lifter import LifterParameters

__all__ = ["Exercise", "LifterParameters", "exercise"]
