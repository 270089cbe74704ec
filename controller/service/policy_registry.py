"""Installed drop policies: found by entry point, loaded, and checked for their interface.

A third-party policy must not keep a set from being served: one that does not load is left out and logged, and a
prescription that names it is refused at arming. A built-in name cannot be replaced.
"""

from __future__ import annotations

import importlib
from collections.abc import Iterable
from dataclasses import dataclass, field
from importlib.metadata import EntryPoint, entry_points
from typing import Final

import structlog

from ebbset.controller.policies.policy import ENTRY_POINT_GROUP, PolicyFactory

_log = structlog.get_logger(__name__)
_OWN: Final = "ebbset.controller."


@dataclass(frozen=True, slots=True)
class Registry:
    """Policies by name, where each comes from, and a sentence for each that could not be loaded.

    Attributes:
        policies: factories by name.
        origins: distribution and version of what ships each; the entry point where no distribution is known.
        entry_points: ``module:class`` of each.
        left_out: why each that could not be loaded was left out.
    """

    policies: dict[str, PolicyFactory] = field(default_factory=dict)
    origins: dict[str, str] = field(default_factory=dict)
    entry_points: dict[str, str] = field(default_factory=dict)
    left_out: dict[str, str] = field(default_factory=dict)


def discover(found: Iterable[EntryPoint] | None = None) -> Registry:
    """Load every policy under the entry-point group ``ebbset.drop_policies``.

    Args:
        found: entry points to use instead of the installed ones, for tests.
    """
    registry = Registry()
    points = list(entry_points(group=ENTRY_POINT_GROUP) if found is None else found)
    # Built-in names first, so that nobody can take one over.
    for point in sorted(points, key=lambda p: (not p.value.startswith(_OWN), p.name, p.value)):
        origin = f"{point.dist.name} {point.dist.version}" if point.dist is not None else point.value
        if point.name in registry.policies:
            if registry.origins[point.name] != origin:
                registry.left_out[f"{point.name} of {origin}"] = (
                    f"the name {point.name!r} belongs to {registry.origins[point.name]}; allowed: a name of its own"
                )
            continue
        try:
            factory = point.load()
        except Exception as error:
            # Third-party code may fail in any way at import; the set must still be servable without it.
            registry.left_out[point.name] = f"{point.value} does not load: {type(error).__name__}: {error}"
            continue
        if not callable(getattr(factory, "from_parameters", None)):
            registry.left_out[point.name] = f"{point.value} has no from_parameters(parameters) method"
            continue
        registry.policies[point.name] = factory
        registry.origins[point.name] = origin
        registry.entry_points[point.name] = point.value
    for name, why in registry.left_out.items():
        _log.warning("policy_left_out", policy=name, why=why)
    return registry


class NoSuchPolicyError(ValueError):
    """A policy that cannot be used; says why and what is allowed."""


def policy_named(name: str, registry: Registry | None = None) -> PolicyFactory:
    """A policy by the name of its entry point, or by ``module:class``.

    Args:
        name: either.
        registry: what is installed; looked up when left out.

    Raises:
        NoSuchPolicyError: neither is there, or it does not load.
    """
    installed = discover() if registry is None else registry
    if name in installed.policies:
        return installed.policies[name]
    if name in installed.left_out:
        raise NoSuchPolicyError(f"policy is {name!r}: {installed.left_out[name]}")
    module, colon, attribute = name.partition(":")
    if not colon:
        known = ", ".join(sorted(installed.policies))
        raise NoSuchPolicyError(f"policy is {name!r}; allowed: {known}, or module:class of your own")
    try:
        factory: PolicyFactory = getattr(importlib.import_module(module), attribute)
    except Exception as error:
        # Anybody's code may fail in any way at import.
        raise NoSuchPolicyError(f"policy {name!r} does not load: {type(error).__name__}: {error}") from error
    if not callable(getattr(factory, "from_parameters", None)):
        raise NoSuchPolicyError(f"policy {name!r} has no from_parameters(parameters) method")
    return factory


def load_policies() -> dict[str, PolicyFactory]:
    """The installed policies by name; those that do not load are logged and left out."""
    return discover().policies
