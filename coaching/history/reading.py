"""The history of one lifter, read from a store for a screen: what a screen may not show stays out."""

from __future__ import annotations

import datetime

from ebbset.coaching.history.rows.history_rows import SetRow
from ebbset.coaching.history.store import HistoryStore
from ebbset.coaching.history.trends import LifterHistory, lifter_history


def history_of(store: HistoryStore, lifter: str, today: datetime.date) -> tuple[LifterHistory, tuple[SetRow, ...]]:
    """The history of a lifter, and the sets that it is made from, the oldest first.

    Args:
        store: an open store.
        lifter: pseudonym.
        today: date by which ages are judged.

    Raises:
        StoreError: the database cannot be used.
    """
    rows = store.sets_of(lifter)
    history = lifter_history(
        lifter,
        rows,
        store.profiles_of(lifter),
        today,
        sessions=store.sessions_of(lifter),
        blinded=store.blinded_sets_of(lifter),
    )
    return history, rows
