"""Who lifts in an episode: a person by family and number, and what they can lift once."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import Final

import numpy as np

from ebbset.models.contract.prescription import Prescription
from ebbset.simulators.plant.rig_parameters import strong_rig
from ebbset.simulators.population.families import AnyLifter, DrawnPerson, family
from ebbset.simulators.population.strength_test import one_rm_n

STRONG_RIG: Final = strong_rig(5_000.0)
"""Strong enough for anybody, with one cable."""


@dataclass(frozen=True, slots=True)
class Case:
    """One episode before it begins: with the prescription it fixes every bit of it.

    Attributes:
        family: name of the lifter's family, or ``module:factory``.
        person: number of the lifter.
        set_seed: seed of everything that happens in the set.
    """

    family: str
    person: int
    set_seed: int


@lru_cache(maxsize=4_096)
def _strength(person: DrawnPerson) -> tuple[AnyLifter, float]:
    """A person and their 1RM, which takes as long to find as a set takes to run."""
    lifter = person.drawn()
    return lifter, one_rm_n(lifter, STRONG_RIG)


def lifter_of(case: Case, exercise: str, population_seed: int) -> tuple[AnyLifter, float]:
    """The lifter of a case, and their fresh 1RM in N per cable.

    Args:
        case: the episode.
        exercise: what is lifted.
        population_seed: of all lifters.

    Raises:
        FamilyError: the family cannot be used.
    """
    return _strength(DrawnPerson(case.family, exercise, population_seed, case.person))


def checked_families(families: Sequence[str], prescription: Prescription) -> tuple[str, ...]:
    """The families, each of which loads and draws somebody for this exercise.

    Args:
        families: names, or ``module:factory``.
        prescription: names the exercise.

    Raises:
        FamilyError: a family cannot be used.
        ValueError: there is none.
    """
    if not families or isinstance(families, str):
        raise ValueError(f"families is {families!r}; allowed: a sequence of one or more names")
    for name in families:
        family(name).draw(prescription.exercise, np.random.default_rng(0))
    return tuple(families)
