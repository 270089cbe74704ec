"""What is read out of a store: the sets, sessions and profiles of one lifter, each by an index.

Sets of blinded sessions are left out unless they are asked for, so that no screen shows them by oversight.
"""

from __future__ import annotations

import datetime
from collections import defaultdict
from collections.abc import Iterable, Sequence
from typing import Any

from sqlalchemy import Connection, Select, func, literal, select

from ebbset.coaching.history.owners import is_of, set_counts
from ebbset.coaching.history.rows.history_rows import LifterRow, SessionRow, SessionSetRow, SessionStepRow, SetRow
from ebbset.coaching.history.tables import (
    DecisionEntry,
    LifterEntry,
    ProfileVersion,
    RecordingEntry,
    RepetitionEntry,
    SessionEntry,
    SessionSetEntry,
    SessionStepEntry,
    SetEntry,
)
from ebbset.models.contract.profile import LifterProfile


def lifters(connection: Connection) -> tuple[LifterRow, ...]:
    """Every lifter, by pseudonym.

    Args:
        connection: in a transaction.
    """
    sets = set_counts(connection)
    sessions = _counts(connection.execute(select(SessionEntry.lifter, func.count()).group_by(SessionEntry.lifter)))
    names = sorted(connection.execute(select(LifterEntry.lifter)).scalars())
    return tuple(
        LifterRow(
            lifter=name,
            sets=sets.get(name, (0, None))[0],
            sessions=sessions.get(name, 0),
            newest=_local(sets.get(name, (0, None))[1]),
        )
        for name in names
    )


def _counts(rows: Iterable[Any]) -> dict[str, int]:
    return {str(row[0]): int(row[1]) for row in rows}


def statement_of_sets(lifter: str, exercise: str | None, newest: int | None, *, blinded: bool) -> Select[Any]:
    """The query behind `sets_of`, newest first; a test looks at how the database runs it.

    Args:
        lifter: pseudonym.
        exercise: only this one; None for all.
        newest: at most so many; None for all.
        blinded: sets of blinded sessions too.
    """
    statement = (
        select(SetEntry.__table__, RecordingEntry.name.label("recording"), literal(lifter).label("whose"))
        .join(RecordingEntry, RecordingEntry.sha256 == SetEntry.sha256)
        .where(is_of(lifter))
        .order_by(SetEntry.begun_at_s.desc(), SetEntry.nonce.desc())
    )
    if exercise is not None:
        statement = statement.where(SetEntry.exercise == exercise)
    if not blinded:
        statement = statement.where(SetEntry.blinded.is_(False))
    return statement if newest is None else statement.limit(newest)


def sets_of(connection: Connection, statement: Select[Any]) -> tuple[SetRow, ...]:
    """Sets of one lifter, the oldest first, those without a date before all others.

    Args:
        connection: in a transaction.
        statement: from `statement_of_sets`.
    """
    found = [
        SetRow(
            begun_at=_local(row["begun_at_s"]),
            lifter=row["whose"],
            **{name: row[name] for name in SetRow.__dataclass_fields__ if name not in ("begun_at", "lifter")},
        )
        for row in connection.execute(statement).mappings()
    ]
    return tuple(sorted(found, key=lambda row: (row.begun_at.timestamp() if row.begun_at else 0.0, row.nonce)))


def blinded_sets_of(connection: Connection, lifter: str) -> int:
    """How many sets of blinded sessions a lifter has.

    Args:
        connection: in a transaction.
        lifter: pseudonym.
    """
    statement = select(func.count()).where(is_of(lifter), SetEntry.blinded.is_(True))
    return int(connection.execute(statement).scalar_one())


def sessions_of(connection: Connection, lifter: str, *, blinded: bool) -> tuple[SessionRow, ...]:
    """Sessions of one lifter with their steps, the oldest first.

    Args:
        connection: in a transaction.
        lifter: pseudonym.
        blinded: sessions with a blinded set too.
    """
    of_lifter = select(SessionEntry).where(SessionEntry.lifter == lifter)
    if not blinded:
        of_lifter = of_lifter.where(SessionEntry.blinded.is_(False))
    sessions = connection.execute(of_lifter.order_by(SessionEntry.begun_at_s)).mappings().all()
    keys = select(of_lifter.subquery().c.session)
    sets: dict[tuple[str, int], list[SessionSetRow]] = defaultdict(list)
    for row in connection.execute(
        select(SessionSetEntry)
        .where(SessionSetEntry.session.in_(keys))
        .order_by(SessionSetEntry.ended_at_s, SessionSetEntry.nonce)
    ).mappings():
        told = {name: row[name] for name in SessionSetRow.__dataclass_fields__}
        sets[row["session"], row["step"]].append(SessionSetRow(**told))
    steps: dict[str, list[SessionStepRow]] = defaultdict(list)
    for row in connection.execute(
        select(SessionStepEntry).where(SessionStepEntry.session.in_(keys)).order_by(SessionStepEntry.step)
    ).mappings():
        told = {name: row[name] for name in SessionStepRow.__dataclass_fields__ if name != "sets"}
        steps[row["session"]].append(SessionStepRow(**told, sets=tuple(sets[row["session"], row["step"]])))
    return tuple(
        SessionRow(
            session=row["session"],
            name=row["name"],
            lifter=row["lifter"],
            minutes=row["minutes"],
            begun_at=_local_of(row["begun_at_s"]),
            ended_at=_local_of(row["ended_at_s"]),
            ended_because=row["ended_because"],
            steps=tuple(steps[row["session"]]),
        )
        for row in sessions
    )


def profiles_of(connection: Connection, lifter: str) -> tuple[LifterProfile, ...]:
    """Every version of a lifter's profiles, by exercise, the oldest first.

    Args:
        connection: in a transaction.
        lifter: pseudonym.
    """
    documents = connection.execute(select(ProfileVersion.document).where(ProfileVersion.lifter == lifter)).scalars()
    profiles = [LifterProfile.from_toml(text) for text in documents]
    return tuple(sorted(profiles, key=lambda one: (one.exercise, one.date, one.sets_used)))


def repetitions_of(connection: Connection, nonce: str) -> Sequence[dict[str, Any]]:
    """Rows of a set's repetitions, in order.

    Args:
        connection: in a transaction.
        nonce: of the set.
    """
    table = RepetitionEntry.__table__
    statement = select(table).where(RepetitionEntry.nonce == nonce).order_by(RepetitionEntry.position)
    return [dict(row) for row in connection.execute(statement).mappings()]


def decisions_of(connection: Connection, nonce: str) -> Sequence[dict[str, Any]]:
    """Rows of a set's decisions, in order.

    Args:
        connection: in a transaction.
        nonce: of the set.
    """
    table = DecisionEntry.__table__
    statement = select(table).where(DecisionEntry.nonce == nonce).order_by(DecisionEntry.position)
    return [dict(row) for row in connection.execute(statement).mappings()]


def _local(at_s: float | None) -> datetime.datetime | None:
    return None if at_s is None else _local_of(at_s)


def _local_of(at_s: float) -> datetime.datetime:
    return datetime.datetime.fromtimestamp(at_s, datetime.UTC).astimezone()
