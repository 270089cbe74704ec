"""A lifter's history in the terminal: the tables of `history_tables`, one below the other."""

from __future__ import annotations

from collections.abc import Sequence

from rich.table import Table

from ebbset.coaching.history.rows.history_rows import SetRow
from ebbset.coaching.history.trends import LifterHistory
from ebbset.console.history_commands import history_tables
from ebbset.console.history_commands.history_tables import HistoryTable
from ebbset.console.terminal import Terminal


def show_history(history: LifterHistory, rows: Sequence[SetRow]) -> None:
    """Print the history; tables without rows are left out.

    Args:
        history: of the lifter.
        rows: the lifter's sets that may be shown, the oldest first.
    """
    console = Terminal()
    for sentence in history_tables.remarks(history):
        console.print(sentence, style="italic")
    for table in (
        history_tables.strength_table(history),
        history_tables.muscle_table(history),
        history_tables.change_table(history),
        history_tables.profile_table(history),
        history_tables.session_table(history),
        history_tables.set_table(rows, history.units),
    ):
        if table.rows:
            _show(console, table)


def _show(console: Terminal, table: HistoryTable) -> None:
    console.print()
    console.print(table.title, style="bold")
    if table.note:
        console.print(table.note, style="dim")
    shown = Table(box=None, pad_edge=False, header_style="dim")
    for head in table.head:
        shown.add_column(head, justify="left" if head in table.words else "right")
    for row in table.rows:
        shown.add_row(*row)
    console.print(shown)
