"""Figures of a set at work, drawn on the server with the report's marks: each repetition, and what capacity is left."""

from __future__ import annotations

from typing import Final

from ebbset.console.page.rigs.shown_rig import ShownRig
from ebbset.console.report.svg import Drawing, Panel
from ebbset.models.contract import formatting
from ebbset.models.contract.controller_messages import RepetitionReport
from ebbset.models.contract.rig_messages import RepetitionOutcome
from ebbset.models.contract.units import from_newtons

WIDTH: Final = 640.0
_SHAPES: Final = {
    RepetitionOutcome.COMPLETED: "dot",
    RepetitionOutcome.PARTIAL: "ring",
    RepetitionOutcome.FAILED: "cross",
    RepetitionOutcome.NOT_STARTED: "cross",
}
_NEWEST: Final = 40
"""Repetitions drawn; the figure of a longer set shows its end."""
_LEAST_HIGH_M_S: Final = 0.3


def repetition_figure(shown: ShownRig) -> Drawing | None:
    """Draw the mean velocity of each repetition, or of each only that it was, where velocity is hidden.

    Args:
        shown: the rig, as it may be seen.

    Returns:
        None where repetitions are hidden, or there is none yet.
    """
    records = shown.repetitions()[-_NEWEST:]
    if not records or shown.blinding.hides("velocity", "load"):
        return None
    unit = shown.state.unit
    high = max([_LEAST_HIGH_M_S, *(one.mean_velocity_m_s for one in records)]) * 1.12
    text = f"{len(records)} repetitions, the last at {formatting.number(records[-1].mean_velocity_m_s)} m/s."
    drawing = Drawing(WIDTH, 200.0, "Mean velocity of each repetition", text, "rep")
    first = records[0].index
    panel = Panel(44.0, 30.0, WIDTH - 56.0, 130.0, first - 1.0, max(records[-1].index + 1.0, first + 8.0), 0.0, high)
    _load_groups(drawing, panel, records, shown)
    drawing.axis_y(panel, "mean velocity, m/s", wanted=3)
    for one in records:
        x, y = panel.x(one.index), panel.y(max(one.mean_velocity_m_s, 0.0))
        drawing.line(x, y, x, panel.bottom, "stem")
        tip = (
            f"Repetition {one.index}: {one.mean_velocity_m_s:.2f} m/s at {formatting.load(one.load_n, unit)}, "
            f"{formatting.OUTCOMES[one.outcome]}"
        )
        drawing.mark(_SHAPES[one.outcome], x, y, 4.5, "point-velocity", tip)
    drawing.line(panel.left, panel.bottom, panel.right, panel.bottom, "base")
    return drawing


def capacity_figure(shown: ShownRig) -> Drawing | None:
    """Draw the estimated capacity after each repetition with its 80 % band, and the load.

    Args:
        shown: the rig, as it may be seen.

    Returns:
        None where any of it is hidden, or nothing is estimated yet.
    """
    if shown.blinding.hides("load", "velocity", "repetitions", "budget"):
        return None
    records = [one for one in shown.repetitions() if one.capacity_n is not None][-_NEWEST:]
    if not records:
        return None
    unit = shown.state.unit
    tops = [from_newtons(one.capacity_high_n or one.capacity_n or 0.0, unit) for one in records]
    feet = [from_newtons(min(one.capacity_low_n or one.load_n, one.load_n), unit) for one in records]
    newest = records[-1]
    text = f"Now {formatting.load(newest.capacity_n, unit)}, with {formatting.load(newest.load_n, unit)} on the cable."
    drawing = Drawing(WIDTH, 200.0, "Estimated capacity and load", text, "cap")
    first = records[0].index
    last, low, high = max(newest.index + 1.0, first + 8.0), min(feet) * 0.9, max(tops) * 1.05
    panel = Panel(44.0, 30.0, WIDTH - 56.0, 130.0, first - 1.0, last, low, high)
    drawing.axis_y(panel, f"capacity and load, {unit}", wanted=3)
    xs = [panel.x(one.index) for one in records]
    upper = [panel.y(top) for top in tops]
    lower = [panel.y(from_newtons(one.capacity_low_n or one.capacity_n or 0.0, unit)) for one in records]
    outline = [*zip(xs, upper, strict=True), *reversed(list(zip(xs, lower, strict=True)))]
    drawing.path(outline, "capacity-band", close=True)
    middle = [panel.y(from_newtons(one.capacity_n or 0.0, unit)) for one in records]
    drawing.path(zip(xs, middle, strict=True), "capacity")
    drawing.path(_steps(panel, records, shown), "load")
    drawing.line(panel.left, panel.bottom, panel.right, panel.bottom, "base")
    for x, y in zip(xs, middle, strict=True):
        drawing.mark("dot", x, y, 3.2, "point-capacity")
    return drawing


def _steps(panel: Panel, records: list[RepetitionReport], shown: ShownRig) -> list[tuple[float, float]]:
    """The load of each repetition as a line of steps."""
    points = []
    for one in records:
        y = panel.y(from_newtons(one.load_n, shown.state.unit))
        points += [(panel.x(one.index - 0.5), y), (panel.x(one.index + 0.5), y)]
    return points


def _load_groups(drawing: Drawing, panel: Panel, records: list[RepetitionReport], shown: ShownRig) -> None:
    """Shade every second stretch of one load, and write the load above each."""
    stretches: list[list[RepetitionReport]] = []
    for one in records:
        if stretches and stretches[-1][-1].load_n == one.load_n:
            stretches[-1].append(one)
        else:
            stretches.append([one])
    for number, stretch in enumerate(stretches):
        left, right = panel.x(stretch[0].index - 0.5), panel.x(stretch[-1].index + 0.5)
        if number % 2:
            drawing.rect(left, panel.top, right - left, panel.height, "group")
        if right - left > 30 or number == len(stretches) - 1:
            load = formatting.bare_load(stretch[0].load_n, shown.state.unit)
            drawing.text((left + right) / 2, panel.bottom + 18, f"{load} {shown.state.unit}", "tick", "middle")
