"""The evaluation: how near the detector, the sizing, the estimates and the budget come to the best possible.

Chooses the sets and processes, holds the targets, and makes the report and its plot; the measurements
themselves are in `stalls`, `estimates` and `sizing`.

Everything is simulated; nothing here was measured on people. Unseen seeds stand in ``data/unseen_seeds.json``.
"""

from __future__ import annotations

import json
import math
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field
from importlib import resources
from pathlib import Path
from typing import Any, Final

import numpy as np

from ebbset.simulators.closed_loop.parallel import Mapper
from ebbset.simulators.evaluation.detector_runs import RATES, without_samples
from ebbset.simulators.evaluation.estimates import TO_FAILURE, Seen, errors_by_knowledge, what_was_seen
from ebbset.simulators.evaluation.ground_truth import OWN_BEHAVIOURS, Behaviour, TrueSet, true_set
from ebbset.simulators.evaluation.operating_curves import MOST_FALSE, THRESHOLD, Point, best
from ebbset.simulators.evaluation.report_parts import EvaluationTarget, at_least, at_most, within
from ebbset.simulators.evaluation.sizing import ClosedLoopFigures, evaluate_closed_loop
from ebbset.simulators.evaluation.stalls import HABITS, DetectorResult, SetRuns, detector_result, runs_of

Progress = Callable[[str], None]
LONG: Final = {"sets": 450, "people": 150}
SHORT: Final = {"sets": 40, "people": 10}
LEFT_OUT_OF_SHORT: Final = frozenset({"1000 Hz", "200 Hz", "50 Hz"})
"""Sample rates between or beyond those that the suite looks at; each costs as much as its samples."""


class SeedsError(ValueError):
    """The file of seeds cannot be used; says which field and what is allowed."""


@dataclass(slots=True)
class EvaluationReport:
    """Everything that was measured; `rows` prints it, `to_json` keeps it."""

    seeds: tuple[int, ...]
    sets: int
    people: int
    detector: DetectorResult
    summaries_only: dict[str, float]
    estimates: dict[str, dict[str, float]]
    closed_loop: ClosedLoopFigures
    targets: list[EvaluationTarget] = field(default_factory=list)

    def tables(self) -> list[tuple[str, list[dict[str, Any]]]]:
        """Titled tables of plain values, in the order to print them."""
        threshold, ours = best(self.detector.curves[THRESHOLD]), best(self.detector.curves[HABITS])
        curve = [_curve_row("best threshold with dwell", threshold), _curve_row(HABITS, ours)]
        curve.append({"rule": "observer with perfect knowledge", "setting": "", "false_rate": 0.0, "latency_s": 0.0})
        errors = self.detector.grind_error_s
        more = {
            "release_seen_within_100_ms": float(np.mean(self.detector.release_latency_s <= 0.1))
            if len(self.detector.release_latency_s)
            else math.nan,
            "releases": float(len(self.detector.release_latency_s)),
            "false_releases": float(self.detector.false_releases),
            "grinding_time_within_20_ms": float(np.mean(np.abs(errors) <= 0.02)) if len(errors) else math.nan,
            "grinding_time_median_error_s": float(np.median(errors)) if len(errors) else math.nan,
            "stalls_with_grinding": float(len(errors)),
        }
        telemetry = {**self.detector.telemetry, "summaries only": self.summaries_only}
        return [
            ("Targets", [t.row() for t in self.targets]),
            ("Operating points at no more than 1 % false drops", curve),
            ("Detector by behaviour and exercise, as shipped", _named(self.detector.kinds)),
            ("Detector by telemetry, as shipped", _named(telemetry)),
            ("Release and grinding", [more]),
            ("Estimates", _named(self.estimates)),
            ("Repetitions per step", _named(self.closed_loop.sizing)),
            ("Fatigue budget", _named(self.closed_loop.budget)),
            ("Steps and budgets by exercise", _named(self.closed_loop.by_exercise)),
        ]

    def plain(self) -> dict[str, Any]:
        """The tables and where they come from, for `as_json`."""
        body = {"seeds": self.seeds, "sets": self.sets, "people": self.people, "simulated": True}
        return {**body, "tables": dict(self.tables())}


def unseen_seeds(path: Path | None = None) -> tuple[int, ...]:
    """Seeds that tuning never saw, from the package's file or another.

    Raises:
        SeedsError: not JSON, no list of whole numbers under "unseen", or one that tuning used.
    """
    try:
        if path is not None:
            text = path.read_text(encoding="utf-8")
        else:
            text = (
                resources.files("ebbset.simulators.evaluation")
                .joinpath("data/unseen_seeds.json")
                .read_text(encoding="utf-8")
            )
        document = json.loads(text)
    except (OSError, json.JSONDecodeError) as error:
        raise SeedsError(f"seeds file {path}: {error}; allowed: a readable JSON file") from error
    seeds = document.get("unseen") if isinstance(document, dict) else None
    good = isinstance(seeds, list) and seeds and all(isinstance(s, int) and not isinstance(s, bool) for s in seeds)
    if not good or not isinstance(seeds, list):
        raise SeedsError(f"unseen is {seeds!r}; allowed: a list of at least one whole number")
    tuned = set(document.get("tuning", [])) & set(seeds)
    if tuned:
        raise SeedsError(f"unseen holds {sorted(tuned)}, which tuning used; allowed: seeds that are not under tuning")
    return tuple(seeds)


def run(
    *, short: bool = False, seed: int | Path | None = None, mapper: Mapper = map, progress: Progress | None = None
) -> EvaluationReport:
    """Run the evaluation.

    Args:
        short: a few sets, for the suite.
        seed: one seed, or a file of them; the package's unseen seeds when None.
        mapper: `map`, or a parallel version that keeps the order.
        progress: called with what is being done.

    Raises:
        SeedsError: the file of seeds cannot be used.
    """
    say = progress or (lambda _: None)
    seeds = (seed,) if isinstance(seed, int) else unseen_seeds(seed)
    size = SHORT if short else LONG
    if short:
        seeds = seeds[:1]
    per_seed = size["sets"] // len(seeds)
    say("sets of known truth, detector and estimates")
    left_out = LEFT_OUT_OF_SHORT if short else frozenset[str]()
    sets = list(mapper(set_job, set_jobs(seeds, per_seed, left_out)))
    items = [one.item for one in sets]
    detector = detector_result(items, [one.runs for one in sets])
    maximal = [(one.item, one.seen) for one in sets if one.seen is not None]
    estimates = errors_by_knowledge(
        [item for item, _ in maximal], [seen for _, seen in maximal], ("no profile", "profile", "stale profile")
    )
    say("drops sized and budgets kept in the closed loop")
    closed_loop = evaluate_closed_loop(seeds[0], size["people"], mapper)
    report = EvaluationReport(
        seeds, len(items), size["people"], detector, summaries_only(items), estimates, closed_loop
    )
    report.targets = targets(report)
    return report


def summaries_only(items: Iterable[TrueSet]) -> dict[str, float]:
    """A rig that segments itself tells of a failure when the ascent is over; its summary is what there is."""
    stalls = [a for item in items for a in item.attempts if a.stalled and not a.continued]
    latency = np.array([a.failed_s - a.motion_ended_s for a in stalls])
    return {
        "stalls": float(len(stalls)),
        "median_latency_s": float(np.median(latency)) if len(latency) else math.nan,
        "within_150_ms": float(np.mean(latency <= 0.15)) if len(latency) else math.nan,
        "foreseen": 0.0,
    }


def targets(report: EvaluationReport) -> list[EvaluationTarget]:
    """The targets and whether they are met; nothing is rounded in our favour."""
    threshold, ours = best(report.detector.curves[THRESHOLD]), best(report.detector.curves[HABITS])
    ours_s = ours.median_latency_s if ours else math.inf
    threshold_s = threshold.median_latency_s if threshold else math.inf
    shipped = report.detector.kinds["all"]
    plain, known = report.estimates["no profile"], report.estimates["profile"]
    out = [
        EvaluationTarget(
            "false drops, as shipped", "at most 0.01", shipped["false_rate"], shipped["false_rate"] <= MOST_FALSE
        ),
        EvaluationTarget("median latency at 1 % false drops", "at most 0.15 s", ours_s, ours_s <= 0.15),
        EvaluationTarget(
            "… over the threshold rule's",
            "at most 0.5",
            0.0 if math.isinf(threshold_s) else ours_s / threshold_s,
            ours_s <= 0.5 * threshold_s,
        ),
    ]
    for name, row, limit in (("no profile", plain, 0.05), ("profile", known, 0.05)):
        out.append(at_most(f"1RM of the day, {name}: median error", row["one_rm_median_error"], limit))
        out.append(at_most(f"repetitions in reserve, {name}: mean error", row["reserve_mean_error"], 1.0))
        for key in ("one_rm_in_80", "capacity_in_80", "reserve_in_80"):
            out.append(within(f"80 % interval, {name}: {key}", row[key], 0.75, 0.85))
    for name in ("2 repetitions wanted", "3 repetitions wanted", "4 repetitions wanted"):
        value = report.closed_loop.sizing[name]["within_1"]
        out.append(at_least(f"{name}: within ±1", value, 0.8))
    broken = sum(row["floor_broken"] + row["violations"] for row in report.closed_loop.sizing.values())
    out.append(EvaluationTarget("floor or invariant broken", "0", broken, broken == 0.0))
    for name, row in report.closed_loop.budget.items():
        out.append(at_most(f"budget, {name}: median error", row["median_error"], 0.03))
        value = row["within_1_repetition"]
        out.append(at_least(f"budget, {name}: ends within 1 repetition", value, 0.9))
    return out


def plot(report: EvaluationReport, path: Path) -> None:
    """One page: operating curves, latency by behaviour, repetitions per step, coverage of the intervals.

    Args:
        report: the report.
        path: file to write.
    """
    import matplotlib

    matplotlib.use("Agg")
    import matplotlib.pyplot as plt

    figure, axes = plt.subplots(2, 2, figsize=(11, 8), constrained_layout=True)
    curve: Any = axes[0][0]
    for name, mark in ((THRESHOLD, "x"), (HABITS, "o")):
        points = [p for p in report.detector.curves[name] if p.false_rate > 0.0]
        curve.plot([p.false_rate for p in points], [1.0 - p.late_part for p in points], mark, label=name, alpha=0.6)
    curve.axvline(MOST_FALSE, color="grey", linewidth=0.8)
    curve.plot([1e-4], [1.0], "*", label="perfect knowledge", color="black")
    curve.set(xscale="log", xlabel="false drops per repetition that came through", ylabel="stalls called within 150 ms")
    curve.legend(loc="center left")
    kinds = {k: v for k, v in report.detector.kinds.items() if "foreseen" in v}
    bars: Any = axes[0][1]
    bars.barh(list(kinds), [row["within_150_ms"] for row in kinds.values()], label="within 150 ms")
    bars.barh(list(kinds), [row["foreseen"] for row in kinds.values()], label="foreseen", height=0.4)
    bars.set(xlim=(0, 1.45), title="stalls, by kind of set")
    bars.legend(loc="center right")
    steps: Any = axes[1][0]
    steps.barh(list(report.closed_loop.sizing), [row["within_1"] for row in report.closed_loop.sizing.values()])
    steps.axvline(0.8, color="grey", linewidth=0.8)
    steps.set(xlim=(0, 1), title="steps within ±1 repetition of the wish")
    cover: Any = axes[1][1]
    keys = ("one_rm_in_80", "capacity_in_80", "budget_in_80", "reserve_in_80")
    for k, (name, row) in enumerate(report.estimates.items()):
        cover.plot([row[key] for key in keys], np.arange(4) + 0.1 * k, "o", label=name)
    cover.axvspan(0.75, 0.85, alpha=0.2)
    cover.set(xlim=(0, 1), yticks=range(4), yticklabels=[key.removesuffix("_in_80") for key in keys])
    cover.set(title="truth inside the 80 % interval")
    cover.legend()
    figure.suptitle("Simulated sets; nothing here was measured on people")
    figure.savefig(path)
    plt.close(figure)


@dataclass(frozen=True, slots=True)
class SetJob:
    """One set of known truth, and what is asked of it. All in one job, because its samples are megabytes.

    Attributes:
        seed: of the set.
        number: of the set under that seed, which also chooses the behaviour.
        place: among all sets; seed of the detector's sensor noise.
        maximal_place: among those to failure; seed of the estimator's sensor noise. None: not one of those.
        left_out: telemetry qualities that are not tried.
    """

    seed: int
    number: int
    place: int
    maximal_place: int | None
    left_out: frozenset[str]


@dataclass(frozen=True, slots=True)
class SetFindings:
    """What was found on one set.

    Attributes:
        item: the truth, without the samples.
        runs: what the detector did.
        seen: what an estimator would be given; None where the set was not to failure.
    """

    item: TrueSet
    runs: SetRuns
    seen: list[Seen] | None


def set_jobs(seeds: Iterable[int], per_seed: int, left_out: frozenset[str]) -> list[SetJob]:
    """All sets of the evaluation.

    Args:
        seeds: of the sets.
        per_seed: sets of each.
        left_out: telemetry qualities that are not tried.
    """
    jobs: list[SetJob] = []
    maximal = 0
    for seed in seeds:
        for number in range(per_seed):
            to_failure = _behaviour(number) in TO_FAILURE
            jobs.append(SetJob(seed, number, len(jobs), maximal if to_failure else None, left_out))
            maximal += to_failure
    return jobs


def _behaviour(number: int) -> Behaviour:
    return OWN_BEHAVIOURS[number % len(OWN_BEHAVIOURS)]


def set_job(job: SetJob) -> SetFindings:
    """Draw a set and run everything on it.

    Args:
        job: the set.
    """
    item = true_set(np.random.default_rng([job.seed, job.number]), _behaviour(job.number))
    telemetries = {k: v for k, v in RATES.items() if k != "100 Hz" and k not in job.left_out}
    return SetFindings(
        without_samples(item),
        runs_of(item, telemetries, job.place),
        None if job.maximal_place is None else what_was_seen(item, job.maximal_place),
    )


def _curve_row(name: str, point: Point | None) -> dict[str, Any]:
    if point is None:
        return {"rule": name, "setting": "none"}
    return {
        "rule": name,
        "setting": point.setting,
        "false_rate": point.false_rate,
        "latency_s": point.median_latency_s,
        "later_than_150_ms": point.late_part,
        "missed": point.missed_part,
        "foreseen": point.foreseen_part,
    }


def _named(rows: dict[str, dict[str, float]]) -> list[dict[str, Any]]:
    return [{"name": name, **row} for name, row in rows.items()]
