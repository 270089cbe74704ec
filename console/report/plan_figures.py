"""Pictures of a plan and of a comparison: estimates with their ranges. Drawn with matplotlib, no window is opened."""

from __future__ import annotations

from pathlib import Path
from textwrap import wrap
from typing import Any

from matplotlib.figure import Figure

from ebbset.coaching.compare import MEASURES, Comparison
from ebbset.coaching.plan import Judged, Plan, Wishes
from ebbset.coaching.worth import Range
from ebbset.console.exits import CommandError, Exit

_INK, _PALE, _CHOSEN = "#2f3a3a", "#b8c0bd", "#7a4f2a"
_LABEL_WIDE, _LABEL_HIGH = 0.16, 0.035
_SHOWN = ("repetitions", "hard_repetitions", "stimulus", "fatigue_left", "minutes", "immovable_s", "false_drops")


def draw_plan(plan: Plan, wishes: Wishes, path: Path) -> None:
    """Estimated stimulus against minutes, and against fatigue left, one mark a candidate.

    Raises:
        CommandError: a kind of file that cannot be drawn, or a place that cannot be written.
    """
    figure = Figure(figsize=(11.0, 5.0), layout="constrained")
    left, right = figure.subplots(1, 2, sharey=True)
    _panel(left, plan, [j.minutes for j in plan.judged], "minutes")
    _panel(right, plan, [_percent(j.fatigue_left) for j in plan.judged], "loss of capacity left behind, %")
    left.axvline(wishes.minutes, color=_PALE, linestyle=":", zorder=0)
    if wishes.fatigue_left is not None:
        right.axvline(100.0 * wishes.fatigue_left, color=_PALE, linestyle=":", zorder=0)
    net = "net of what later sets lose" if wishes.later_sets else "1 = a fresh repetition at failure"
    left.set_ylabel(f"stimulus, relative, estimated\n({net})")
    figure.suptitle(
        f"Simulated on {plan.twins} twins; lines hold four times out of five over twins and assumptions",
        fontsize=10,
        color=_INK,
    )
    _save(figure, path)


def _percent(found: Range) -> Range:
    return Range(100.0 * found.low, 100.0 * found.middle, 100.0 * found.high)


def _panel(axes: Any, plan: Plan, across: list[Range], label: str) -> None:
    for judged, x in zip(plan.judged, across, strict=True):
        y, colour = judged.net, _colour(plan, judged)
        axes.errorbar(
            x.middle,
            y.middle,
            xerr=[[x.middle - x.low], [x.high - x.middle]],
            yerr=[[y.middle - y.low], [y.high - y.middle]],
            fmt="o",
            color=colour,
            ecolor=colour,
            elinewidth=0.9,
            markersize=5,
        )
    axes.set_xlabel(label)
    axes.set_xlim(0.0, 1.12 * max(x.high for x in across))
    axes.set_ylim(0.0, 1.05 * max(j.net.high for j in plan.judged))
    _label(axes, plan, across)
    axes.spines[["top", "right"]].set_visible(False)


def _label(axes: Any, plan: Plan, across: list[Range]) -> None:
    """Keys beside their marks, from the lowest up, each moved up until it lies on none below it."""
    _, widest = axes.get_xlim()
    _, highest = axes.get_ylim()
    placed: list[tuple[float, float]] = []
    for judged, x in sorted(zip(plan.judged, across, strict=True), key=lambda pair: pair[0].net.middle):
        at = judged.net.middle + 0.012 * highest
        for left, level in placed:
            if abs(left - x.middle) < _LABEL_WIDE * widest and at < level + _LABEL_HIGH * highest:
                at = level + _LABEL_HIGH * highest
        placed.append((x.middle, at))
        axes.text(x.middle + 0.012 * widest, at, judged.candidate.key, fontsize=8, color=_colour(plan, judged))


def _colour(plan: Plan, judged: Judged) -> str:
    if judged is plan.suggestion:
        return _CHOSEN
    return _PALE if judged.obstacles else _INK


def draw_comparison(found: Comparison, path: Path) -> None:
    """Mean of each measure with its 95 % confidence interval, one panel a measure.

    Raises:
        CommandError: a kind of file that cannot be drawn, or a place that cannot be written.
    """
    figure = Figure(figsize=(11.0, 0.9 + 0.32 * len(found.conditions) * 2 + 2.2), layout="constrained")
    panels = figure.subplots(2, 4, sharey=True).ravel()
    rows = range(len(found.conditions))
    for axes, name in zip(panels, _SHOWN, strict=False):
        for k in rows:
            one = found.means[name][k]
            axes.errorbar(
                one.mean, k, xerr=[[one.mean - one.low], [one.high - one.mean]], fmt="o", color=_INK, markersize=4
            )
        axes.set_title("\n".join(wrap(MEASURES[name], 34)), fontsize=8)
    ratio = panels[len(_SHOWN)]
    for k, spread in enumerate(found.stimulus_ratios):
        off = [[spread.middle - spread.low], [spread.high - spread.middle]]
        ratio.errorbar(spread.middle, k, xerr=off, fmt="s", color=_CHOSEN, markersize=4)
    ratio.set_title("stimulus over that of the first,\n80 % over the assumptions", fontsize=8)
    for axes in panels:
        axes.set_yticks(list(rows), found.conditions, fontsize=8)
        axes.set_ylim(len(found.conditions) - 0.5, -0.5)
        axes.tick_params(axis="x", labelsize=8)
        axes.spines[["top", "right"]].set_visible(False)
    figure.suptitle("Simulated lifters, mean and 95 % confidence interval; stimulus relative, estimated", fontsize=10)
    _save(figure, path)


def _save(figure: Figure, path: Path) -> None:
    try:
        figure.savefig(path, dpi=150)
    except ValueError:
        allowed = ", ".join(sorted(figure.canvas.get_supported_filetypes()))
        raise CommandError(f"--plot is {str(path)!r}; allowed: a file ending in one of {allowed}", Exit.USAGE) from None
    except OSError as error:
        raise CommandError(f"{path}: {error.strerror}", Exit.BAD_INPUT) from None
