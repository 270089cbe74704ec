"""The page of a session: its clock as a picture, its sets as a table, in the style of the report."""

from __future__ import annotations

import datetime
from collections.abc import Sequence
from importlib.metadata import version
from typing import TYPE_CHECKING, Any, Final

from ebbset.console.report import html_pieces
from ebbset.console.report.svg import Drawing, Panel, nice_ticks
from ebbset.controller.recording.sources import SIMULATED
from ebbset.models.contract import formatting
from ebbset.models.contract.cautions import CAUTIONS

if TYPE_CHECKING:
    from ebbset.console.session_commands.reporting import SessionAccount

_WIDE: Final = 960.0
_NARROW: Final = 380.0
_ROW_HIGH: Final = 26.0
_CLOCK_CAPTION: Final = (
    "Bars are sets, from the start to the end of each; between them are the rests. The dotted line is the end of the "
    "session's minutes."
)


def render_session(account: SessionAccount, head: Sequence[str], *, made_at: datetime.datetime) -> str:
    """Render the page as HTML.

    Args:
        account: what was done.
        head: names of the columns of its lines.
        made_at: time to print in the footer.
    """
    template = html_pieces.environment("ebbset.console.session_commands").get_template("session.html")
    plan = account.plan
    began = "did not begin" if account.began_at is None else f"{account.began_at:%-d %B %Y, %H:%M}"
    table: dict[str, Any] = {
        "caption": "",
        "head": list(head),
        "rows": [("" if line.ended is not None else "other", line.cells()) for line in account.lines],
        "text": {"set", "state", "ended because"},
    }
    page = {
        "title": plan.name,
        "kicker": f"Session report · {began} · lifter {plan.lifter}",
        "lifters": [plan.lifter],
        "simulated": SIMULATED if account.simulated else None,
        "lead": account.lead,
        "notes": list(account.notes),
        "clock": (clock_drawing(account, _WIDE, "wide"), clock_drawing(account, _NARROW, "narrow")),
        "clock_caption": _CLOCK_CAPTION,
        "strengths": list(account.strength_sentences()),
        "table": table,
        "why": list(plan.why),
        "cautions": CAUTIONS,
        "footer": f"Made with ebbset {version('ebbset')} on {made_at:%Y-%m-%d %H:%M}. Estimates are estimates; "
        "decisions about training and health are for the lifter, the coach and, where it matters, a doctor.",
    }
    return formatting.visible(template.render(page=page, style=html_pieces.style()))


def clock_drawing(account: SessionAccount, width: float, key: str) -> Drawing:
    """The session on its clock: a bar for each set.

    Args:
        account: what was done.
        width: px.
        key: unique on the page.
    """
    done = [line for line in account.lines if line.ended is not None and line.begun_s is not None]
    exercises = list(dict.fromkeys(line.step.exercise for line in done))
    minutes = max(account.plan.minutes, account.lasted_s / 60.0)
    height = 56.0 + _ROW_HIGH * max(len(exercises), 1)
    told = "; ".join(
        f"{line.step.title} from {line.begun_s / 60.0:.1f} min" for line in done if line.begun_s is not None
    )
    drawing = Drawing(width, height, "The session's clock", told or "No set was done.", key)
    panel = Panel(110.0, 14.0, width - 130.0, _ROW_HIGH * max(len(exercises), 1), 0.0, minutes, 0.0, 1.0)
    for tick in nice_ticks(0.0, minutes, 6 if width > _NARROW else 3):
        x = panel.x(tick)
        drawing.line(x, panel.top, x, panel.bottom, "grid")
        drawing.text(x, panel.bottom + 17, f"{tick:g}", "tick", "middle")
    drawing.text(panel.right, panel.bottom + 34, "minutes", "axis", "end")
    for row, exercise in enumerate(exercises):
        y = panel.top + _ROW_HIGH * row
        drawing.text(panel.left - 8, y + 17, exercise.replace("_", " "), "axis", "end")
        for line in done:
            if line.step.exercise == exercise and line.begun_s is not None and line.ended is not None:
                begun = line.begun_s / 60.0
                ended = begun + line.ended.duration_s / 60.0
                drawing.rect(panel.x(begun), y + 5, max(panel.x(ended) - panel.x(begun), 2.0), 15.0, "worth-bar")
    end_x = panel.x(account.plan.minutes)
    drawing.line(end_x, panel.top, end_x, panel.bottom, "limit")
    drawing.line(panel.left, panel.bottom, panel.right, panel.bottom, "base")
    return drawing
