"""The figures of one set: its trace, the velocity of each repetition, capacity and fatigue. SVG, drawn by `svg`.

Each figure takes a recorded set and a width, so that the page can hold one drawing for a desktop and one for a phone.
Its description says what it shows, for people who cannot see it. Nothing is estimated here.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Final

import numpy as np

from ebbset.console.report.svg import Drawing, FloatArray, Panel, thin_out
from ebbset.controller.estimation.profile_velocity import velocity_at_one_rm
from ebbset.controller.messages.actions import RepetitionRecord
from ebbset.controller.recording.recorded_set import LoadStep, RecordedSet
from ebbset.models.contract import formatting
from ebbset.models.contract.constants import Z_INTERVAL
from ebbset.models.contract.rig_messages import RepetitionOutcome
from ebbset.models.contract.units import LoadUnit, from_newtons

WIDE: Final = 960.0
NARROW: Final = 380.0
_SHAPES: Final[dict[RepetitionOutcome, str]] = {
    RepetitionOutcome.COMPLETED: "dot",
    RepetitionOutcome.PARTIAL: "ring",
    RepetitionOutcome.FAILED: "cross",
    RepetitionOutcome.NOT_STARTED: "dash",
}


def trace(item: RecordedSet, width: float, key: str) -> Drawing:
    """Draw load, position and velocity against time, with stalls and the end marked across all three.

    Args:
        item: the recorded set.
        width: width of the drawing, px.
        key: prefix of the ids in the drawing, unique on the page.
    """
    unit = item.prescription.units
    begin = min(
        -1.0, min((moment.t_s for moment in item.moments if moment.decision.action == "load"), default=0.0) - 0.5
    )
    end = item.duration_s + 1.0
    measured = item.trace.t_s.size > 0
    heights = (150.0, 84.0, 110.0) if measured else (170.0,)
    gap, top, left, right = 40.0, 34.0, 46.0, 14.0
    height = top + sum(heights) + gap * (len(heights) - 1) + 44.0
    drawing = Drawing(width, height, "The set over time", _trace_text(item), key)
    panels = []
    at = top
    spans = [(0.0, _load_high(item, unit)), _span(item.trace.position_m, 0.0), _span(item.trace.velocity_m_s, 0.0)]
    for size, (low, high) in zip(heights, spans, strict=False):
        panels.append(Panel(left, at, width - left - right, size, begin, end, low, high))
        at += size + gap
    load = panels[0]
    for a, b in item.repetition_spans_s:
        for panel in panels:
            drawing.rect(panel.x(a), panel.top, panel.x(b) - panel.x(a), panel.height, "lift")
    drawing.axis_y(load, f"load, {unit} per cable")
    _load_lines(drawing, load, item, unit, end)
    if measured:
        drawing.axis_y(panels[1], "position, m", wanted=2)
        drawing.axis_y(panels[2], "velocity, m/s", wanted=4)
        columns = int(width - left - right)
        for cable in range(item.trace.cables):
            for panel, values, style in (
                (panels[1], item.trace.position_m[:, cable], "position"),
                (panels[2], item.trace.velocity_m_s[:, cable], "velocity"),
            ):
                t, y = thin_out(item.trace.t_s, values, columns)
                inside = (t >= begin) & (t <= end)
                drawing.path(_points(panel, t[inside], y[inside]), f"{style} cable{cable}")
        drawing.line(panels[2].left, panels[2].y(0.0), panels[2].right, panels[2].y(0.0), "base")
    drawing.axis_x(panels[-1], "seconds from the first load", wanted=5 if width < 600 else 10)
    _moments(drawing, panels, item, unit)
    return drawing


def velocities(item: RecordedSet, width: float, key: str) -> Drawing:
    """Draw the mean velocity of each repetition, grouped by load, with the velocity at 1RM where it is known.

    Args:
        item: the recorded set.
        width: width of the drawing, px.
        key: prefix of the ids in the drawing, unique on the page.
    """
    unit, records = item.prescription.units, item.attempts.records
    order = order_of(records)
    count = max(order, default=0) + 1
    high = max([0.3, *(r.mean_velocity_m_s for r in records)]) * 1.12
    drawing = Drawing(width, 290.0, "Mean velocity of each repetition", _velocities_text(item), key)
    panel = Panel(46.0, 40.0, width - 60.0, 196.0, 0.0, count + 1.0, 0.0, high)
    load_groups(drawing, panel, records, order, unit, "mean concentric velocity, m/s")
    if item.profile is not None:
        v1 = velocity_at_one_rm(item.profile)
        drawing.rect(
            panel.left,
            panel.y(v1.mean + v1.sd),
            panel.width,
            panel.y(v1.mean - v1.sd) - panel.y(v1.mean + v1.sd),
            "band",
        )
        drawing.line(panel.left, panel.y(v1.mean), panel.right, panel.y(v1.mean), "limit")
        # Beside the axis label, because the last repetitions lie on the line itself.
        drawing.text(panel.left, panel.bottom + 33, "dotted: velocity at 1RM, from the profile", "axis")
    for position, record in zip(order, records, strict=True):
        x = panel.x(position + 1.0) + (0 if record.cable == 0 else 3.5)
        y = panel.y(max(record.mean_velocity_m_s, 0.0))
        drawing.line(x, y, x, panel.bottom, "stem")
        shape = "square" if record.cable == 1 and _SHAPES[record.outcome] == "dot" else _SHAPES[record.outcome]
        drawing.mark(shape, x, y, 4.0 if width > 600 else 3.2, "point-velocity", _tip(record, unit))
    drawing.axis_x(panel, "repetition", wanted=5 if width < 600 else 12, counted_to=count)
    return drawing


def capacity(item: RecordedSet, width: float, key: str) -> Drawing:
    """Draw the estimated capacity with its 80 % band and the load; below, the capacity lost and the budget.

    Each loss has its own 80 % interval as a stem, because an error of the load–velocity line blurs the capacity but
    hardly the loss.

    Args:
        item: the recorded set.
        width: width of the drawing, px.
        key: prefix of the ids in the drawing, unique on the page.
    """
    unit = item.prescription.units
    limit = item.prescription.budget.capacity_loss
    drawing = Drawing(width, 410.0, "Estimated capacity and loss of capacity", _capacity_text(item), key)
    records = [r for r in item.attempts.records if r.capacity_n is not None]
    order = order_of(item.repetitions)
    positions = [p for p, r in zip(order, item.repetitions, strict=True) if r.capacity_n is not None]
    count = max(order, default=0) + 1
    highest = max([from_newtons(_upper(r), unit) for r in records], default=1.0)
    lowest = min([from_newtons(min(_lower(r), r.load_n), unit) for r in records], default=0.0)
    span = max(highest, from_newtons(max((r.load_n for r in records), default=1.0), unit)) - lowest
    upper = Panel(
        46.0, 34.0, width - 60.0, 170.0, 0.0, count + 1.0, max(lowest - 0.15 * span, 0.0), highest + 0.22 * span
    )
    tops = [(r.budget_spent or 0.0) + Z_INTERVAL * (r.budget_sd or 0.0) for r in records]
    lost_high = max([0.1, *tops, limit or 0.0]) * 1.25
    lower = Panel(46.0, 250.0, width - 60.0, 110.0, 0.0, count + 1.0, 0.0, lost_high * 100.0)
    drawing.axis_y(upper, f"capacity and load, {unit} per cable")
    drawing.axis_y(lower, "capacity lost from fresh, %", wanted=3)
    for cable in sorted({r.cable for r in records}):
        rows = [(p, r) for p, r in zip(positions, records, strict=True) if r.cable == cable]
        x = [upper.x(p + 1.0) for p, _ in rows]
        band = [(a, upper.y(from_newtons(_upper(r), unit))) for a, (_, r) in zip(x, rows, strict=True)]
        band += [(a, upper.y(from_newtons(_lower(r), unit))) for a, (_, r) in reversed(list(zip(x, rows, strict=True)))]
        drawing.path(band, "band capacity-band", close=True)
        drawing.path(
            [(a, upper.y(from_newtons(r.capacity_n or math.nan, unit))) for a, (_, r) in zip(x, rows, strict=True)],
            f"capacity cable{cable}",
        )
        drawing.path(
            _staircase(upper, [(p + 1.0, from_newtons(r.load_n, unit)) for p, r in rows]), f"load cable{cable}"
        )
        for a, (_, r) in zip(x, rows, strict=True):
            if r.budget_spent is None:
                continue
            y = lower.y(r.budget_spent * 100.0)
            if r.budget_sd is not None:
                half = Z_INTERVAL * r.budget_sd * 100.0
                drawing.line(
                    a, lower.y(max(r.budget_spent * 100 - half, 0)), a, lower.y(r.budget_spent * 100 + half), "stem"
                )
            drawing.mark("dot" if cable == 0 else "square", a, y, 3.4, "point-capacity", _tip(r, unit))
    if records:
        _label_lines(drawing, upper, records, positions, unit)
    if limit is not None:
        drawing.line(lower.left, lower.y(limit * 100.0), lower.right, lower.y(limit * 100.0), "limit")
        drawing.text(lower.left + 6, lower.y(limit * 100.0) - 6, f"budget, {formatting.part(limit)}", "note")
    drawing.axis_x(lower, "repetition", wanted=5 if width < 600 else 12, counted_to=count)
    return drawing


# --- parts of figures -------------------------------------------------------------------------------------------


def _load_lines(drawing: Drawing, panel: Panel, item: RecordedSet, unit: LoadUnit, end: float) -> None:
    floor = from_newtons(item.prescription.load.floor_n, unit)
    if item.trace.t_s.size:
        for cable in range(item.trace.cables):
            t, y = thin_out(item.trace.t_s, item.trace.applied_n[:, cable], int(panel.width))
            inside = (t >= panel.x_low) & (t <= end)
            points = list(_points(panel, t[inside], np.array([from_newtons(v, unit) for v in y[inside]])))
            if points and cable == 0:
                drawing.path(
                    [(points[0][0], panel.bottom), *points, (points[-1][0], panel.bottom)], "load-area", close=True
                )
    for cable in range(max((len(step.target_n) for step in item.steps), default=1)):
        drawing.path(_step_points(panel, item.steps, cable, unit, end), f"load cable{cable}")
    drawing.line(panel.left, panel.y(floor), panel.right, panel.y(floor), "limit")
    drawing.text(
        panel.left + 6, panel.y(floor) - 5, f"floor {formatting.load(item.prescription.load.floor_n, unit)}", "note"
    )


def _step_points(
    panel: Panel, steps: Sequence[LoadStep], cable: int, unit: LoadUnit, end: float
) -> list[tuple[float, float]]:
    points: list[tuple[float, float]] = []
    level = 0.0
    for step in steps:
        # The unloading at the arming may be minutes before the panel begins.
        x = panel.x(max(step.t_s, panel.x_low))
        points.append((x, panel.y(level)))
        level = from_newtons(step.target_n[cable], unit) if cable < len(step.target_n) else level
        points.append((x, panel.y(level)))
    points.append((panel.x(end), panel.y(level)))
    return points


def _moments(drawing: Drawing, panels: Sequence[Panel], item: RecordedSet, unit: LoadUnit) -> None:
    load = panels[0]
    last_label = -1e9
    for moment in item.moments:
        decision = moment.decision
        x = load.x(moment.t_s)
        if moment.is_stall:
            drawing.line(x, load.top, x, panels[-1].bottom, "stall-line")
            level = _of_cable(decision.from_n, decision.cable)
            drawing.mark("diamond", x, load.y(from_newtons(level, unit)), 5.5, "stall", decision.text)
            if decision.to_n and any(decision.to_n) and x - last_label > 46:
                drawing.text(
                    x + 6,
                    load.y(from_newtons(level, unit)) - 6,
                    formatting.bare_load(_of_cable(decision.to_n, decision.cable), unit),
                    "note",
                )
                last_label = x
        elif decision.action == "end":
            drawing.line(x, load.top, x, panels[-1].bottom, "end-line")
        if decision.action == "load":
            drawing.text(
                x + 4,
                load.y(from_newtons(max(decision.to_n, default=0.0), unit)) - 6,
                formatting.bare_load(max(decision.to_n, default=0.0), unit),
                "note",
            )
            last_label = x
    ends = [moment for moment in item.moments if moment.decision.action == "end"]
    if ends:
        x = load.x(ends[-1].t_s)
        near_right = x > load.left + load.width / 2
        budget = item.spent_budget
        reason = (f"budget of {budget}" if budget else ends[-1].decision.reason.value).replace("_", " ")
        drawing.text(
            x - 5 if near_right else x + 5, load.top + 2, f"end: {reason}", "note", "end" if near_right else "start"
        )


def _of_cable(load_n: Sequence[float], cable: int | None) -> float:
    """Return the load of the cable that a decision is about, or the greatest if it is about all cables."""
    return load_n[cable] if cable is not None and cable < len(load_n) else max(load_n, default=0.0)


def load_groups(
    drawing: Drawing,
    panel: Panel,
    records: Sequence[RepetitionRecord],
    order: Sequence[int],
    unit: LoadUnit,
    axis: str,
) -> None:
    """Shade every other stretch of equal load, draw the axis, and write the loads on top.

    Args:
        drawing: drawing to add to.
        panel: panel with repetitions on the horizontal scale, the first at 1.
        records: repetitions of the set.
        order: place of each repetition, from `order_of`; as long as ``records``.
        unit: unit in which loads are shown.
        axis: label of the vertical axis.
    """
    groups: list[tuple[int, int, float, tuple[int, int]]] = []
    for position, record in zip(order, records, strict=True):
        key = (record.bout, record.step)
        if groups and groups[-1][3] == key:
            groups[-1] = (groups[-1][0], position, groups[-1][2], key)
        else:
            groups.append((position, position, record.load_n, key))
    spans = [(panel.x(first + 0.5), panel.x(last + 1.5) - panel.x(first + 0.5)) for first, last, _, _ in groups]
    for x, width in spans[::2]:
        drawing.rect(x, panel.top - 4, width, panel.height + 4, "group")
    drawing.axis_y(panel, axis, wanted=4)
    last_right = -1e9
    for (x, width), (_, _, load_n, _) in zip(spans, groups, strict=True):
        content = formatting.load(load_n, unit) if width > 52 else formatting.bare_load(load_n, unit)
        if x + width / 2 - 13 > last_right:
            drawing.text(x + width / 2, panel.top + 10, content, "note", "middle")
            last_right = x + width / 2 + 13


def _label_lines(
    drawing: Drawing, panel: Panel, records: Sequence[RepetitionRecord], positions: Sequence[int], unit: LoadUnit
) -> None:
    """Label the two lines directly, so that nobody has to match a legend by colour."""
    first = records[0]
    x = panel.x(positions[0] + 1.0)
    drawing.text(x, panel.y(from_newtons(_upper(first), unit)) - 6, "capacity (80 % band)", "note")
    drawing.text(x, panel.y(from_newtons(first.load_n, unit)) + 15, "load", "note")


def order_of(records: Sequence[RepetitionRecord]) -> list[int]:
    """Return the place of each repetition on a horizontal axis, from 0; both sides of one repetition share a place."""
    places: list[int] = []
    seen: dict[tuple[int, int], int] = {}
    counters = {0: 0, 1: 0}
    for record in records:
        counters[record.cable] += 1
        key = (0, counters[record.cable])
        seen.setdefault(key, len(seen))
        places.append(seen[key])
    return places


def _staircase(panel: Panel, rows: Sequence[tuple[float, float]]) -> list[tuple[float, float]]:
    points: list[tuple[float, float]] = []
    for position, level in rows:
        points += [(panel.x(position - 0.5), panel.y(level)), (panel.x(position + 0.5), panel.y(level))]
    return points


def _points(panel: Panel, t: FloatArray, y: FloatArray) -> list[tuple[float, float]]:
    return [(panel.x(float(a)), panel.y(float(b))) for a, b in zip(t, y, strict=True)]


def _span(values: FloatArray, least_low: float) -> tuple[float, float]:
    if values.size == 0 or np.isnan(values).all():
        return (0.0, 1.0)
    low, high = min(float(np.nanmin(values)), least_low), float(np.nanmax(values))
    pad = 0.06 * max(high - low, 0.1)
    return (low - (pad if low < 0 else 0.0), high + pad)


def _load_high(item: RecordedSet, unit: LoadUnit) -> float:
    highest = max((max(step.target_n) for step in item.steps if step.target_n), default=0.0)
    # A set that ended before its first load commanded none but zero.
    return from_newtons(highest or item.prescription.load.start_n, unit) * 1.18


def _upper(record: RepetitionRecord) -> float:
    return (record.capacity_n or 0.0) + Z_INTERVAL * (record.capacity_sd_n or 0.0)


def _lower(record: RepetitionRecord) -> float:
    return max((record.capacity_n or 0.0) - Z_INTERVAL * (record.capacity_sd_n or 0.0), 0.0)


def _tip(record: RepetitionRecord, unit: LoadUnit) -> str:
    return (
        f"repetition {record.index}, {formatting.load(record.load_n, unit)}: mean {record.mean_velocity_m_s:.2f} m/s, "
        f"{formatting.OUTCOMES[record.outcome]}; capacity {formatting.load(record.capacity_n, unit)}, "
        f"lost {formatting.part(record.budget_spent)}"
    )


# --- figures in words -------------------------------------------------------------------------------------------


def _trace_text(item: RecordedSet) -> str:
    unit = item.prescription.units
    changes = "; ".join(
        f"at {moment.t_s:.0f} s {formatting.load_change(moment.decision.from_n, moment.decision.to_n, unit)}"
        for moment in item.moments
        if moment.decision.action in ("load", "drop", "end")
    )
    return f"Three panels over time: load, position and velocity of the handle. Load: {changes}."


def _velocities_text(item: RecordedSet) -> str:
    done = [r for r in item.repetitions if r.outcome is RepetitionOutcome.COMPLETED]
    if not done:
        return "No completed repetition."
    return (
        f"{formatting.plural(len(done), 'completed repetition')}; first {done[0].mean_velocity_m_s:.2f} m/s, last "
        f"{done[-1].mean_velocity_m_s:.2f} m/s, slowest {min(r.mean_velocity_m_s for r in done):.2f} m/s."
    )


def _capacity_text(item: RecordedSet) -> str:
    known = [r for r in item.repetitions if r.capacity_n is not None]
    if not known:
        return "No capacity could be estimated."
    unit = item.prescription.units
    return (
        f"Estimated capacity from {formatting.load(known[0].capacity_n, unit)} after the first repetition to "
        f"{formatting.load(known[-1].capacity_n, unit)} after the last; capacity lost "
        f"{formatting.part(known[-1].budget_spent)}."
    )
