"""People: families of lifters, persons drawn from them, what each can lift once, and twins that match a profile."""

from __future__ import annotations

from ebbset.simulators.population.population import draw_lifter, person_rng
from ebbset.simulators.population.strength_test import one_rm_n
from ebbset.simulators.population.twin import draw_twins

__all__ = ["draw_lifter", "draw_twins", "one_rm_n", "person_rng"]
