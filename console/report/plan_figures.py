"""Pictures of a plan and of a comparison: estimates with their ranges, as self-contained SVG files.

They use the same drawing surface as the figures of the report. The description of a picture says what it shows.
"""

from __future__ import annotations

from collections.abc import Sequence
from importlib.resources import files
from pathlib import Path
from textwrap import wrap
from typing import Final

from ebbset.coaching.candidates import Wishes
from ebbset.coaching.compare import MEASURES, Comparison
from ebbset.coaching.plan import Judged, Plan
from ebbset.coaching.worth import Range
from ebbset.console.exits import CommandError, Exit
from ebbset.console.report.svg import Drawing, Panel

_WIDTH: Final = 960.0
_LEFT: Final = 46.0
_LABEL_WIDE: Final = 68.0
_LABEL_HIGH: Final = 13.0
_COLUMNS: Final = 4
_ROW_HIGH: Final = 22.0
_TITLE_WIDE: Final = 34
_SHOWN: Final = (
    "repetitions",
    "hard_repetitions",
    "stimulus",
    "fatigue_left",
    "minutes",
    "immovable_s",
    "false_drops",
)


def draw_plan(plan: Plan[Judged], wishes: Wishes, path: Path) -> None:
    """Draw estimated stimulus against minutes, and against the capacity lost, one mark per candidate.

    Args:
        plan: the judged candidates.
        wishes: the limits that the plan had to fit into, drawn as dotted lines.
        path: SVG file to write.

    Raises:
        CommandError: the file cannot be written.
    """
    write_picture(plan_drawing(plan, wishes), path)


def draw_comparison(found: Comparison, path: Path) -> None:
    """Draw the mean of each measure with its 95 % confidence interval, one panel per measure.

    Args:
        found: the comparison.
        path: SVG file to write.

    Raises:
        CommandError: the file cannot be written.
    """
    write_picture(comparison_drawing(found), path)


def plan_drawing(plan: Plan[Judged], wishes: Wishes) -> Drawing:
    """Lay out the picture of a plan.

    Args:
        plan: the judged candidates.
        wishes: the limits that the plan had to fit into.
    """
    drawing = Drawing(_WIDTH, 470.0, "Stimulus of each candidate, estimated", _plan_text(plan), "plan")
    drawing.text(
        _LEFT,
        20.0,
        f"Simulated on {plan.twins} twins. Lines are 80 % ranges over twins and assumptions.",
        "axis",
    )
    net = "net of what later sets lose" if wishes.later_sets else "1 = a fresh repetition at failure"
    highest = 1.05 * max(judged.net.high for judged in plan.judged)
    width = (_WIDTH - 2 * _LEFT - 28.0) / 2
    lost = [_percent(judged.fatigue_left) for judged in plan.judged]
    columns = (
        ("minutes", [judged.minutes for judged in plan.judged], wishes.minutes),
        ("capacity lost at the end, %", lost, None if wishes.fatigue_left is None else 100.0 * wishes.fatigue_left),
    )
    for number, (label, across, limit) in enumerate(columns):
        widest = 1.12 * max(x.high for x in across)
        left = _LEFT + number * (width + _LEFT)
        panel = Panel(left, 62.0, width, 320.0, 0.0, widest, 0.0, highest)
        drawing.axis_y(panel, "" if number else f"stimulus, relative, estimated ({net})")
        drawing.axis_x(panel, label, wanted=6)
        if limit is not None and limit <= widest:
            drawing.line(panel.x(limit), panel.top, panel.x(limit), panel.bottom, "limit")
        _marks(drawing, panel, plan, across)
    x, y = _LEFT, 448.0
    for style, text in (("chosen", "suggested"), ("fits", "within the limits"), ("unfit", "outside them")):
        drawing.mark("dot", x + 5.0, y - 4.0, 4.0, style)
        drawing.text(x + 15.0, y, text, "tick")
        x += 130.0
    drawing.line(x, y - 4.0, x + 20.0, y - 4.0, "limit")
    drawing.text(x + 26.0, y, "limit asked for", "tick")
    return drawing


def comparison_drawing(found: Comparison) -> Drawing:
    """Lay out the picture of a comparison.

    Args:
        found: the comparison; its conditions are lettered A, B, … in their order.
    """
    names = [f"{_letter(k)}  {name}" for k, name in enumerate(found.conditions)]
    top = 42.0 + 16.0 * len(names)
    inner = _ROW_HIGH * len(names)
    block = 62.0 + inner + 40.0
    drawing = Drawing(_WIDTH, top + 2 * block, "Measures of each condition", _comparison_text(found), "compare")
    drawing.text(
        16.0,
        20.0,
        "Simulated lifters; mean and 95 % confidence interval. Stimulus is relative, estimated.",
        "axis",
    )
    for k, name in enumerate(names):
        drawing.text(16.0, 42.0 + 16.0 * k, name, "note")
    panels = [
        (name, MEASURES[name], [Range(one.low, one.mean, one.high) for one in found.means[name]], "fits")
        for name in _SHOWN
    ]
    ratio = "stimulus over that of the first condition, 80 % over the assumptions"
    panels.append(("stimulus_ratio", ratio, list(found.stimulus_ratios), "chosen"))
    for number, (name, meaning, values, style) in enumerate(panels):
        row, column = divmod(number, _COLUMNS)
        width = _WIDTH / _COLUMNS
        left = column * width + 32.0
        panel = Panel(left, top + row * block + 54.0, width - 48.0, inner, *_scale(values), float(len(values)), 0.0)
        drawing.text(panel.left, panel.top - 36.0, name.replace("_", " "), "axis")
        _measure(drawing, panel, meaning, values, style)
    return drawing


def _marks(drawing: Drawing, panel: Panel, plan: Plan[Judged], across: Sequence[Range]) -> None:
    """Draw two crossed ranges per candidate, with its key next to them; keys move up until none overlap."""
    placed: list[tuple[float, float]] = []
    for judged, wide in sorted(zip(plan.judged, across, strict=True), key=lambda pair: pair[0].net.middle):
        x, y = panel.x(wide.middle), panel.y(judged.net.middle)
        style = _style(plan, judged)
        drawing.line(panel.x(wide.low), y, panel.x(wide.high), y, f"range {style}")
        drawing.line(x, panel.y(judged.net.low), x, panel.y(judged.net.high), f"range {style}")
        drawing.mark("dot", x, y, 4.0, style, f"{judged.candidate.title}: {judged.net}")
        at = y - 5.0
        for left, level in placed:
            if abs(left - x) < _LABEL_WIDE and at > level - _LABEL_HIGH:
                at = level - _LABEL_HIGH
        placed.append((x, at))
        drawing.text(x + 7.0, at, judged.candidate.key, f"note {style}")


def _measure(drawing: Drawing, panel: Panel, meaning: str, values: Sequence[Range], style: str) -> None:
    for k, line in enumerate(wrap(meaning, _TITLE_WIDE)):
        drawing.text(panel.left, panel.top - 22.0 + 14.0 * k, line, "tick")
    for k, value in enumerate(values):
        y = panel.y(k + 0.5)
        drawing.line(panel.left, y, panel.right, y, "grid")
        drawing.text(panel.left - 8.0, y + 4.0, _letter(k), "tick", "end")
        drawing.line(panel.x(value.low), y, panel.x(value.high), y, f"range {style}")
        drawing.mark("dot", panel.x(value.middle), y, 4.0, style, str(value))
    drawing.axis_x(panel, "", wanted=3)


def _scale(values: Sequence[Range]) -> tuple[float, float]:
    low, high = min(value.low for value in values), max(value.high for value in values)
    margin = 0.08 * (high - low) or 0.1 * max(abs(high), 1.0)
    return low - margin, high + margin


def _letter(number: int) -> str:
    """A, B, … Z, AA, BB, …: the letters of the table in the terminal."""
    return chr(ord("A") + number % 26) * (1 + number // 26)


def _percent(found: Range) -> Range:
    return Range(100.0 * found.low, 100.0 * found.middle, 100.0 * found.high)


def _style(plan: Plan[Judged], judged: Judged) -> str:
    if judged is plan.suggestion:
        return "chosen"
    return "unfit" if judged.obstacles else "fits"


def _plan_text(plan: Plan[Judged]) -> str:
    each = "; ".join(f"{j.candidate.key} {j.net} in {j.minutes} minutes" for j in plan.judged)
    return f"Stimulus, relative and estimated, against minutes and against capacity lost: {each}."


def _comparison_text(found: Comparison) -> str:
    each = "; ".join(
        f"{name} {one.mean:.2f} ({one.low:.2f} to {one.high:.2f})"
        for name, one in zip(found.conditions, found.means["stimulus"], strict=True)
    )
    return f"Eight panels, one per measure. Mean stimulus, relative and estimated: {each}."


def write_picture(drawing: Drawing, path: Path) -> None:
    """Write a drawing as a self-contained SVG file.

    Args:
        drawing: what to write.
        path: where to.

    Raises:
        CommandError: the file cannot be written.
    """
    style = files("ebbset.console.report").joinpath("templates", "figure.css").read_text(encoding="utf-8")
    try:
        path.write_text(drawing.document(style), encoding="utf-8")
    except OSError as error:
        raise CommandError(f"{path}: {error.strerror}", Exit.BAD_INPUT) from None
