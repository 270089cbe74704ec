"""Sets of every family of lifters, as a controller saw them, for the fit of how far estimates are trusted."""

from __future__ import annotations

import pickle
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Final

import numpy as np

from campaigns.fits.fitting_sets import SEEN_BY
from ebbset.models.contract.profile import LifterProfile
from ebbset.simulators.closed_loop.parallel import Mapper
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


def example(job: tuple[str, int]) -> Example:
    """Draw one set of the tuning seed.

    Args:
        job: family of lifters, and number of the set.
    """
    family, number = job
    item = set_of(family, SEED, number)
    known = len(item.tested_m_s) >= 2
    profile = profile_written(item, np.random.default_rng([number, 11])) if known else None
    seen = tuple(what_was_seen(item, number, SEEN_BY))
    return Example(family, item.exercise, item.one_rm_n, item.tested_m_s, profile, seen)


def examples(jobs: Sequence[tuple[str, int]], kept: Path | None, mapper: Mapper) -> list[Example]:
    """Draw sets of the tuning seed, or take them from where they are kept.

    Args:
        jobs: family of lifters and number of each set.
        kept: folder; None: nothing is kept.
        mapper: `map`, or a parallel version that keeps the order.
    """
    if kept is None:
        return list(mapper(example, jobs))
    files = {job: kept / f"{job[0]}-{SEED}-{job[1]}.pickle" for job in jobs}
    missing = [job for job, path in files.items() if not path.exists()]
    for job, made in zip(missing, mapper(example, missing), strict=True):
        files[job].write_bytes(pickle.dumps(made))
    return [pickle.loads(path.read_bytes()) for path in files.values()]
