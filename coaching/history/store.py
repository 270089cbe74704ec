"""The store: writes what recordings, journals and profiles hold, once however often it is told, and forgets a lifter.

Every write is one transaction under natural keys, so that a write that is repeated, broken off or made by two programs
at once leaves the same rows. What it holds is read in `queries`.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, Self

from sqlalchemy import Engine, inspect, select

from ebbset.coaching.history import databases, queries, schema, writes
from ebbset.coaching.history.databases import StoreError
from ebbset.coaching.history.rows.history_rows import LifterRow, SessionRow, SetRow
from ebbset.coaching.history.rows.report_rows import SiteReport
from ebbset.coaching.history.rows.set_rows import ROWS_VERSION, Row
from ebbset.coaching.history.tables import Base, RecordingEntry
from ebbset.controller.recording.file_state import is_being_written
from ebbset.controller.recording.reader import file_digest
from ebbset.controller.recording.selection import counted_once
from ebbset.controller.recording.sources import read_source
from ebbset.models.contract.profile import LifterProfile

if TYPE_CHECKING:
    from ebbset.coaching.sessions.session_events import SessionEvent
    from ebbset.coaching.sessions.session_steps import SessionPlanFile


@dataclass(frozen=True, slots=True, kw_only=True)
class AddedRecording:
    """What came of adding a recording.

    Attributes:
        name: of the file.
        sets: how many sets it holds.
        new: False when the store had it already.
        left_out: a sentence when it was not added; else empty.
    """

    name: str
    sets: int = 0
    new: bool = False
    left_out: str = ""


class HistoryStore:
    """An open store; made by `open`, to be closed. Any number of threads and programs may use one database.

    Args:
        engine: of the database, up to date.
    """

    def __init__(self, engine: Engine) -> None:
        self.engine = engine

    @classmethod
    def open(cls, url: str) -> Self:
        """Open a store; it is created if it does not exist, and migrated if it is older.

        Args:
            url: ``sqlite:///FILE`` or ``postgresql://…``.

        Raises:
            StoreError: it cannot be opened, is no store, or is of a later version of ebbset.
        """
        address = databases.parsed(url)
        if address.get_backend_name() == "sqlite":
            folder = Path(address.database or "").parent
            try:
                folder.mkdir(parents=True, exist_ok=True)
            except OSError as error:
                raise StoreError(f"{folder}: {error.strerror}; allowed: a folder that can be written") from None
        engine = databases.engine_of(address)
        try:
            with databases.reading(engine) as connection:
                current = schema.version_of(connection) == schema.HEAD
            if not current:
                with databases.writing(engine) as connection:
                    schema.bring_up_to_date(connection, name=databases.shown(address))
        except BaseException:
            engine.dispose()
            raise
        return cls(engine)

    def close(self) -> None:
        """Close every connection."""
        self.engine.dispose()

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    # --- adding ---------------------------------------------------------------------------------------------------

    def add_recording(self, path: Path, *, again: bool = False) -> AddedRecording:
        """Add the sets of a recording; one that the store knows by its hash is left as it is.

        Of a set that several recordings hold, the fullest is kept, as everywhere in ebbset.

        Args:
            path: the recording.
            again: make its rows again even if the store has them.

        Returns:
            What came of it; a recording that is still being written is left out, to be added when it has ended.

        Raises:
            UnusableFileError: no such file, or no recording.
            StoreError: the database cannot be used.
        """
        if is_being_written(path):
            return AddedRecording(name=path.name, left_out="still being written; add it when it has ended")
        sha256 = file_digest(path)
        if not again:
            with databases.reading(self.engine) as connection:
                known = connection.execute(
                    select(RecordingEntry.sets, RecordingEntry.name).where(
                        RecordingEntry.sha256 == sha256, RecordingEntry.rows_version == ROWS_VERSION
                    )
                ).one_or_none()
            # Of several names of one recording the first in the alphabet is kept, whichever came first.
            if known is not None and known.name <= path.name:
                return AddedRecording(name=path.name, sets=known.sets)
        source = read_source(path)
        sets, _ = counted_once(source.sets)
        with databases.writing(self.engine) as connection:
            writes.put_recording(connection, source, sha256, sets)
        return AddedRecording(name=path.name, sets=len(sets), new=True)

    def add_profile(self, profile: LifterProfile) -> None:
        """Add a version of a profile; one that the store has is left as it is.

        Args:
            profile: the profile.
        """
        with databases.writing(self.engine) as connection:
            writes.put_profile(connection, profile)

    def add_session(self, plan: SessionPlanFile, events: Sequence[SessionEvent], name: str) -> str | None:
        """Add a session, or bring it to where its journal has come.

        Args:
            plan: its plan.
            events: its journal, in order.
            name: of its files, without their endings.

        Returns:
            The key by which the store knows it; None for a session that has not begun, which is not added.

        Raises:
            UnusableFileError: the journal is not of this plan, or tells of something that cannot happen.
            StoreError: the database cannot be used.
        """
        # Here, since a session's loads are scaled by the simulator, whose import takes longer than opening a history.
        from ebbset.coaching.history.rows.session_rows import session_rows

        rows = session_rows(plan, events, name)
        if rows is None:
            return None
        with databases.writing(self.engine) as connection:
            writes.put_session(connection, rows)
        return rows.key

    def add_reports(self, reports: Sequence[SiteReport]) -> int:
        """Add what sites reported; what the store has already is left as it is, and of health the newest is kept.

        Args:
            reports: in any order.

        Returns:
            How many reports of sets were new.

        Raises:
            StoreError: the database cannot be used; nothing was added.
        """
        with databases.writing(self.engine) as connection:
            return writes.put_reports(connection, reports)

    # --- taking out -----------------------------------------------------------------------------------------------

    def keep_only(self, recordings: Mapping[str, str], sessions: Iterable[str], profiles: Iterable[str]) -> None:
        """Take out everything that was not made from these.

        Args:
            recordings: SHA-256 of each recording that stays, and its name.
            sessions: key of each session that stays.
            profiles: digest of each profile file; versions that a set of a recording was armed with stay too.
        """
        with databases.writing(self.engine) as connection:
            writes.keep_only(connection, recordings, set(sessions), set(profiles))

    def forget(self, lifter: str, nonces: Iterable[str] = ()) -> int:
        """Take out everything about a lifter, and overwrite what the database would keep of it.

        On PostgreSQL the tables are written anew. Its write-ahead log and backups are the server's: they keep what was
        deleted until they are recycled.

        Args:
            lifter: pseudonym.
            nonces: sets that are this lifter's though they name nobody.

        Returns:
            How many rows were taken out.

        Raises:
            StoreError: another program reads the store and does not end; run it again.
        """
        with databases.writing(self.engine) as connection:
            count = writes.take_out(connection, lifter, sorted(nonces))
        self._overwrite_what_is_free()
        return count

    def _overwrite_what_is_free(self) -> None:
        if self.engine.dialect.name == "postgresql":
            # The statistics hold frequent values, so they are made anew after the tables.
            names = ", ".join(table.name for table in Base.metadata.sorted_tables)
            databases.run_outside(self.engine, [f"VACUUM (FULL, ANALYZE) {names}"])
            return
        checkpoint = "PRAGMA wal_checkpoint(TRUNCATE)"
        results = databases.run_outside(self.engine, [checkpoint, "VACUUM", checkpoint])
        if results[-1][0] != 0:
            raise StoreError(
                f"{databases.shown(self.engine.url)}: the rows are taken out, but another program reads the store, so "
                "its log still holds them; end that program and run it again"
            )

    # --- reading --------------------------------------------------------------------------------------------------

    def lifters(self) -> tuple[LifterRow, ...]:
        """Every lifter, by pseudonym."""
        with databases.reading(self.engine) as connection:
            return queries.lifters(connection)

    def sets_of(
        self, lifter: str, exercise: str | None = None, newest: int | None = None, *, blinded: bool = False
    ) -> tuple[SetRow, ...]:
        """Sets of one lifter, the oldest first.

        Args:
            lifter: pseudonym.
            exercise: only this one; None for all.
            newest: only so many, the newest; None for all.
            blinded: sets of blinded sessions too, which no screen may show.
        """
        with databases.reading(self.engine) as connection:
            statement = queries.statement_of_sets(lifter, exercise, newest, blinded=blinded)
            return queries.sets_of(connection, statement)

    def blinded_sets_of(self, lifter: str) -> int:
        """How many sets of blinded sessions a lifter has, which `sets_of` leaves out."""
        with databases.reading(self.engine) as connection:
            return queries.blinded_sets_of(connection, lifter)

    def sessions_of(self, lifter: str, *, blinded: bool = False) -> tuple[SessionRow, ...]:
        """Sessions of one lifter with their steps, the oldest first.

        Args:
            lifter: pseudonym.
            blinded: sessions with a blinded set too, which no screen may show.
        """
        with databases.reading(self.engine) as connection:
            return queries.sessions_of(connection, lifter, blinded=blinded)

    def profiles_of(self, lifter: str) -> tuple[LifterProfile, ...]:
        """Every version of a lifter's profiles, by exercise, the oldest first."""
        with databases.reading(self.engine) as connection:
            return queries.profiles_of(connection, lifter)

    def repetitions_of(self, nonce: str) -> Sequence[Row]:
        """Rows of a set's repetitions, in order; the columns are those of `tables.RepetitionEntry`."""
        with databases.reading(self.engine) as connection:
            return queries.repetitions_of(connection, nonce)

    def decisions_of(self, nonce: str) -> Sequence[Row]:
        """Rows of a set's decisions, in order; the columns are those of `tables.DecisionEntry`."""
        with databases.reading(self.engine) as connection:
            return queries.decisions_of(connection, nonce)

    # --- everything -----------------------------------------------------------------------------------------------

    def rows_of(self, lifter: str, nonces: Iterable[str] = ()) -> dict[str, list[Row]]:
        """Every row about a lifter, by table.

        Args:
            lifter: pseudonym.
            nonces: sets that are this lifter's though they name nobody.
        """
        with databases.reading(self.engine) as connection:
            return writes.rows_of(connection, lifter, sorted(nonces))

    def check(self) -> None:
        """Look for damage in the whole database.

        Raises:
            BrokenStoreError: it is damaged, or a table is missing.
        """
        with databases.reading(self.engine) as connection:
            missing = set(Base.metadata.tables) - set(inspect(connection).get_table_names())
            if missing:
                raise databases.broken(self.engine, f"without {', '.join(sorted(missing))}")
        if self.engine.dialect.name == "sqlite":
            ((found,),) = databases.run_outside(self.engine, ["PRAGMA integrity_check(1)"])
            if found != "ok":
                raise databases.broken(self.engine, str(found).partition("\n")[0])

    def dump(self) -> dict[str, list[tuple[Any, ...]]]:
        """All rows of all tables, sorted by their keys: equal for stores that hold the same."""
        with databases.reading(self.engine) as connection:
            return {
                # Every table begins with its key, so no two rows are compared beyond it.
                table.name: sorted(tuple(row) for row in connection.execute(select(table)))
                for table in Base.metadata.sorted_tables
            }
