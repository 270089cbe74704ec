"""Families of lifters by name: the compiled muscle, what is installed under an entry point, or a factory anywhere.

A family draws people. What it draws is either `LifterParameters`, which the compiled loop lives through, or anything
that keeps the `Lifter` protocol; `plant_for` puts either at a rig.
"""

from __future__ import annotations

import importlib
from collections.abc import Callable
from dataclasses import dataclass
from functools import cache
from importlib.metadata import entry_points
from typing import Any, Final

import numpy as np

from ebbset.simulators.lifter.exercises import EXERCISES, exercise
from ebbset.simulators.lifter.lifter import LifterParameters
from ebbset.simulators.lifter.protocol import ENTRY_POINT_GROUP, Lifter
from ebbset.simulators.plant.plant import Plant
from ebbset.simulators.plant.plant_base import PlantBase
from ebbset.simulators.plant.plugged_plant import PluggedPlant
from ebbset.simulators.plant.rig_parameters import RigParameters
from ebbset.simulators.population.population import draw_lifter, on_day

AnyLifter = LifterParameters | Lifter
COMPILED: Final = "compiled_muscle"
"""The family that every figure of ebbset was first fitted on: Hill's muscle with either law of fatigue."""
_MEMBERS: Final = ("exercise", "bottom_m", "rom_m", "moving_mass_kg", "rng", "phase")
_METHODS: Final = ("begin", "step", "rest", "capacity", "at_full_effort", "copy")


class FamilyError(ValueError):
    """A family that cannot be used; says why and what is allowed."""


@dataclass(frozen=True, slots=True)
class Family:
    """Where people come from.

    Attributes:
        name: as it was asked for.
        factory: ``factory(exercise, rng)``; the exercise is None when it is left to the family.
        known: exercises that it can be asked for; None: any.
    """

    name: str
    factory: Callable[[str | None, np.random.Generator], AnyLifter]
    known: tuple[str, ...] | None = None

    def draw(self, exercise_name: str | None, rng: np.random.Generator) -> AnyLifter:
        """One person.

        Args:
            exercise_name: what is lifted; None leaves it to the family.
            rng: source of every random number of this person.

        Raises:
            FamilyError: the family does not know the exercise, fails, or makes something that is no lifter.
        """
        if exercise_name is not None and self.known is not None and exercise_name not in self.known:
            raise FamilyError(
                f"exercise is {exercise_name!r}; allowed with lifters {self.name!r}: {', '.join(self.known)}"
            )
        try:
            drawn = self.factory(exercise_name, rng)
        except Exception as error:
            # Anybody's code may fail in any way; whoever asked for it is told where.
            raise FamilyError(f"lifters {self.name!r} could not be drawn: {type(error).__name__}: {error}") from error
        if not isinstance(drawn, LifterParameters):
            _check(self.name, drawn)
        return drawn


@dataclass(frozen=True, slots=True)
class DrawnPerson:
    """A person by the way to draw them, so that another process can: no lifter need be sent anywhere.

    Attributes:
        family: name or ``module:factory``.
        exercise: what is lifted; None leaves it to the family.
        seed: of the population.
        number: of the person.
    """

    family: str
    exercise: str | None
    seed: int
    number: int

    def drawn(self) -> AnyLifter:
        """The person; the same whenever it is asked for.

        Raises:
            FamilyError: the family cannot be used.
        """
        rng = np.random.default_rng(np.random.SeedSequence(self.seed, spawn_key=(self.number,)))
        return family(self.family).draw(self.exercise, rng)


def _draw_compiled(exercise_name: str | None, rng: np.random.Generator) -> LifterParameters:
    name = exercise_name or EXERCISES[int(rng.integers(len(EXERCISES)))]
    return on_day(draw_lifter(exercise(name), rng), rng)


def _check(name: str, drawn: Any) -> None:
    missing = [member for member in (*_MEMBERS, *_METHODS) if not hasattr(drawn, member)]
    if missing:
        raise FamilyError(
            f"lifters {name!r} made a {type(drawn).__name__} without {', '.join(missing)}; "
            "allowed: a lifter as docs/lifters.md describes"
        )
    for member, low, high in (("bottom_m", 0.02, 1.0), ("rom_m", 0.05, 1.5), ("moving_mass_kg", 0.2, 60.0)):
        value = getattr(drawn, member)
        if not isinstance(value, int | float) or not low <= value <= high:
            raise FamilyError(f"lifters {name!r}: {member} is {value!r}; allowed: {low:g} to {high:g}")


def family_names() -> tuple[str, ...]:
    """The compiled one, then every installed one by name."""
    return (COMPILED, *sorted({point.name for point in entry_points(group=ENTRY_POINT_GROUP)} - {COMPILED}))


@cache
def family(name: str) -> Family:
    """A family by its name, or by ``module:factory``.

    Args:
        name: of an installed family, or where a factory is found.

    Raises:
        FamilyError: neither is there, or it does not load.
    """
    if name == COMPILED:
        return Family(name, _draw_compiled, EXERCISES)
    points = {point.name: point for point in entry_points(group=ENTRY_POINT_GROUP)}
    try:
        factory = points[name].load() if name in points else _imported(name)
    except FamilyError:
        raise
    except Exception as error:
        # Anybody's code may fail in any way at import.
        raise FamilyError(f"lifters {name!r} do not load: {type(error).__name__}: {error}") from error
    if not callable(factory):
        raise FamilyError(f"lifters {name!r} are {type(factory).__name__}; allowed: a function of exercise and rng")
    return Family(name, factory)


def _imported(name: str) -> Any:
    module, colon, attribute = name.partition(":")
    if not colon:
        raise FamilyError(f"lifters are {name!r}; allowed: {', '.join(family_names())}, or module:factory of your own")
    return getattr(importlib.import_module(module), attribute)


def plant_for(person: AnyLifter, rig: RigParameters, rng: np.random.Generator, dt_s: float = 0.001) -> PlantBase:
    """A person at a rig.

    Args:
        person: of any family.
        rig: the rig.
        rng: source of every random number of the plant.
        dt_s: integration step, s.

    Raises:
        ValueError: a step too long for these parameters, or an impossible person.
    """
    if isinstance(person, LifterParameters):
        return Plant(rig, person, rng, dt_s)
    return PluggedPlant(rig, person, rng, dt_s)
