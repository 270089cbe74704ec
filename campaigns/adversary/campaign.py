"""The campaign: sets of every family, spread over processes, summed up in one table.

What lives here: numbering the sets, driving them, adding up. What never does: families, judging, printing.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field
from functools import lru_cache
from typing import Any, Final

import numpy as np

from campaigns.adversary.bench_press import PARTS, bench_press_set
from campaigns.adversary.families import FAMILIES
from campaigns.adversary.judge import Judgement
from campaigns.adversary.lifter import ScriptedLifter
from campaigns.adversary.rig import AdversaryRig, Controller, ControllerFactory
from ebbset.controller.policies.policy import PolicyFactory
from ebbset.controller.regulation.set_controller import SetController
from ebbset.controller.service.policy_registry import load_policies
from ebbset.simulators.closed_loop.parallel import parallel_map

BENCH_PRESS: Final = "bench_press"
NAMES: Final = (*FAMILIES, BENCH_PRESS)


@lru_cache(maxsize=1)
def _policies() -> dict[str, PolicyFactory]:
    return load_policies()


def real_controller(lifter: ScriptedLifter) -> Controller:
    """The controller under test; it is told nothing about the lifter."""
    del lifter
    return SetController(_policies())


@dataclass(frozen=True, slots=True, kw_only=True)
class Item:
    """One set to drive: number ``index`` of a family under a seed. The same three give the same set."""

    family: str
    index: int
    seed: int


@dataclass(slots=True, kw_only=True)
class Row:
    """One set that was driven, what was special about it, and the judgement."""

    family: str
    index: int
    variant: str
    verdict: Judgement


def items(sets: int, seed: int, family: str | None = None) -> list[Item]:
    """That many sets, spread evenly over the families, which take turns; at least one of each.

    Args:
        sets: in all.
        seed: of all of them.
        family: only this one.
    """
    names = NAMES if family is None else (family,)
    each = max(1, sets // len(names))
    return [Item(family=name, index=index, seed=seed) for index in range(each) for name in names]


def drive(
    item: Item, factory: ControllerFactory = real_controller, trace: Callable[[str], object] | None = None
) -> Row:
    """Drive one set.

    Args:
        item: which.
        factory: makes the controller; the bench press always runs the real one.
        trace: called with a line for each decision.
    """
    source = np.random.SeedSequence(item.seed, spawn_key=(NAMES.index(item.family), item.index))
    if item.family == BENCH_PRESS:
        part = PARTS[item.index % len(PARTS)]
        verdict, lines = bench_press_set(part, source)
        if trace is not None:
            for line in lines:
                trace(line)
        return Row(family=item.family, index=item.index, variant=f"{100 * part:.0f} % of 1RM", verdict=verdict)
    drawn, noise = source.spawn(2)
    case = FAMILIES[item.family](np.random.default_rng(drawn))
    verdict = AdversaryRig(case, factory, np.random.default_rng(noise), trace).run()
    return Row(family=item.family, index=item.index, variant=case.variant, verdict=verdict)


def run(chosen: Sequence[Item], *, workers: int = 1, progress: Callable[[int], None] | None = None) -> Iterator[Row]:
    """Drive many sets; the rows come in the order of the items, whatever the number of workers.

    Args:
        chosen: which sets.
        workers: processes.
        progress: called with the number done.
    """
    for done, row in enumerate(parallel_map(drive, chosen, workers=workers), start=1):
        if progress is not None:
            progress(done)
        yield row


@dataclass(slots=True, kw_only=True)
class Totals:
    """Figures over sets. Times in seconds from the end of motion to the drop.

    Attributes:
        sets: driven.
        healthy: sets in which nobody was meant to fail.
        healthy_wrong: of those, with a miscount, a false drop or a wrong ending.
        failures: attempts that stopped.
        unseen: of those, not reported before the next ascent.
        never_seen: sets with failures, none of which was seen.
        false_drops: in all sets.
        wrong_counts: sets.
        wrong_ends: sets.
        seen_after_s: of every failure that was seen.
        first_after_s: of the first failure of each set that was seen.
        first_unseen: sets whose first failure was not seen.
        reasons: how the sets ended.
        causes: of everything that went wrong.
        breaches: broken invariants.
    """

    sets: int = 0
    healthy: int = 0
    healthy_wrong: int = 0
    failures: int = 0
    unseen: int = 0
    never_seen: int = 0
    false_drops: int = 0
    wrong_counts: int = 0
    wrong_ends: int = 0
    seen_after_s: list[float] = field(default_factory=list)
    first_after_s: list[float] = field(default_factory=list)
    first_unseen: int = 0
    reasons: Counter[str] = field(default_factory=Counter)
    causes: Counter[str] = field(default_factory=Counter)
    breaches: list[str] = field(default_factory=list)

    def add(self, row: Row) -> None:
        """One more set."""
        verdict = row.verdict
        self.sets += 1
        self.healthy += verdict.healthy
        self.healthy_wrong += verdict.healthy and verdict.wrong
        self.failures += verdict.failures
        self.unseen += verdict.unseen
        self.never_seen += verdict.never
        self.false_drops += len(verdict.false_drops)
        self.wrong_counts += verdict.wrong_count
        self.wrong_ends += verdict.wrong_end
        self.seen_after_s += verdict.seen_after_s
        if verdict.first_after_s is not None:
            self.first_after_s.append(verdict.first_after_s)
        elif verdict.failures:
            self.first_unseen += 1
        self.reasons[verdict.reason] += 1
        self.causes.update(f"missed: {cause}" for cause in verdict.misses)
        self.causes.update(f"false drop: {cause}" for cause in verdict.false_drops)
        if verdict.wrong_count:
            self.causes[f"count {_direction(verdict)}: {row.variant}"] += 1
        if verdict.wrong_end:
            self.causes[f"ended by {verdict.reason}: {row.variant}"] += 1
        self.breaches += [f"{row.family} {row.index}: {breach}" for breach in verdict.breaches]

    def seen_s(self, quantile: float) -> float | None:
        """This quantile of the times to the drop, seconds; ``None`` when no failure was seen."""
        return float(np.quantile(self.seen_after_s, quantile)) if self.seen_after_s else None

    def as_json(self) -> dict[str, Any]:
        """Everything, as plain values."""
        return {
            "sets": self.sets,
            "healthy": self.healthy,
            "healthy_wrong": self.healthy_wrong,
            "failures": self.failures,
            "unseen": self.unseen,
            "never_seen": self.never_seen,
            "false_drops": self.false_drops,
            "wrong_counts": self.wrong_counts,
            "wrong_ends": self.wrong_ends,
            "seen_after_median_s": self.seen_s(0.5),
            "seen_after_slowest_tenth_s": self.seen_s(0.9),
            "seen_after_worst_s": self.seen_s(1.0),
            "first_seen_after_worst_s": max(self.first_after_s, default=None),
            "first_unseen": self.first_unseen,
            "reasons": dict(self.reasons.most_common()),
            "causes": dict(self.causes.most_common()),
            "breaches": self.breaches,
        }


def _direction(verdict: Judgement) -> str:
    if verdict.counted is None:
        return "missing"
    return "too low" if verdict.counted < verdict.completed else "too high"


def by_load(rows: Sequence[Row]) -> dict[str, Totals]:
    """Figures of the bench press at each load."""
    found: dict[str, Totals] = {}
    for row in rows:
        if row.family == BENCH_PRESS:
            found.setdefault(row.variant, Totals()).add(row)
    return dict(sorted(found.items(), key=lambda pair: int(pair[0].split()[0])))


def total(rows: Sequence[Row]) -> dict[str, Totals]:
    """Figures of each family, and of all under "all"."""
    names = [name for name in NAMES if any(row.family == name for row in rows)]
    found = {name: Totals() for name in (*names, "all")}
    for row in rows:
        found[row.family].add(row)
        found["all"].add(row)
    return found
