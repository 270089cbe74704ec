"""Time to open a history of ten thousand sessions of two hundred lifters, from nothing to a lifter's trends.

Both claims are ratios, which a busy machine does not change: to the same look at a store that holds this lifter alone,
and to the look without the list. If an index were missing, it would grow with the number of lifters.
"""

from __future__ import annotations

import datetime
import tempfile
from pathlib import Path

from benchmarks.claims import Claim, median_seconds

LIFTERS, SESSIONS = 200, 50
CHOSEN = 117


def main() -> list[Claim]:
    from ebbset.coaching.history.databases import sqlite_url
    from ebbset.coaching.history.reading import history_of
    from ebbset.coaching.history.store import HistoryStore
    from tests.support.big_history import fill_big, lifter_name

    today = datetime.date(2027, 6, 1)

    with tempfile.TemporaryDirectory() as folder:
        big, small = (sqlite_url(Path(folder) / f"{name}.sqlite") for name in ("big", "small"))
        with HistoryStore.open(big) as store:
            fill_big(store, lifters=LIFTERS, sessions=SESSIONS)
            listed = store.lifters()
        with HistoryStore.open(small) as store:
            fill_big(store, lifters=LIFTERS, sessions=SESSIONS, only=CHOSEN)
        sessions = sum(one.sessions for one in listed)
        if (len(listed), sessions) != (LIFTERS, LIFTERS * SESSIONS):
            raise SystemExit(f"the store holds {len(listed)} lifters and {sessions} sessions; allowed: all of them")

        def look(url: str) -> None:
            with HistoryStore.open(url) as opened:
                history_of(opened, lifter_name(CHOSEN), today)

        def open_all() -> None:
            with HistoryStore.open(big) as opened:
                opened.lifters()
                history_of(opened, lifter_name(CHOSEN), today)

        among_all = median_seconds(lambda: look(big))
        alone = median_seconds(lambda: look(small))
        listing = median_seconds(open_all)
    note = f"{sessions} sessions, {sum(one.sets for one in listed)} sets of {LIFTERS} lifters, SQLite"
    return [
        Claim("history: one lifter among all over alone", among_all / alone, "times", 1.5, at_most=True, note=note),
        Claim(
            "history: all lifters and one's trends over the trends",
            listing / among_all,
            "times",
            2.0,
            at_most=True,
            note=f"{listing:.3f} s",
        ),
    ]
