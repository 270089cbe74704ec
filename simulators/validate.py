"""The table of checks: simulated lifters and rigs against published values, each with its source and its error.

``run`` makes the table, ``plot`` one page of curves. Check 9 (the rig against the same rig in mujoco) is a test of its
own. Numbers: 1 velocity at loads, 2 repetitions to failure, 3 velocity loss, 4 last repetition, 5 sticking region,
6 fatigue and muscle laws, 7 rest, 8 drop sets, 10 integrator, 11 1RM formulas.
"""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Final

from ebbset.simulators import validation_lifts, validation_models, validation_sets
from ebbset.simulators.validation_report import CheckResult, Section, ValidationReport

__all__ = ["CheckResult", "ValidationReport", "checks", "plot", "run"]

_PEOPLE_SHORT: Final = 12
_PEOPLE: Final = 60
_LOG_PANELS: Final = ("endurance", "integrator")
_LABELS: Final = {
    "load-velocity": ("% 1RM", "mean velocity, m/s"),
    "repetitions to failure": ("% 1RM", "repetitions"),
    "velocity loss": ("velocity loss, %", "% of possible repetitions"),
    "last repetition": ("% 1RM", "mean velocity, m/s"),
    "second set": ("rest, min", "work over that after 5 min"),
    "drop set": ("drop", "repetitions"),
    "endurance": ("% of maximum", "s"),
    "integrator": ("step, ms", "error, m"),
}


def run(short: bool = False, seed: int = 0) -> ValidationReport:
    """All checks.

    Args:
        short: 12 instead of 60 people behind each population figure, for the test suite.
        seed: seed of the population.
    """
    count = _PEOPLE_SHORT if short else _PEOPLE
    parts: tuple[Callable[[], Section], ...] = (
        lambda: validation_lifts.profiles(count, seed),
        lambda: validation_sets.repetitions(count, seed),
        lambda: validation_sets.velocity_loss(count, seed),
        lambda: validation_lifts.sticking(count, seed),
        validation_models.fatigue_laws,
        validation_models.limits,
        lambda: validation_sets.rest(count, seed),
        lambda: validation_sets.drops(count, seed),
        validation_models.integrator,
        lambda: validation_sets.one_rm_formulas(count, seed),
    )
    sections = [part() for part in parts]
    results = sorted((r for s in sections for r in s.results), key=lambda r: r.number)
    return ValidationReport(tuple(results), tuple(c for s in sections for c in s.curves), count, seed)


def checks(short: bool = False, seed: int = 0) -> list[CheckResult]:
    """The rows of ``run`` alone."""
    return list(run(short, seed).results)


def plot(report: ValidationReport, path: Path) -> None:
    """Draw the curves of a report on one page; the file's suffix gives the format (png, pdf, svg)."""
    from matplotlib.figure import Figure

    figure = Figure(figsize=(14.0, 7.5), layout="constrained")
    axes = figure.subplots(2, 4).ravel()
    for axis, (panel, (x_label, y_label)) in zip(axes, _LABELS.items(), strict=True):
        for curve in report.curves:
            if curve.panel == panel:
                axis.plot(curve.x, curve.y, "o" if curve.published else "-", label=curve.label, ms=4)
        axis.set(title=panel, xlabel=x_label, ylabel=y_label)
        if panel in _LOG_PANELS:
            axis.set_yscale("log")
        if panel == "integrator":
            axis.set_xscale("log")
        axis.legend(fontsize=6)
    judged = [r for r in report.results if r.passed is not None]
    figure.suptitle(
        f"Simulated lifters against published values: {sum(bool(r.passed) for r in judged)} of {len(judged)} figures "
        f"inside, {report.people} people, seed {report.seed}. Lines simulated, markers published."
    )
    figure.savefig(path)
