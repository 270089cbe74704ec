"""Sets of known truth to fit the stall classifier on: some hundred invented lifters, and some of every family.

Each set comes from its seed alone. Those of the families take long, so they can be kept in a folder.
"""

from __future__ import annotations

import pickle
from pathlib import Path
from typing import Final

import numpy as np

from campaigns.fits.invented_lifters import drawn_set
from ebbset.models.contract.prescription import StallSection
from ebbset.simulators.evaluation.ground_truth import BEHAVIOURS, RIG, TrueSet, set_of, true_set
from ebbset.simulators.lifter.lifter import LifterParameters
from ebbset.simulators.population.families import COMPILED, AnyLifter, family
from ebbset.simulators.population.strength_test import lift_once

SEEN_BY: Final = StallSection(rule="evidence")
"""The stall rule by which the figures of the estimates were fitted; they are told apart by version, so it stays."""
INVENTED_SEED: Final = 1
FAMILY_SEED: Final = 77
FIRST_N: Final = 300.0
STEP: Final = 1.6
HALVINGS: Final = 3


def rough_one_rm_n(person: AnyLifter) -> float:
    """Greatest load lifted once, N, to some 8 %: enough to choose a load, in a quarter of the time.

    Args:
        person: of any family.
    """

    def lifts(load_n: float) -> bool:
        return any(record.completed for record in lift_once(person, RIG, load_n, 12.0).truth.records)

    high = FIRST_N
    if lifts(high):
        while lifts(high):
            low, high = high, STEP * high
    else:
        while high > 20.0 and not lifts(high / STEP):
            high /= STEP
        low = high / STEP
    for _ in range(HALVINGS):
        middle = 0.5 * (low + high)
        low, high = (middle, high) if lifts(middle) else (low, middle)
    return low


def family_set(name: str, number: int, cache: Path | None = None) -> TrueSet:
    """One set of a family.

    Args:
        name: of the family.
        number: of the set.
        cache: folder that its sets are kept in.
    """
    if cache is None:
        return _family_set(name, number)
    kept = cache / f"{FAMILY_SEED}_{number}.pkl"
    if not kept.exists():
        cache.mkdir(parents=True, exist_ok=True)
        kept.write_bytes(pickle.dumps(_family_set(name, number)))
    item: TrueSet = pickle.loads(kept.read_bytes())  # our own file
    return item


def _family_set(name: str, number: int) -> TrueSet:
    rng = np.random.default_rng([FAMILY_SEED, number])
    if name == COMPILED:
        return true_set(rng, BEHAVIOURS[number % len(BEHAVIOURS)], None, name)
    person = family(name).draw(None, rng)
    if isinstance(person, LifterParameters):
        return true_set(np.random.default_rng([FAMILY_SEED, number]), "as_drawn", None, name)
    best_n = rough_one_rm_n(person)
    return set_of(person, "as_drawn", float(rng.uniform(0.6, 0.92)) * best_n, rng, name, best_n)


def invented_set(number: int) -> TrueSet:
    """One invented set.

    Args:
        number: of the set.
    """
    return drawn_set(np.random.default_rng([INVENTED_SEED, number]))
