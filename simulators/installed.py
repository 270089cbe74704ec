"""The controller for simulations that must know every installed drop policy, third-party ones too."""

from __future__ import annotations

from functools import lru_cache

from ebbset.controller.policy import PolicyFactory
from ebbset.controller.registry import load_policies
from ebbset.controller.set_controller import SetController


@lru_cache(maxsize=1)
def _policies() -> dict[str, PolicyFactory]:
    return load_policies()


def installed_controller() -> SetController:
    """A controller with every installed drop policy, looked up once in each process."""
    return SetController(_policies())
