"""The history of a lifter as an HTML page in the style of the report: no script, no request, light and dark, printable.

It arranges what `trends` found; it computes nothing.
"""

from __future__ import annotations

import datetime
from collections.abc import Sequence
from importlib.metadata import version
from typing import Any, Final

from markupsafe import Markup

from ebbset.coaching.history.rows.history_rows import SetRow
from ebbset.coaching.history.trends import SMALLEST_WORTHWHILE, TEST_CV, LifterHistory
from ebbset.console.history_commands import history_figures, history_tables
from ebbset.console.history_commands.history_tables import HistoryTable
from ebbset.console.report import html_pieces
from ebbset.console.report.figures import NARROW, WIDE
from ebbset.models.contract import formatting

TEMPLATES: Final = "ebbset.console.history_commands"
READING: Final = (
    "The 1RM of the day is estimated from load, velocity and stalls of a set. If the estimate is sound, its interval "
    "holds the value four times out of five. Days differ by more than training: sleep, food and earlier work show too.",
    "A change counts only beyond the error: the 95 % range of differences that the estimates' own error and the "
    f"variation between days make together. For comparison, a tested 1RM varies by {TEST_CV:.1%} between days (median "
    "of 32 studies, Grgic et al. 2020), and differences of "
    f"{SMALLEST_WORTHWHILE[0]:.0%} to {SMALLEST_WORTHWHILE[1]:.0%} are the smallest that matter (Nascimento et al. "
    "2017).",
    "Hard repetitions are a count of what was done, not a measure of growth. Half counts for muscles that help follow "
    "meta-regressions of 67 studies (SportRxiv 2024); which muscles help in which exercise is common practice.",
    "The store is made from recordings and session journals: `ebbset history rebuild` makes it again.",
)


def render_history(history: LifterHistory, rows: Sequence[SetRow], *, made_at: datetime.datetime) -> str:
    """The whole page.

    Args:
        history: of the lifter.
        rows: the lifter's sets that may be shown, the oldest first.
        made_at: time to print in the footer.
    """
    template = html_pieces.environment(TEMPLATES).get_template("history.html")
    return formatting.visible(template.render(page=_page(history, rows, made_at), style=html_pieces.style()))


def render_history_body(history: LifterHistory, rows: Sequence[SetRow], *, made_at: datetime.datetime) -> Markup:
    """What stands in the page's middle, for another page whose style sheet holds that of the report.

    Args:
        history: of the lifter.
        rows: the lifter's sets that may be shown, the oldest first.
        made_at: when it is made.
    """
    template = html_pieces.environment(TEMPLATES).get_template("history_body.html")
    return Markup(formatting.visible(template.render(page=_page(history, rows, made_at))))


def _page(history: LifterHistory, rows: Sequence[SetRow], made_at: datetime.datetime) -> dict[str, Any]:
    dates = [row.date for row in rows if row.date is not None]
    span = f"{min(dates):%-d %B %Y} to {max(dates):%-d %B %Y}" if dates else "no dates"
    return {
        "title": f"History of {history.lifter}",
        "kicker": f"History · lifter {history.lifter} · {span}",
        "lifters": [history.lifter],
        "notes": history_tables.remarks(history),
        "facts": _facts(history),
        "sections": _sections(history, rows),
        "reading": READING,
        "footer": f"Made with ebbset {version('ebbset')} on {made_at:%Y-%m-%d %H:%M}. Estimates are estimates; "
        "decisions about training and health are for the lifter, the coach and, where it matters, a doctor.",
    }


def _facts(history: LifterHistory) -> list[tuple[str, str, str]]:
    done = sum(one.done for one in history.sessions)
    planned = sum(one.planned for one in history.sessions)
    changed = sum(change.beyond_error for change in history.changes)
    stale = sum(state.stale_because is not None for state in history.profiles)
    return [
        ("Sets", str(history.sets), f"in {formatting.plural(len(history.strength), 'exercise')} with a 1RM"),
        ("Sessions", str(len(history.sessions)), f"{done} of {planned} planned sets done" if planned else ""),
        ("Changed", str(changed), f"of {formatting.plural(len(history.changes), 'figure')}, beyond the error"),
        ("Stale profiles", str(stale), f"of {len(history.profiles)}"),
    ]


def _sections(history: LifterHistory, rows: Sequence[SetRow]) -> list[dict[str, Any]]:
    strength = muscles = None
    if history.strength:
        draw = history_figures.strength_drawing
        strength = (draw(history, WIDE, "strength-w"), draw(history, NARROW, "strength-n"))
    if history.weeks:
        draw = history_figures.muscle_drawing
        muscles = (draw(history, WIDE, "muscles-w"), draw(history, NARROW, "muscles-n"))
    return [
        _section("strength", history_tables.strength_table(history), "No set has an estimated 1RM.", strength),
        _section("muscles", history_tables.muscle_table(history), "No hard repetitions are counted.", muscles),
        _section("changes", history_tables.change_table(history), "Two days of an exercise are needed."),
        _section("profiles", history_tables.profile_table(history), "There are none."),
        _section("sessions", history_tables.session_table(history), "No session was led from a plan."),
        _section("sets", history_tables.set_table(rows, history.units), "There are none."),
    ]


def _section(key: str, table: HistoryTable, empty: str, figure: Any = None) -> dict[str, Any]:
    return {
        "key": key,
        "title": table.title,
        "note": table.note,
        "figure": figure,
        "table": table.for_page(),
        "empty": empty,
    }
