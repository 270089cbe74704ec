"""The table of checks: simulated lifters and rigs against published values, each with its source and its error.

``run`` makes the table, ``plot`` one page of curves. Check 9 (the rig against the same rig in mujoco) is a test of its
own. Numbers: 1 velocity at loads, 2 repetitions to failure, 3 velocity loss, 4 last repetition, 5 sticking region,
6 fatigue and muscle laws, 7 rest, 8 drop sets, 10 integrator, 11 1RM formulas, 12 six sets near failure, 13 a second
maximum and the tired repetition, 14 held efforts, 15 methods of the field on simulated people, 16 figures nobody saw.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from itertools import chain
from pathlib import Path
from typing import Final

from ebbset.simulators.closed_loop.parallel import Mapper
from ebbset.simulators.validation import laws, lifts, predictability, sets, unseen
from ebbset.simulators.validation.comparison import CheckResult, Section, ValidationReport, headline

__all__ = ["CheckResult", "ValidationReport", "checks", "plot", "run"]

PEOPLE_SHORT: Final = 16
_PEOPLE: Final = 60
LONGEST: Final = (
    ("12 and 13 failure",),
    ("3 and 4 last repetition", "15 predictability", "16 velocity loss"),
    ("2 repetitions to failure",),
    ("16 profiles",),
    ("1 velocity at loads",),
    ("16 rest",),
)
"""Begun first, so that all processes finish together; groups that measure the same people are one piece of work."""
_LOG_PANELS: Final = ("endurance", "integrator")
_LABELS: Final = {
    "load-velocity": ("% 1RM", "mean velocity, m/s"),
    "repetitions to failure": ("% 1RM", "repetitions"),
    "velocity loss": ("velocity loss, %", "% of possible repetitions"),
    "last repetition": ("% 1RM", "mean velocity, m/s"),
    "second set": ("rest, min", "work over that after 5 min"),
    "drop set": ("drop", "repetitions"),
    "endurance": ("% of maximum", "s"),
    "integrator": ("step, ms", "error of position, m"),
}


def sections(count: int, seed: int) -> dict[str, Callable[[], Section]]:
    """The groups of checks by name, each ready to be run with ``count`` people behind every population figure.

    Args:
        count: simulated people behind each figure.
        seed: of the population.
    """
    return {
        "1 velocity at loads": lambda: lifts.profiles(count, seed),
        "2 repetitions to failure": lambda: sets.repetitions(count, seed),
        "3 and 4 last repetition": lambda: sets.last_repetition(count, seed),
        "5 sticking region": lambda: lifts.sticking(count, seed),
        "6 fatigue and muscle laws": laws.fatigue_laws,
        "7 rest": lambda: sets.rest(count, seed),
        "8 drop sets": lambda: sets.drops(count, seed),
        "10 integrator": laws.integrator,
        "11 formulas": lambda: sets.one_rm_formulas(count, seed),
        "12 and 13 failure": lambda: sets.failure(count, seed),
        "14 held efforts": laws.held_efforts,
        "15 predictability": lambda: predictability.predictability(count, seed),
        "16 profiles": lambda: unseen.profiles(count, seed),
        "16 overhead press": lambda: unseen.overhead_landmarks(count, seed),
        "16 velocity loss": lambda: unseen.velocity_loss(count, seed),
        "16 rest": lambda: unseen.sets_with_rest(count, seed),
    }


def run(short: bool = False, seed: int = 0, mapper: Mapper = map) -> ValidationReport:
    """All checks.

    Args:
        short: fewer people behind each population figure, for the test suite.
        seed: seed of the population.
        mapper: `map`, or a parallel version that keeps the order.
    """
    count = PEOPLE_SHORT if short else _PEOPLE
    names = list(sections(count, seed))
    work = pieces(names)
    found = dict(zip(chain(*work), chain(*mapper(_piece, [(piece, count, seed) for piece in work])), strict=True))
    done = [found[name] for name in names]
    results = sorted((r for s in done for r in s.results), key=lambda r: r.number)
    return ValidationReport(tuple(results), tuple(c for s in done for c in s.curves), count, seed)


def pieces(names: Iterable[str]) -> list[tuple[str, ...]]:
    """The groups of checks as they are handed to processes, the longest first.

    Args:
        names: of the groups.
    """
    wanted = list(names)
    first = (tuple(name for name in piece if name in wanted) for piece in LONGEST)
    return [*filter(None, first), *((name,) for name in wanted if name not in chain(*LONGEST))]


def _piece(job: tuple[tuple[str, ...], int, int]) -> list[Section]:
    names, count, seed = job
    groups = sections(count, seed)
    return [groups[name]() for name in names]


def checks(short: bool = False, seed: int = 0) -> list[CheckResult]:
    """The rows of ``run`` alone.

    Args:
        short: fewer people behind each figure.
        seed: of the population.
    """
    return list(run(short, seed).results)


def plot(report: ValidationReport, path: Path) -> None:
    """Draw the curves of a report on one page; the file's suffix gives the format (png, pdf, svg).

    Args:
        report: the report.
        path: its suffix gives the format.
    """
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
        else:
            axis.set_ylim(bottom=0.0)
        if axis.has_data():
            axis.legend(fontsize=6)
    figure.suptitle(
        f"Simulated lifters (lines) against published values (markers), at least {report.people} people, seed "
        f"{report.seed}.\n{headline(report.results)}",
        fontsize=9,
    )
    figure.savefig(path)
