"""The report over families of lifters: tables, targets, and a page of plots.

Everything is simulated; nothing here was measured on people.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

import numpy as np

from ebbset.simulators.closed_loop.parallel import Mapper
from ebbset.simulators.evaluation.by_family import COVERED, LONG, SHORT, FamilyResult, judged
from ebbset.simulators.evaluation.evaluate import Progress, unseen_seeds
from ebbset.simulators.evaluation.report_parts import EvaluationTarget, at_least, at_most, within
from ebbset.simulators.evaluation.stall_rules import LEFT_OUT, PLAIN
from ebbset.simulators.population.families import family_names

MOST_FALSE: Final = 0.02
LEAST_CALLED: Final = 0.92
SLOWEST_TENTH_S: Final = 0.9
LEAST_STEPS: Final = 0.7
MOST_EMPTY_STEPS: Final = 0.05
LEAST_BUDGETS: Final = 0.75
COVERAGE: Final = (0.7, 0.9)


@dataclass(frozen=True, slots=True)
class FamilyReport:
    """Every family by itself.

    Attributes:
        seeds: that people and sets were drawn from.
        results: one for each family.
    """

    seeds: tuple[int, ...]
    results: tuple[FamilyResult, ...]

    @property
    def sets(self) -> int:
        """Sets of known truth, over all families."""
        return round(sum(one.estimates["no profile"]["sets"] for one in self.results))

    @property
    def people(self) -> int:
        """People in closed-loop sets, over all families."""
        return round(sum(one.steps["sets"] for one in self.results))

    @property
    def targets(self) -> list[EvaluationTarget]:
        """What is asked of each family; nothing is rounded in our favour."""
        return [target for one in self.results for target in targets_of(one)]

    def tables(self) -> list[tuple[str, list[dict[str, Any]]]]:
        """Titled tables of plain values, in the order to print them."""
        return [
            ("Targets, for each family", [target.row() for target in self.targets]),
            ("By family of lifters", [one.row() for one in self.results]),
            ("Stall rules by family, left out and as shipped", [row for one in self.results for row in one.rules.rows]),
            ("How long stalls last", [_lasting(one) for one in self.results]),
            ("Stalls missed at a rate of false drops", [row for one in self.results for row in one.rules.frontier()]),
            ("Coverage by figures fitted without the family", [one.left_out_row() for one in self.results]),
        ]

    def plain(self) -> dict[str, Any]:
        """The tables and where they come from, for `as_json`."""
        return {"seeds": self.seeds, "simulated": True, "tables": dict(self.tables())}


def _lasting(result: FamilyResult) -> dict[str, Any]:
    """How many stalls anybody could call in the attempt who needs so long to see them."""
    return {"family": result.family, **{f"over_{s:g}_s": share for s, share in result.rules.lasting.items()}}


def targets_of(result: FamilyResult) -> list[EvaluationTarget]:
    """What is asked of a family; intervals are judged by figures that never saw it.

    Args:
        result: what was measured on it.
    """
    row, name = result.row(), result.family
    unseen = result.unseen["no profile"]
    return [
        at_most(f"{name}: false drops per completed repetition", row["false_drops_each"], MOST_FALSE),
        at_least(f"{name}: stalls called in the attempt", row["called_in_the_attempt"], LEAST_CALLED),
        at_most(f"{name}: slowest tenth, s", row["slowest_tenth_s"], SLOWEST_TENTH_S),
        at_least(f"{name}: settings of the dwell beaten", row["settings_of_dwell_beaten"], 1.0),
        at_least(f"{name}: steps within 1 repetition", row["steps_within_1"], LEAST_STEPS),
        at_most(f"{name}: steps without any", row["steps_without_any"], MOST_EMPTY_STEPS),
        *(within(f"{name}: {key.replace('_', ' ')}", unseen[key], *COVERAGE) for key in COVERED),
        at_least(f"{name}: budgets ended within 1 repetition", row["budgets_ended_within_1"], LEAST_BUDGETS),
        at_most(f"{name}: floor or invariant broken", row["invariants_broken"], 0.0),
    ]


def run(
    families: Sequence[str] = (),
    *,
    short: bool = False,
    seed: int | Path | None = None,
    mapper: Mapper = map,
    progress: Progress | None = None,
) -> FamilyReport:
    """Judge families of lifters.

    Args:
        families: names or ``module:factory``; every installed one when empty.
        short: a few sets, for the suite.
        seed: one seed, or a file of them; the package's unseen seeds when None. The first is used.
        mapper: `map`, or a parallel version that keeps the order.
        progress: called with what is being done.

    Raises:
        SeedsError: the file of seeds cannot be used.
        FamilyError: a family cannot be used.
    """
    say = progress or (lambda _: None)
    first = seed if isinstance(seed, int) else unseen_seeds(seed)[0]
    results: list[FamilyResult] = []
    for name in families or family_names():
        say(f"family {name}")
        results.append(judged(name, first, SHORT if short else LONG, mapper))
    return FamilyReport((first,), tuple(results))


def plot(report: FamilyReport, path: Path) -> None:
    """One page: operating curves of each family, latency and coverage of the intervals by family.

    Args:
        report: the report.
        path: file to write.
    """
    import matplotlib

    matplotlib.use("Agg")
    import matplotlib.pyplot as plt

    columns = max(len(report.results), 3)
    figure, axes = plt.subplots(2, columns, figsize=(4.0 * columns, 8.0), constrained_layout=True, squeeze=False)
    for k, one in enumerate(report.results):
        curve: Any = axes[0][k]
        for (name, points), mark in zip(one.rules.curves.items(), ("o", "+", "x"), strict=True):
            curve.plot([p.false_rate for p in points], [p.missed_part for p in points], mark, label=name, alpha=0.5)
        curve.axvline(MOST_FALSE, color="grey", linewidth=0.8)
        curve.axhline(1.0 - LEAST_CALLED, color="grey", linewidth=0.8)
        curve.set(xlim=(0, 0.12), ylim=(0, 1), title=one.family)
        curve.set(xlabel="false drops per completed repetition", ylabel="stalls missed in the attempt")
        curve.legend(fontsize="small")
    for unused in axes[0][len(report.results) :]:
        unused.axis("off")
    for (title, rule), latency in zip((("ours, left out", LEFT_OUT), ("dwell, 0.8 s", PLAIN)), axes[1], strict=False):
        for one in report.results:
            values = np.sort(np.array(one.rules.latencies_s[rule]))
            if len(values):
                latency.step(values, np.arange(1, len(values) + 1) / len(values), where="post", label=one.family)
        latency.axvline(SLOWEST_TENTH_S, color="grey", linewidth=0.8)
        latency.axhline(LEAST_CALLED, color="grey", linewidth=0.8)
        latency.set(xlim=(-0.5, 2.5), ylim=(0, 1), xlabel="s after motion ended for good", title=title)
        latency.set(ylabel="stalls called by then")
        latency.legend(fontsize="small")
    cover: Any = axes[1][2]
    for k, one in enumerate(report.results):
        row = one.row()
        cover.plot([row[key] for key in COVERED], np.arange(len(COVERED)) + 0.08 * k, "o", label=one.family)
    cover.axvspan(*COVERAGE, alpha=0.2)
    labels = [key.removesuffix("_in_80").replace("_", " ") for key in COVERED]
    cover.set(xlim=(0, 1), yticks=range(len(COVERED)), yticklabels=labels, title="truth inside the 80 % interval")
    for unused in axes[1][3:]:
        unused.axis("off")
    figure.suptitle("Simulated lifters of several structures; nothing here was measured on people")
    figure.savefig(path)
    plt.close(figure)
