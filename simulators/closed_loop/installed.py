"""The controller for simulations: the real one, with every installed drop policy, third-party ones too."""

from __future__ import annotations

from functools import lru_cache

from ebbset.controller.detection.evidence.habit_figures import SHIPPED, HabitFigures
from ebbset.controller.estimation.judgement import Judgement
from ebbset.controller.estimation.judgement_figures import CURRENT
from ebbset.controller.policies.policy import PolicyFactory
from ebbset.controller.regulation.set_controller import SetController
from ebbset.controller.service.policy_registry import load_policies


@lru_cache(maxsize=1)
def _policies() -> dict[str, PolicyFactory]:
    return load_policies()


def installed_controller(judgement: Judgement = CURRENT, stall_figures: HabitFigures = SHIPPED) -> SetController:
    """A controller with every installed drop policy; they are looked up once in each process.

    Args:
        judgement: how far it trusts its estimates.
        stall_figures: what its stall rule "habits" was fitted to.
    """
    return SetController(_policies(), judgement, stall_figures)
