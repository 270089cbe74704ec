"""Figures of a lifter's history: 1RM of the day over weeks, and hard repetitions by muscle and week."""

from __future__ import annotations

import datetime
from collections.abc import Sequence
from typing import Final

from ebbset.coaching.history.trends import DayEstimate, LifterHistory, MuscleWeek, monday_of
from ebbset.console.history_commands.history_tables import name_of
from ebbset.console.report.svg import Drawing, Panel
from ebbset.models.contract import formatting
from ebbset.models.contract.units import LoadUnit, from_newtons

WEEKS_DRAWN: Final = 26
_LEFT: Final = 46.0
_COURSE_HIGH: Final = 110.0
_COURSE_STEP: Final = 178.0
_BARS_HIGH: Final = 74.0
_BARS_STEP: Final = 134.0
_LEAST_APART: Final = 58.0
_DESK: Final = 600.0


def strength_drawing(history: LifterHistory, width: float, key: str) -> Drawing:
    """1RM of each day, one panel for each exercise.

    Args:
        history: with a day in at least one exercise.
        width: of the drawing, px.
        key: prefix of its ids.
    """
    height = 14.0 + _COURSE_STEP * len(history.strength)
    drawing = Drawing(width, height, "1RM of the day", _strength_text(history), key)
    _draw_strength(drawing, history, 34.0)
    return drawing


def muscle_drawing(history: LifterHistory, width: float, key: str) -> Drawing:
    """Hard repetitions in each week, one panel for each muscle.

    Args:
        history: with a week in which a muscle was trained.
        width: of the drawing, px.
        key: prefix of its ids.
    """
    muscles = {week.muscle for week in history.weeks}
    rows = -(-len(muscles) // _columns(width))
    drawing = Drawing(width, 40.0 + _BARS_STEP * rows, "Hard repetitions by muscle", _muscle_text(history), key)
    _draw_muscles(drawing, history, 0.0)
    return drawing


def history_picture(history: LifterHistory, width: float) -> Drawing:
    """Both in one drawing, for a picture.

    Args:
        history: with a day or a week to draw.
        width: of the drawing, px.
    """
    top = 30.0 + _COURSE_STEP * len(history.strength)
    rows = -(-len({week.muscle for week in history.weeks}) // _columns(width))
    text = " ".join(part for part in (_strength_text(history), _muscle_text(history)) if part)
    drawing = Drawing(width, top + 44.0 + _BARS_STEP * rows, f"History of {history.lifter}", text, "history")
    told = " Simulated: nobody lifted." if history.simulated else ""
    drawing.text(_LEFT, 18.0, f"Lifter {history.lifter}, to {history.today}.{told}", "axis")
    _draw_strength(drawing, history, 62.0)
    if history.weeks:
        _draw_muscles(drawing, history, top + 10.0)
    return drawing


def _draw_strength(drawing: Drawing, history: LifterHistory, top: float) -> None:
    days = [day.date for course in history.strength.values() for day in course]
    for number, (exercise, course) in enumerate(history.strength.items()):
        _course(drawing, exercise, course, (min(days), max(days)), top + number * _COURSE_STEP, history.units)


def _course(
    drawing: Drawing,
    exercise: str,
    course: Sequence[DayEstimate],
    span: tuple[datetime.date, datetime.date],
    top: float,
    unit: LoadUnit,
) -> None:
    lows = [from_newtons(day.low_n, unit) for day in course]
    highs = [from_newtons(day.high_n, unit) for day in course]
    margin = 0.12 * (max(highs) - min(lows)) or 1.0
    length = max((span[1] - span[0]).days, 1)
    scale = (-0.04 * length, 1.04 * length, max(min(lows) - margin, 0.0), max(highs) + margin)
    panel = Panel(_LEFT, top, drawing.width - _LEFT - 14.0, _COURSE_HIGH, *scale)
    drawing.axis_y(panel, f"{name_of(exercise)}: 1RM of the day, estimated, {unit}", wanted=3)
    drawing.line(panel.left, panel.bottom, panel.right, panel.bottom, "base")
    labelled = -1e9
    for day, low, high in zip(course, lows, highs, strict=True):
        x, middle = panel.x((day.date - span[0]).days), from_newtons(day.one_rm_n, unit)
        drawing.line(x, panel.y(low), x, panel.y(high), "stem")
        tip = f"{day.date}: {formatting.load(day.one_rm_n, unit)} ({low:.1f} to {high:.1f})"
        drawing.mark("dot", x, panel.y(middle), 4.0, "point-capacity", tip)
        if x - labelled > _LEAST_APART:
            drawing.text(x, panel.bottom + 17.0, f"{day.date:%-d %b}", "tick", "middle")
            labelled = x


def _columns(width: float) -> int:
    return 3 if width > _DESK else 1


def _draw_muscles(drawing: Drawing, history: LifterHistory, top: float) -> None:
    muscles = sorted({week.muscle for week in history.weeks})
    last = max(week.monday for week in history.weeks)
    first = max(min(week.monday for week in history.weeks), last - datetime.timedelta(weeks=WEEKS_DRAWN - 1))
    most = max(week.total for week in history.weeks)
    columns = _columns(drawing.width)
    each = (drawing.width - 14.0) / columns
    for x, style, text in ((_LEFT, "worth-bar", "fresh"), (_LEFT + 84.0, "worth-band", "in fatigue")):
        drawing.rect(x, top + 6.0, 11.0, 11.0, style)
        drawing.text(x + 16.0, top + 16.0, text, "tick")
    weeks = (last - first).days // 7 + 1
    for number, muscle in enumerate(muscles):
        row, column = divmod(number, columns)
        left = column * each + _LEFT
        panel = Panel(
            left, top + 54.0 + row * _BARS_STEP, each - _LEFT, _BARS_HIGH, 0.0, float(weeks), 0.0, max(most, 1.0) * 1.1
        )
        drawing.axis_y(panel, f"{muscle}, hard repetitions a week", wanted=3, whole=True)
        _bars(drawing, panel, [w for w in history.weeks if w.muscle == muscle and w.monday >= first], first)


def _bars(drawing: Drawing, panel: Panel, weeks: Sequence[MuscleWeek], first: datetime.date) -> None:
    drawing.line(panel.left, panel.bottom, panel.right, panel.bottom, "base")
    wide = min(0.7 * panel.width / panel.x_high, 26.0)
    for week in weeks:
        middle = panel.x((week.monday - first).days / 7.0 + 0.5)
        x, at_fresh, at_top = middle - wide / 2.0, panel.y(week.fresh), panel.y(week.total)
        tip = f"week of {week.monday}: {week.fresh:g} fresh, {week.in_fatigue:g} in fatigue"
        drawing.rect(x, at_fresh, wide, panel.bottom - at_fresh, "worth-bar", tip)
        drawing.rect(x, at_top, wide, at_fresh - at_top, "worth-band", tip)
    labelled = -1e9
    for number in range(int(panel.x_high)):
        x = panel.x(number + 0.5)
        if x - labelled > _LEAST_APART:
            monday = first + datetime.timedelta(weeks=number)
            drawing.text(x, panel.bottom + 17.0, f"{monday:%-d %b}", "tick", "middle")
            labelled = x


def _strength_text(history: LifterHistory) -> str:
    unit = history.units
    parts = [
        f"{name_of(exercise)} from {formatting.load(days[0].one_rm_n, unit)} on {days[0].date} to "
        f"{formatting.load(days[-1].one_rm_n, unit)} on {days[-1].date}"
        for exercise, days in history.strength.items()
    ]
    return f"Estimated 1RM of the day: {'; '.join(parts)}." if parts else ""


def _muscle_text(history: LifterHistory) -> str:
    if not history.weeks:
        return ""
    last = max(monday_of(week.monday) for week in history.weeks)
    parts = [f"{week.muscle} {week.total:g}" for week in history.weeks if week.monday == last]
    return f"Hard repetitions in the week of {last}: {', '.join(parts)}."
