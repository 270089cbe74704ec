"""Whose a set is: the person that its recording names, else the lifter in whose session it was done.

A newcomer has no profile yet, so recordings of the first sets name nobody; the journal of the session knows. It is
asked whenever rows are read, so it does not matter which of the two came into the store first.
"""

from __future__ import annotations

from sqlalchemy import ColumnElement, Connection, and_, func, or_, select

from ebbset.coaching.history.tables import SessionEntry, SessionSetEntry, SetEntry


def is_of(lifter: str) -> ColumnElement[bool]:
    """Condition on `SetEntry`: the set is this lifter's.

    Args:
        lifter: pseudonym.
    """
    in_a_session = (
        select(SessionSetEntry.nonce)
        .join(SessionEntry, SessionEntry.session == SessionSetEntry.session)
        .where(SessionEntry.lifter == lifter)
    )
    return or_(SetEntry.lifter == lifter, and_(SetEntry.lifter.is_(None), SetEntry.nonce.in_(in_a_session)))


def set_counts(connection: Connection) -> dict[str, tuple[int, float | None]]:
    """For each lifter with sets: how many there are, and when the newest was begun.

    Args:
        connection: in a transaction.
    """
    named = (
        select(SetEntry.lifter, func.count(), func.max(SetEntry.begun_at_s))
        .where(SetEntry.lifter.is_not(None))
        .group_by(SetEntry.lifter)
    )
    unnamed = (
        select(SessionEntry.lifter, func.count(), func.max(SetEntry.begun_at_s))
        .join(SessionSetEntry, SessionSetEntry.session == SessionEntry.session)
        .join(SetEntry, SetEntry.nonce == SessionSetEntry.nonce)
        .where(SetEntry.lifter.is_(None))
        .group_by(SessionEntry.lifter)
    )
    counts: dict[str, tuple[int, float | None]] = {}
    for lifter, count, newest in (*connection.execute(named), *connection.execute(unnamed)):
        before, newest_before = counts.get(str(lifter), (0, None))
        dated = [at_s for at_s in (newest, newest_before) if at_s is not None]
        counts[str(lifter)] = (before + count, max(dated, default=None))
    return counts
