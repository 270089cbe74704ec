"""Several labellers of one set: one account of it, and how far they agree.

Each label is on its labeller's clock; here everything is brought to the recording's clock. Where labellers differ about
an outcome, the attempt counts as unclear; where they agree, its instants are the means of theirs.

Sources: Cohen 1960 (doi:10.1177/001316446002000104) for kappa; Bland & Altman 1986
(doi:10.1016/S0140-6736(86)90837-8) for the limits of agreement; both from memory.
"""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from itertools import combinations
from typing import Final

import numpy as np

from ebbset.models.contract.problems import BadDocumentError, Problem
from ebbset.simulators.evaluation.labelled.labels import AttemptOutcome, LabelledAttempt, LabelSource

LIMITS_Z: Final = 1.96
"""Limits of agreement hold 95 % of differences, as Bland and Altman define them."""


@dataclass(frozen=True, slots=True)
class AgreedAttempt:
    """One attempt by all its labellers, on the recording's clock; see `LabelledAttempt` for the fields."""

    start_s: float
    motion_ended_s: float | None
    end_s: float
    outcome: AttemptOutcome
    load_n: float
    reserve: float | None
    capacity_n: float | None


@dataclass(frozen=True, slots=True)
class LabelledSet:
    """One cable of one set, by all its labellers. ``one_rm_n`` is the 1RM of the day, where it was tested."""

    name: str
    person: str
    cable: int
    one_rm_n: float | None
    attempts: tuple[AgreedAttempt, ...]
    sources: frozenset[LabelSource]


@dataclass(frozen=True, slots=True)
class Agreement:
    """How far labellers agree, over all pairs of them that labelled the same attempt.

    Attributes:
        pairs: attempts that two labelled, once for each pair.
        same_outcome: share with the same outcome.
        kappa: Cohen's, over outcomes; NaN where everybody saw only one kind.
        instants: pairs that both call failed.
        mean_difference_s: mean difference in when motion ended.
        sd_difference_s: its standard deviation.
    """

    pairs: int
    same_outcome: float
    kappa: float
    instants: int
    mean_difference_s: float
    sd_difference_s: float

    @property
    def limits_s(self) -> tuple[float, float]:
        """Between which 95 % of differences in when motion ended lie."""
        half = LIMITS_Z * self.sd_difference_s
        return self.mean_difference_s - half, self.mean_difference_s + half


def agreed_sets(rows: Iterable[LabelledAttempt], *, name: str = "labels") -> tuple[LabelledSet, ...]:
    """One account of each cable of each set, in the order in which sets first appear.

    Args:
        rows: of a table that was read.
        name: what to call the table in errors.

    Raises:
        BadDocumentError: labellers of a set have not labelled the same attempts.
    """
    out = []
    for (set_name, cable), by_labeller in _by_set(rows).items():
        names, lists = list(by_labeller), list(by_labeller.values())
        for other, mine in zip(names[1:], lists[1:], strict=True):
            if len(mine) != len(lists[0]):
                allowed = f"{len(lists[0])}, as many as {names[0]} labelled in it"
                field = f"set {set_name!r}: attempts of {other}"
                raise BadDocumentError(name, [Problem(field, str(len(mine)), allowed, "rows")])
        first = lists[0][0]
        attempts = tuple(_agreed(each) for each in zip(*lists, strict=True))
        sources = frozenset(row.source for mine in lists for row in mine)
        out.append(LabelledSet(set_name, first.person, cable, first.one_rm_n, attempts, sources))
    return tuple(out)


def agreement(rows: Iterable[LabelledAttempt]) -> Agreement | None:
    """How far the labellers of a table agree; None where nothing was labelled by two.

    Args:
        rows: of a table from which `agreed_sets` can be made.
    """
    outcomes: list[tuple[AttemptOutcome, AttemptOutcome]] = []
    differences: list[float] = []
    for by_labeller in _by_set(rows).values():
        # In the order of their names, so that a difference has the same sign in every set.
        for one, other in combinations(sorted(by_labeller), 2):
            for a, b in zip(by_labeller[one], by_labeller[other], strict=True):
                outcomes.append((a.outcome, b.outcome))
                if a.motion_ended_s is not None and b.motion_ended_s is not None:
                    differences.append(a.motion_ended_s + a.clock_offset_s - b.motion_ended_s - b.clock_offset_s)
    if not outcomes:
        return None
    same = sum(a is b for a, b in outcomes) / len(outcomes)
    return Agreement(
        pairs=len(outcomes),
        same_outcome=same,
        kappa=_kappa(outcomes, same),
        instants=len(differences),
        mean_difference_s=float(np.mean(differences)) if differences else math.nan,
        sd_difference_s=float(np.std(differences, ddof=1)) if len(differences) > 1 else math.nan,
    )


def _by_set(rows: Iterable[LabelledAttempt]) -> dict[tuple[str, int], dict[str, list[LabelledAttempt]]]:
    found: dict[tuple[str, int], dict[str, list[LabelledAttempt]]] = defaultdict(lambda: defaultdict(list))
    for row in rows:
        found[row.set, row.cable][row.labeller].append(row)
    return found


def _agreed(each: Sequence[LabelledAttempt]) -> AgreedAttempt:
    outcome = each[0].outcome if len({row.outcome for row in each}) == 1 else AttemptOutcome.UNCLEAR
    said = [row.reserve for row in each if row.reserve is not None]
    measured = [row.capacity_n for row in each if row.capacity_n is not None]
    ended = [row.motion_ended_s + row.clock_offset_s for row in each if row.motion_ended_s is not None]
    return AgreedAttempt(
        start_s=float(np.mean([row.start_s + row.clock_offset_s for row in each])),
        motion_ended_s=float(np.mean(ended)) if outcome is AttemptOutcome.FAILED else None,
        end_s=float(np.mean([row.end_s + row.clock_offset_s for row in each])),
        outcome=outcome,
        load_n=float(np.mean([row.load_n for row in each])),
        reserve=float(np.mean(said)) if said else None,
        capacity_n=float(np.mean(measured)) if measured else None,
    )


def _kappa(outcomes: Sequence[tuple[AttemptOutcome, AttemptOutcome]], same: float) -> float:
    n = len(outcomes)
    chance = sum(
        sum(a is kind for a, _ in outcomes) * sum(b is kind for _, b in outcomes) / (n * n) for kind in AttemptOutcome
    )
    return math.nan if chance >= 1.0 else (same - chance) / (1.0 - chance)
