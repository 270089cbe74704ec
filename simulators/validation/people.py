"""The simulated people of the checks: trained men, at full effort or at a habitual tempo."""

from __future__ import annotations

from dataclasses import replace

from ebbset.simulators.lifter.exercises import exercise
from ebbset.simulators.lifter.lifter import FatigueModel, LifterParameters
from ebbset.simulators.population.population import Sex, TrainingStatus, draw_lifter, person_rng
from ebbset.simulators.validation.published_targets import HABITUAL_VELOCITY_M_S


def people(
    name: str, count: int, seed: int, sex: Sex = "male", training_status: TrainingStatus = "trained"
) -> list[LifterParameters]:
    """Lifters as most studies had them: strength-trained men; they alternate between the fatigue models.

    Args:
        name: of the exercise.
        count: how many.
        seed: of the population.
        sex: of all of them.
        training_status: of all of them.
    """
    kind = exercise(name)
    models: tuple[FatigueModel, ...] = ("3cc_r", "critical_force")
    return [
        replace(
            draw_lifter(
                kind, person_rng(seed, i), sex=sex, training_status=training_status, fatigue_model=models[i % 2]
            ),
            give_in="slow_lowering",
        )
        for i in range(count)
    ]


def habitual(crowd: list[LifterParameters]) -> list[LifterParameters]:
    """The same people lifting at an ordinary tempo instead of as fast as they can.

    Args:
        crowd: the people.
    """
    return [replace(lifter, concentric_velocity_m_s=HABITUAL_VELOCITY_M_S) for lifter in crowd]
