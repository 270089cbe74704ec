"""What a day's sets say of the lifter's strength when fresh: the controller takes every set for begun fresh, so the 1RM
that a later set shows is too low by what the sets before it cost. The rule is that of sessions (`next_load`)."""

from __future__ import annotations

import datetime
from collections import defaultdict
from collections.abc import Iterable, Sequence

from ebbset.coaching.history.rows.history_rows import SetRow
from ebbset.coaching.sessions.next_load import PastSet, loss_left


def by_day(rows: Iterable[SetRow]) -> dict[datetime.date, list[SetRow]]:
    """The sets of each day in the order in which they were begun; those without a date are left out.

    Args:
        rows: sets of one lifter.
    """
    days: dict[datetime.date, list[SetRow]] = defaultdict(list)
    for row in rows:
        if row.date is not None:
            days[row.date].append(row)
    return {date: sorted(of, key=_begun_s) for date, of in sorted(days.items())}


def past_set(row: SetRow) -> PastSet:
    """A set as those after it on its day depend on it.

    Args:
        row: a set with a date.
    """
    strength = (row.one_rm_low_n, row.one_rm_n, row.one_rm_high_n)
    return PastSet(
        exercise=row.exercise,
        start_n=row.start_load_n,
        begun_s=_begun_s(row),
        ended_s=_begun_s(row) + row.duration_s,
        strength_n=None if None in strength else strength,  # type: ignore[arg-type]
        loss=row.budget_spent,
    )


def freshest(exercise: str, day: Sequence[SetRow]) -> SetRow | None:
    """The set of an exercise that was begun the freshest; None if there is none.

    Args:
        exercise: which.
        day: the sets of a day, in the order in which they were begun.
    """
    done = [past_set(row) for row in day]
    of = [k for k, row in enumerate(day) if row.exercise == exercise]
    return day[min(of, key=lambda k: loss_left(exercise, done[:k], done[k].begun_s)[1])] if of else None


def _begun_s(row: SetRow) -> float:
    return 0.0 if row.begun_at is None else row.begun_at.timestamp()
