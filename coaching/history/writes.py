"""What is written into a store and taken out of it, each inside a transaction that the caller holds.

Rows are put under natural keys: what is there already is replaced or left, never doubled.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

from sqlalchemy import Connection, delete, exists, insert, or_, select, update
from sqlalchemy.dialects.postgresql import insert as insert_on_postgresql
from sqlalchemy.dialects.sqlite import insert as insert_on_sqlite

from ebbset.coaching.history.owners import is_of
from ebbset.coaching.history.rows.report_rows import SiteReport
from ebbset.coaching.history.rows.set_rows import (
    ROWS_VERSION,
    Row,
    decision_rows,
    profile_row,
    repetition_rows,
    set_row,
)
from ebbset.coaching.history.tables import (
    Base,
    DecisionEntry,
    LifterEntry,
    ProfileVersion,
    RecordingEntry,
    RepetitionEntry,
    ReportedSet,
    ReportEntry,
    SessionEntry,
    SessionSetEntry,
    SessionStepEntry,
    SetEntry,
    SiteHealth,
)
from ebbset.controller.recording.recorded_set import RecordedSet
from ebbset.controller.recording.sources import Source
from ebbset.models.contract.profile import LifterProfile

if TYPE_CHECKING:
    from ebbset.coaching.history.rows.session_rows import SessionRows


def put(connection: Connection, table: type[Base], rows: Sequence[Row], *, replace: bool = True) -> None:
    """Insert rows; where a row has the key of one that is there, replace it or leave it.

    Args:
        connection: in a transaction that writes.
        table: where to.
        rows: one dictionary for each, all with the same members.
        replace: whether a row that is there becomes the new one.
    """
    if not rows:
        return
    keys = [column.name for column in table.__table__.primary_key]
    make = insert_on_postgresql if connection.dialect.name == "postgresql" else insert_on_sqlite
    statement = make(table)
    others = {name: statement.excluded[name] for name in rows[0] if name not in keys}
    if replace and others:
        statement = statement.on_conflict_do_update(index_elements=keys, set_=others)
    else:
        statement = statement.on_conflict_do_nothing(index_elements=keys)
    connection.execute(statement, list(rows))


def put_lifter(connection: Connection, lifter: str) -> None:
    """Make sure that a lifter has a row.

    Args:
        connection: in a transaction that writes.
        lifter: pseudonym.
    """
    put(connection, LifterEntry, [{"lifter": lifter}])


def put_profile(connection: Connection, profile: LifterProfile) -> None:
    """Write a version of a profile.

    Args:
        connection: in a transaction that writes.
        profile: the profile.
    """
    put_lifter(connection, profile.lifter)
    put(connection, ProfileVersion, [profile_row(profile)])


def put_session(connection: Connection, rows: SessionRows) -> None:
    """Write a session as far as it has come.

    Args:
        connection: in a transaction that writes.
        rows: of the session.
    """
    put_lifter(connection, rows.session["lifter"])
    put(connection, SessionEntry, [rows.session])
    put(connection, SessionStepEntry, rows.steps)
    put(connection, SessionSetEntry, rows.sets)


def put_reports(connection: Connection, reports: Sequence[SiteReport]) -> int:
    """Write what sites reported, each report once; returns how many of them were new.

    Args:
        connection: in a transaction that writes.
        reports: in any order.
    """
    rows = {one.report["digest"]: one.report for one in reports if one.report is not None}
    there = set(connection.execute(select(ReportEntry.digest).where(ReportEntry.digest.in_(rows))).scalars())
    put(connection, ReportEntry, [row for digest, row in rows.items() if digest not in there])
    put(connection, ReportedSet, [one.done for one in reports if one.done is not None], replace=False)
    newest: dict[str, Row] = {}
    for one in reports:
        if one.health is not None and one.health["at_s"] >= newest.get(one.health["site"], one.health)["at_s"]:
            newest[one.health["site"]] = one.health
    told = connection.execute(select(SiteHealth.site, SiteHealth.at_s).where(SiteHealth.site.in_(newest)))
    known = {row.site: row.at_s for row in told}
    put(connection, SiteHealth, [row for site, row in newest.items() if row["at_s"] > known.get(site, -1.0)])
    return len(rows) - len(there)


def put_recording(connection: Connection, source: Source, sha256: str, sets: Sequence[RecordedSet]) -> None:
    """Write a recording and its sets, each unless another recording holds more of it.

    Args:
        connection: in a transaction that writes.
        source: the recording.
        sha256: of its bytes.
        sets: its sets, each once.
    """
    # Copies have one hash and may have several names; whichever comes first, the same name stays.
    before = connection.execute(select(RecordingEntry.name).where(RecordingEntry.sha256 == sha256)).scalar()
    row = {
        "sha256": sha256,
        "name": min(source.name, before or source.name),
        "simulated": any(item.simulated for item in sets),
        "missing": "\n".join(source.missing),
        "sets": len(sets),
        "rows_version": ROWS_VERSION,
    }
    put(connection, RecordingEntry, [row])
    for item in sets:
        new = set_row(item)
        there = connection.execute(
            select(SetEntry.finished, SetEntry.fullness, SetEntry.sha256).where(SetEntry.nonce == item.nonce)
        ).one_or_none()
        if there is not None and _is_fuller(tuple(there), (new["finished"], new["fullness"], sha256)):
            continue
        _put_set(connection, item, {**new, "sha256": sha256})


def _is_fuller(there: tuple[Any, ...], new: tuple[Any, ...]) -> bool:
    """Whether the recording of a set that the store has holds more of it; the hash decides between equals."""
    return bool(there[:2] > new[:2] or (there[:2] == new[:2] and there[2] < new[2]))


def _put_set(connection: Connection, item: RecordedSet, row: Row) -> None:
    if item.person is not None:
        put_lifter(connection, item.person)
    if item.profile is not None:
        put_profile(connection, item.profile)
    connection.execute(delete(SetEntry).where(SetEntry.nonce == item.nonce))
    connection.execute(insert(SetEntry), [row])
    put(connection, RepetitionEntry, repetition_rows(item))
    put(connection, DecisionEntry, decision_rows(item))


def _drop_lifters_without_rows(connection: Connection) -> None:
    used = [
        exists().where(column == LifterEntry.lifter)
        for column in (SetEntry.lifter, SessionEntry.lifter, ProfileVersion.lifter)
    ]
    connection.execute(delete(LifterEntry).where(~or_(*used)))


def rows_of(connection: Connection, lifter: str, nonces: Sequence[str]) -> dict[str, list[Row]]:
    """Every row about a lifter, by table.

    Args:
        connection: in a transaction.
        lifter: pseudonym.
        nonces: sets that are this lifter's though they name nobody.
    """
    sets = select(SetEntry.nonce).where(or_(is_of(lifter), SetEntry.nonce.in_(nonces)))
    shas = select(SetEntry.sha256).where(or_(is_of(lifter), SetEntry.nonce.in_(nonces)))
    sessions = select(SessionEntry.session).where(SessionEntry.lifter == lifter)
    wanted = {
        SetEntry: SetEntry.nonce.in_(sets),
        RepetitionEntry: RepetitionEntry.nonce.in_(sets),
        DecisionEntry: DecisionEntry.nonce.in_(sets),
        ReportEntry: or_(ReportEntry.nonce.in_(sets), ReportEntry.nonce.in_(nonces)),
        ReportedSet: or_(ReportedSet.nonce.in_(sets), ReportedSet.nonce.in_(nonces)),
        SessionEntry: SessionEntry.session.in_(sessions),
        SessionStepEntry: SessionStepEntry.session.in_(sessions),
        SessionSetEntry: or_(SessionSetEntry.session.in_(sessions), SessionSetEntry.nonce.in_(nonces)),
        ProfileVersion: ProfileVersion.lifter == lifter,
        RecordingEntry: RecordingEntry.sha256.in_(shas),
        LifterEntry: LifterEntry.lifter == lifter,
    }
    return {
        str(table.__tablename__): [
            dict(row) for row in connection.execute(select(table.__table__).where(condition)).mappings()
        ]
        for table, condition in wanted.items()
    }


def take_out(connection: Connection, lifter: str, nonces: Sequence[str]) -> int:
    """Delete every row about a lifter; returns how many there were.

    Args:
        connection: in a transaction that writes.
        lifter: pseudonym.
        nonces: sets that are this lifter's though they name nobody.
    """
    count = sum(len(rows) for rows in rows_of(connection, lifter, nonces).values())
    of_lifter = or_(is_of(lifter), SetEntry.nonce.in_(nonces))
    recordings = list(connection.execute(select(SetEntry.sha256).where(of_lifter).distinct()).scalars())
    theirs = [*nonces, *connection.execute(select(SetEntry.nonce).where(of_lifter)).scalars()]
    connection.execute(delete(ReportEntry).where(ReportEntry.nonce.in_(theirs)))
    connection.execute(delete(ReportedSet).where(ReportedSet.nonce.in_(theirs)))
    connection.execute(delete(SetEntry).where(of_lifter))
    connection.execute(delete(SessionSetEntry).where(SessionSetEntry.nonce.in_(nonces)))
    connection.execute(delete(SessionEntry).where(SessionEntry.lifter == lifter))
    connection.execute(delete(ProfileVersion).where(ProfileVersion.lifter == lifter))
    connection.execute(delete(LifterEntry).where(LifterEntry.lifter == lifter))
    of_others = exists().where(SetEntry.sha256 == RecordingEntry.sha256)
    connection.execute(delete(RecordingEntry).where(RecordingEntry.sha256.in_(recordings), ~of_others))
    # A recording of several people stays, and its name may be the pseudonym.
    connection.execute(update(RecordingEntry).where(RecordingEntry.sha256.in_(recordings)).values(name=""))
    return count


def keep_only(connection: Connection, recordings: Mapping[str, str], sessions: set[str], profiles: set[str]) -> None:
    """Delete everything that was not made from these.

    Args:
        connection: in a transaction that writes.
        recordings: SHA-256 of each recording that stays, and its name.
        sessions: key of each session that stays.
        profiles: digest of each profile that stays, beside those that sets were armed with.
    """
    for table, column, kept in (
        (RecordingEntry, RecordingEntry.sha256, set(recordings)),
        (SessionEntry, SessionEntry.session, sessions),
    ):
        there = set(connection.execute(select(column)).scalars())
        for key in sorted(there - kept):
            connection.execute(delete(table).where(column == key))
    for sha256, name in sorted(recordings.items()):
        connection.execute(update(RecordingEntry).where(RecordingEntry.sha256 == sha256).values(name=name))
    wanted = profiles | set(connection.execute(select(SetEntry.profile_digest).distinct()).scalars())
    for key in sorted(set(connection.execute(select(ProfileVersion.digest)).scalars()) - wanted):
        connection.execute(delete(ProfileVersion).where(ProfileVersion.digest == key))
    _drop_lifters_without_rows(connection)
