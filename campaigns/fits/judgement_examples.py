"""Sets of every family of lifters, as a controller saw them, for the fit of how far estimates are trusted."""

from __future__ import annotations

import pickle
from dataclasses import dataclass
from pathlib import Path
from typing import Final

import numpy as np

from ebbset.models.contract.profile import LifterProfile
from ebbset.simulators.evaluation.by_family import set_of
from ebbset.simulators.evaluation.estimates import Seen, profile_written, what_was_seen

SEED: Final = 7


@dataclass(frozen=True, slots=True)
class Example:
    """One set: what a controller saw of it, and the truth that a comparison needs.

    Attributes:
        family: of lifters.
        exercise: what was lifted.
        one_rm_n: fresh 1RM.
        tested_m_s: (load over 1RM, mean velocity) of fresh attempts.
        profile: what a test would have written; None where too few attempts came through.
        seen: oldest first.
    """

    family: str
    exercise: str
    one_rm_n: float
    tested_m_s: tuple[tuple[float, float], ...]
    profile: LifterProfile | None
    seen: tuple[Seen, ...]


def example(family: str, number: int, kept: Path | None = None) -> Example:
    """Draw one set of the tuning seed, or take it from where it is kept.

    Args:
        family: of lifters.
        number: of the set.
        kept: folder; None: nothing is kept.
    """
    path = None if kept is None else kept / f"{family}-{SEED}-{number}.pickle"
    if path is not None and path.exists():
        found: Example = pickle.loads(path.read_bytes())
        return found
    item = set_of(family, SEED, number)
    known = len(item.tested_m_s) >= 2
    profile = profile_written(item, np.random.default_rng([number, 11])) if known else None
    made = Example(family, item.exercise, item.one_rm_n, item.tested_m_s, profile, tuple(what_was_seen(item, number)))
    if path is not None:
        path.write_bytes(pickle.dumps(made))
    return made
