"""Examples for the stall classifier: what its evidence was at every evaluation of a set, and whether the ascent failed.

Every ascent weighs about the same, however often it was evaluated, and less once everybody can see that it is over.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt

from ebbset.simulators.evaluation.attempt_looks import looks_of
from ebbset.simulators.evaluation.detector_runs import WHOLE_SHARE, TelemetryQuality
from ebbset.simulators.evaluation.ground_truth import TrueSet

FloatArray = npt.NDArray[np.float64]
FEWEST_LOOKS: Final = 8
MOST_LOOKS: Final = 9
OBVIOUS_AFTER_S: Final = 1.2
OBVIOUS_WEIGHT: Final = 0.3


@dataclass(frozen=True, slots=True)
class SeenAscent:
    """Evaluations of one ascent, or of a stretch without any.

    Attributes:
        stalled: it failed.
        t_s: shape (n,), from the end of motion of one that failed, seconds.
        evidence: shape (n, number of features).
    """

    stalled: bool
    t_s: FloatArray
    evidence: FloatArray


@dataclass(frozen=True, slots=True)
class SetExamples:
    """Everything that was evaluated in a set.

    Attributes:
        ascents: those that were evaluated at all.
        through: attempts of the set that came through.
    """

    ascents: tuple[SeenAscent, ...]
    through: int


def examples_of(item: TrueSet, telemetry: TelemetryQuality, seed: int) -> SetExamples:
    """All examples of a set.

    Args:
        item: set of known truth.
        telemetry: rate and noise of the samples.
        seed: of the noise.
    """
    ascents: list[SeenAscent] = []
    for looks in looks_of(item, telemetry, seed):
        seen = [k for k, vector in enumerate(looks.evidence) if vector is not None]
        if seen:
            evidence = np.array([looks.evidence[k] for k in seen], dtype=np.float64)
            ascents.append(SeenAscent(looks.stalled, looks.t_s[seen], evidence))
    through = sum(not a.stalled and a.end_share >= WHOLE_SHARE for a in item.attempts)
    return SetExamples(tuple(ascents), through)


@dataclass(frozen=True, slots=True)
class Table:
    """Examples of many sets, one row for each evaluation.

    Attributes:
        evidence: shape (n, number of features).
        failed: shape (n,), 1 for an ascent that failed.
        weight: shape (n,), mean 1.
    """

    evidence: FloatArray
    failed: FloatArray
    weight: FloatArray


def table_of(parts: Sequence[tuple[float, SetExamples]]) -> Table:
    """One table of examples, evenly spread over each ascent; more of them would say hardly more.

    Args:
        parts: (how much a set counts, its examples).
    """
    rows = list(_rows(parts))
    weight = np.concatenate([weight for _, _, weight in rows])
    return Table(
        np.concatenate([evidence for evidence, _, _ in rows]),
        np.concatenate([failed for _, failed, _ in rows]),
        weight / weight.mean(),
    )


def _rows(parts: Sequence[tuple[float, SetExamples]]) -> Iterator[tuple[FloatArray, FloatArray, FloatArray]]:
    for counts, examples in parts:
        for one in examples.ascents:
            n = min(len(one.t_s), MOST_LOOKS)
            chosen = np.linspace(0, len(one.t_s) - 1, n).astype(np.int64)
            late = one.stalled & (one.t_s[chosen] > OBVIOUS_AFTER_S)
            weight = np.where(late, OBVIOUS_WEIGHT, 1.0) * counts / max(n, FEWEST_LOOKS)
            yield one.evidence[chosen], np.full(n, float(one.stalled)), weight
