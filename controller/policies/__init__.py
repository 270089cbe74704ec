"""Drop policies: the question they answer, the built-in ones, their checks and the limits applied to them.

A policy proposes; `load_limits` applies the limits that no policy can switch off.
"""

from __future__ import annotations

from ebbset.controller.policies.built_in import FixedFraction, FixedStep, ForceAtStall
from ebbset.controller.policies.checker import check_policy
from ebbset.controller.policies.policy import DropPolicy, DropView, PolicyFactory, Proposal
from ebbset.controller.policies.repetitions_wanted import RepetitionsWanted

__all__ = [
    "DropPolicy",
    "DropView",
    "FixedFraction",
    "FixedStep",
    "ForceAtStall",
    "PolicyFactory",
    "Proposal",
    "RepetitionsWanted",
    "check_policy",
]
