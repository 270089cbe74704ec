"""Tables of a lifter's history, as text, once for the terminal and the page. Everything in them comes from `trends`."""

from __future__ import annotations

import datetime
from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Final

from ebbset.coaching.history.rows.history_rows import SetRow
from ebbset.coaching.history.trends import Change, LifterHistory, monday_of
from ebbset.models.contract import formatting
from ebbset.models.contract.units import LoadUnit

WEEKS_SHOWN: Final = 12
SETS_SHOWN: Final = 12
SESSIONS_SHOWN: Final = 12
_FIGURES: Final[dict[str, tuple[str, int]]] = {
    "velocity_at_1rm_m_s": ("velocity at 1RM, m/s", 3),
    "velocity_at_zero_m_s": ("velocity at no load, m/s", 3),
    "rom_m": ("ROM, m", 3),
}


@dataclass(frozen=True, slots=True)
class HistoryTable:
    """A table for people.

    Attributes:
        title: what it shows.
        note: how to read it; may be empty.
        head: of each column.
        rows: cells, as text.
        words: heads of columns of words, which stand at the left.
    """

    title: str
    note: str
    head: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    words: frozenset[str]

    def for_page(self) -> dict[str, Any]:
        """In the form of `console.report.html_pieces.table`."""
        rows = [("", list(row)) for row in self.rows]
        return {"caption": "", "head": list(self.head), "rows": rows, "text": set(self.words)}


def name_of(exercise: str) -> str:
    """An exercise as words."""
    return exercise.replace("_", " ")


def strength_table(history: LifterHistory) -> HistoryTable:
    """1RM of the day by exercise and week: the surest day of each week, the newest week first."""
    unit = history.units
    rows = []
    for exercise, days in history.strength.items():
        weeks = defaultdict(list)
        for day in days:
            weeks[monday_of(day.date)].append(day)
        for monday in sorted(weeks, reverse=True)[:WEEKS_SHOWN]:
            best = min(weeks[monday], key=lambda one: one.sd_n)
            rows.append(
                (
                    name_of(exercise),
                    f"{monday}",
                    str(len(weeks[monday])),
                    formatting.bare_load(best.one_rm_n, unit),
                    f"{formatting.bare_load(best.low_n, unit)} to {formatting.bare_load(best.high_n, unit)}",
                )
            )
    return HistoryTable(
        "1RM of the day",
        f"Estimated, {unit} per cable, with its 80 % interval: the surest day of each week, of the last "
        f"{WEEKS_SHOWN} weeks with one.",
        ("exercise", "week of", "days", f"1RM, {unit}", "80 %"),
        tuple(rows),
        frozenset({"exercise", "week of"}),
    )


def muscle_table(history: LifterHistory) -> HistoryTable:
    """Hard repetitions by week and muscle, fresh + in fatigue, the newest week first."""
    muscles = sorted({week.muscle for week in history.weeks})
    found = {(week.monday, week.muscle): week for week in history.weeks}
    rows = []
    for monday in sorted({week.monday for week in history.weeks}, reverse=True)[:WEEKS_SHOWN]:
        cells = [found.get((monday, muscle)) for muscle in muscles]
        rows.append(
            (
                f"{monday}",
                *(formatting.NONE if one is None else f"{one.fresh:g} + {one.in_fatigue:g}" for one in cells),
            )
        )
    return HistoryTable(
        "Hard repetitions by muscle and week",
        "Completed with at most four in reserve (estimated): at the first load of a set, + after a drop or a rest "
        "within it, in fatigue. A repetition counts whole for the muscles an exercise is for and half for those that "
        "help.",
        ("week of", *muscles),
        tuple(rows),
        frozenset({"week of"}),
    )


def change_table(history: LifterHistory) -> HistoryTable:
    """What changed beyond the error of measurement, and what did not."""
    rows = tuple(_change_row(change, history.units) for change in history.changes)
    return HistoryTable(
        "What changed",
        "The error holds 95 % of the differences that measurement and the day make alone; what is within it may be "
        "nothing.",
        ("exercise", "figure", "from", "to", "before", "after", "change", "error", "verdict"),
        rows,
        frozenset({"exercise", "figure", "from", "to", "verdict"}),
    )


def _change_row(change: Change, unit: LoadUnit) -> tuple[str, ...]:
    if change.figure == "one_rm_n":
        label = f"1RM of the day, {unit}"
        figures = [
            formatting.bare_load(value, unit)
            for value in (change.before, change.after, abs(change.difference), change.error)
        ]
    else:
        label, places = _FIGURES[change.figure]
        figures = [
            formatting.number(value, places)
            for value in (change.before, change.after, abs(change.difference), change.error)
        ]
    sign = "−" if change.difference < 0.0 else "+"
    return (
        name_of(change.exercise),
        label,
        str(change.since),
        str(change.until),
        figures[0],
        figures[1],
        sign + figures[2],
        "± " + figures[3],
        change.verdict,
    )


def profile_table(history: LifterHistory) -> HistoryTable:
    """The profile of each exercise, and whether it is stale."""
    rows = tuple(
        (
            name_of(state.exercise),
            formatting.NONE if state.date is None else str(state.date),
            "usable" if state.stale_because is None else f"stale: {state.stale_because}",
        )
        for state in history.profiles
    )
    return HistoryTable("Profiles", "", ("exercise", "of", "state"), rows, frozenset({"exercise", "of", "state"}))


def session_table(history: LifterHistory) -> HistoryTable:
    """Adherence of the newest sessions to their plans, the newest first."""
    rows = tuple(
        (
            str(one.date),
            one.name,
            f"{one.done} of {one.planned}",
            str(one.skipped),
            str(one.left_out + one.not_reached),
            str(one.shortened_rests),
            str(one.other_loads),
            f"{one.minutes_used:.0f} of {one.minutes:g}",
            one.ended_because or "broken off",
        )
        for one in reversed(history.sessions[-SESSIONS_SHOWN:])
    )
    return HistoryTable(
        "Adherence to plan",
        "Sets of each session; a rest shorter by more than 10 s and a start load that differs by more than 1 % count.",
        ("date", "session", "done", "skipped", "left out", "short rests", "other loads", "minutes", "ended"),
        rows,
        frozenset({"date", "session", "ended"}),
    )


def set_table(rows: Sequence[SetRow], unit: LoadUnit) -> HistoryTable:
    """The newest sets, the newest first.

    Args:
        rows: sets, the oldest first.
        unit: unit in which loads are shown.
    """
    told = tuple(
        (
            _when(row.begun_at),
            name_of(row.exercise),
            row.prescription,
            formatting.bare_load(row.start_load_n, unit),
            f"{row.repetitions:g}",
            str(row.drops),
            f"{row.hard_fresh:g} + {row.hard_in_fatigue:g}",
            row.ended_because or "the recording ends before the set",
        )
        for row in reversed(rows[-SETS_SHOWN:])
    )
    head = ("date", "exercise", "prescription", f"start, {unit}", "repetitions", "drops", "hard", "ended because")
    words = frozenset({"date", "exercise", "prescription", "ended because"})
    return HistoryTable("Newest sets", "Hard repetitions: fresh + in fatigue.", head, told, words)


def _when(begun_at: datetime.datetime | None) -> str:
    return "date unknown" if begun_at is None else f"{begun_at:%Y-%m-%d %H:%M}"


def remarks(history: LifterHistory) -> list[str]:
    """Sentences about what the history leaves out, and what it is made from."""
    found = []
    if history.simulated:
        found.append(
            f"{formatting.plural(history.simulated, 'set')} of {history.sets} are simulated: nobody lifted them."
            if history.simulated > 1
            else f"1 set of {history.sets} is simulated: nobody lifted it."
        )
    if history.blinded:
        found.append(
            f"{formatting.plural(history.blinded, 'set')} of blinded study sessions: not shown and not counted here."
        )
    if history.undated:
        found.append(f"{formatting.plural(history.undated, 'set')} without a date: in no week and no course.")
    if history.uncounted:
        names = ", ".join(name_of(one) for one in history.uncounted)
        found.append(f"ebbset does not know which muscles these exercises train, so no muscle counts them: {names}.")
    return found
