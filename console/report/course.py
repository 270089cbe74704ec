"""The course over days of one lifter's sets of one exercise, as a figure and a table.

It shows the estimates of the sets side by side and fits no trend to so few of them.
"""

from __future__ import annotations

import datetime
from collections.abc import Sequence
from typing import Any

from ebbset.console.report.figures import NARROW, WIDE
from ebbset.console.report.svg import Drawing, Panel
from ebbset.controller.recording.recorded_set import RecordedSet
from ebbset.models.contract import formatting
from ebbset.models.contract.constants import Z_INTERVAL
from ebbset.models.contract.units import from_newtons


def section(items: Sequence[RecordedSet]) -> dict[str, Any] | None:
    """Make the page's section about the course.

    A course needs two dated sets of the same lifter and exercise; the largest such group is shown. A lifter is a
    participant of a study or named by a profile; sets that name nobody may be anybody's.

    Returns:
        values for the template; None when there is no such group.
    """
    groups: dict[tuple[str, str], list[RecordedSet]] = {}
    for item in items:
        if item.begun_at is not None and item.person is not None:
            groups.setdefault((item.person, item.prescription.exercise), []).append(item)
    if not groups:
        return None
    (lifter, exercise), chosen = max(groups.items(), key=lambda pair: len(pair[1]))
    if len(chosen) < 2:
        return None
    chosen = sorted(chosen, key=_when)
    others = len(items) - len(chosen)
    apart = f" {formatting.plural(others, 'other set')} of this report: not in it." if others else ""
    return {
        "lead": f"{formatting.plural(len(chosen), 'set')} of {exercise.replace('_', ' ')}, lifter {lifter}. "
        f"{_summary(chosen)}{apart}",
        "figure": (_figure(chosen, WIDE, "course-w"), _figure(chosen, NARROW, "course-n")),
        "caption": "Stems are 80 % ranges of the estimate. Days differ by more than training: sleep, food and earlier "
        "work show here too, and two points make no trend.",
        "table": _table(chosen),
    }


def _when(item: RecordedSet) -> datetime.datetime:
    if item.begun_at is None:
        raise ValueError("begun_at is None; allowed: a date, since sets without one are left out of a course")
    return item.begun_at


def _figure(items: Sequence[RecordedSet], width: float, key: str) -> Drawing:
    unit = items[0].prescription.units
    drawing = Drawing(width, 470.0, "The course over days", _summary(items), key)
    days = [(_when(item) - _when(items[0])).total_seconds() / 86_400.0 for item in items]
    span = max(days[-1], 1.0)
    fresh = [item.fresh_n() for item in items]
    spreads = [_spread_n(item) for item in items]
    known = [(f, s) for f, s in zip(fresh, spreads, strict=True) if f is not None]
    top = from_newtons(max((f + s for f, s in known), default=10.0), unit)
    low = from_newtons(min((f - s for f, s in known), default=0.0), unit)
    room = 0.25 * max(top - low, 0.1 * top)
    most = max(_completed(item) for item in items)
    lost = [item.loss_at_end() for item in items]
    left, inner = 46.0, width - 60.0
    scale = (-0.06 * span, 1.06 * span)
    panels = (
        Panel(left, 30.0, inner, 140.0, *scale, max(low - room, 0.0), top + room),
        Panel(left, 218.0, inner, 80.0, *scale, 0.0, max(most, 1) * 1.2),
        Panel(left, 344.0, inner, 80.0, *scale, 0.0, max([0.1, *(v for v in lost if v is not None)]) * 120.0),
    )
    drawing.axis_y(panels[0], f"1RM of the day, estimated, {unit}")
    drawing.axis_y(panels[1], "completed repetitions", wanted=3, whole=True)
    drawing.axis_y(panels[2], "capacity lost at the end, %", wanted=3)
    for day, item, f, s, loss in zip(days, items, fresh, spreads, lost, strict=True):
        x = panels[0].x(day)
        if f is not None:
            high, low = from_newtons(f + s, unit), from_newtons(max(f - s, 0.0), unit)
            drawing.line(x, panels[0].y(low), x, panels[0].y(high), "stem")
            drawing.mark("dot", x, panels[0].y(from_newtons(f, unit)), 4.0, "point-capacity", formatting.load(f, unit))
        drawing.rect(
            x - 4, panels[1].y(_completed(item)), 8, panels[1].bottom - panels[1].y(_completed(item)), "worth-bar"
        )
        if loss is not None:
            drawing.mark("dot", x, panels[2].y(loss * 100.0), 4.0, "point-velocity", formatting.part(loss))
    for panel in panels:
        drawing.line(panel.left, panel.bottom, panel.right, panel.bottom, "base")
    last_x = -1e9
    for day, item in zip(days, items, strict=True):
        x = panels[2].x(day)
        if x - last_x > 52:
            drawing.text(x, panels[2].bottom + 17, f"{_when(item):%-d %b}", "tick", "middle")
            last_x = x
    return drawing


def _table(items: Sequence[RecordedSet]) -> dict[str, Any]:
    unit = items[0].prescription.units
    head = [
        "date",
        "prescription",
        f"start, {unit}",
        "repetitions",
        "drops",
        f"last, {unit}",
        f"1RM of the day, {unit} ± 80 %",
        "lost",
    ]
    rows = []
    for item in items:
        fresh_n = item.fresh_n()
        last = item.result.final_load_n if item.result is not None else ()
        rows.append(
            (
                "",
                [
                    f"{_when(item):%Y-%m-%d %H:%M}",
                    item.prescription.name,
                    formatting.bare_load(item.prescription.load.start_n, unit),
                    str(_completed(item)),
                    str(sum(moment.decision.action == "drop" for moment in item.moments)),
                    formatting.bare_load(max(last), unit) if last else formatting.NONE,
                    f"{formatting.bare_load(fresh_n, unit)} ± {formatting.bare_load(_spread_n(item), unit)}"
                    if fresh_n
                    else formatting.NONE,
                    formatting.part(item.loss_at_end()),
                ],
            )
        )
    return {"caption": "", "head": head, "rows": rows, "text": {"date", "prescription"}}


def _summary(items: Sequence[RecordedSet]) -> str:
    unit = items[0].prescription.units
    first, last = items[0].fresh_n(), items[-1].fresh_n()
    days = (_when(items[-1]) - _when(items[0])).days
    text = f"Over {formatting.plural(days, 'day')}, "
    if first is not None and last is not None:
        text += (
            f"the estimated 1RM of the day went from {formatting.load(first, unit)} to "
            f"{formatting.load(last, unit)}, and "
        )
    return text + f"completed repetitions from {_completed(items[0])} to {_completed(items[-1])}."


def _completed(item: RecordedSet) -> int:
    return sum(r.outcome.value == "completed" and r.cable == 0 for r in item.repetitions)


def _spread_n(item: RecordedSet) -> float:
    return Z_INTERVAL * (item.fresh_sd_n() or 0.0)
