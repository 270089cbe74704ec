"""Migrations and tables agree, on both databases; a store is migrated up and down, and a strange one is refused."""

from __future__ import annotations

import sqlite3
from pathlib import Path

import pytest
from alembic.autogenerate import compare_metadata
from alembic.migration import MigrationContext
from alembic.script import ScriptDirectory
from sqlalchemy import Connection, inspect, text

from ebbset.coaching.history import databases, schema
from ebbset.coaching.history.databases import StoreError, sqlite_url
from ebbset.coaching.history.store import HistoryStore
from ebbset.coaching.history.tables import Base


def test_the_migrations_lead_to_the_tables(store: HistoryStore) -> None:
    with databases.reading(store.engine) as connection:
        context = MigrationContext.configure(connection, opts={"compare_type": True})
        assert compare_metadata(context, Base.metadata) == []
        assert set(inspect(connection).get_table_names()) == {*Base.metadata.tables, "alembic_version"}


def test_every_migration_can_be_taken_back_and_done_again(store: HistoryStore) -> None:
    with databases.writing(store.engine) as connection:
        schema.migrate(connection, "base")
    with databases.reading(store.engine) as connection:
        assert inspect(connection).get_table_names() == ["alembic_version"]
        assert schema.version_of(connection) is None
    with databases.writing(store.engine) as connection:
        schema.bring_up_to_date(connection, name="store")
    with databases.reading(store.engine) as connection:
        assert schema.version_of(connection) == schema.HEAD
        assert set(inspect(connection).get_table_names()) == {*Base.metadata.tables, "alembic_version"}


def test_the_newest_version_is_the_head_of_the_migrations() -> None:
    scripts = ScriptDirectory.from_config(schema.alembic_config())
    assert scripts.get_heads() == [schema.HEAD]


def test_a_migration_that_fails_leaves_nothing_behind(store_url: str, monkeypatch: pytest.MonkeyPatch) -> None:
    whole = schema.migrate

    def break_off(connection: Connection, version: str) -> None:
        whole(connection, version)
        raise RuntimeError("power cut")

    monkeypatch.setattr(schema, "migrate", break_off)
    with pytest.raises(RuntimeError):
        HistoryStore.open(store_url)
    engine = databases.engine_of(databases.parsed(store_url))
    with databases.reading(engine) as connection:
        assert inspect(connection).get_table_names() == []
    engine.dispose()
    monkeypatch.undo()
    HistoryStore.open(store_url).close()


def test_a_store_of_a_later_version_is_left_alone(store_url: str) -> None:
    with HistoryStore.open(store_url) as store, databases.writing(store.engine) as connection:
        connection.execute(text("UPDATE alembic_version SET version_num = '9999'"))
    with pytest.raises(StoreError, match=r"later version of ebbset \(tables 9999; this one knows up to"):
        HistoryStore.open(store_url)


def test_a_database_of_something_else_is_left_alone(store_url: str) -> None:
    if store_url.startswith("sqlite"):
        Path(store_url.removeprefix("sqlite:///")).parent.mkdir()
    engine = databases.engine_of(databases.parsed(store_url))
    with databases.writing(engine) as connection:
        connection.execute(text("CREATE TABLE bills (number INTEGER)"))
    with pytest.raises(StoreError, match="a database of something else"):
        HistoryStore.open(store_url)
    with databases.reading(engine) as connection:
        assert inspect(connection).get_table_names() == ["bills"]
    engine.dispose()


def test_a_file_that_is_no_database_says_what_to_do(tmp_path: Path) -> None:
    path = tmp_path / "history.sqlite"
    path.write_bytes(b"not a database, but long enough to look at" * 100)
    before = path.read_bytes()
    with pytest.raises(StoreError, match=r"history\.sqlite: the store is broken .*ebbset history rebuild"):
        HistoryStore.open(sqlite_url(path))
    assert path.read_bytes() == before


def test_a_store_that_cannot_be_reached_says_what_to_check(tmp_path: Path) -> None:
    with pytest.raises(StoreError, match="check the URL and that the server runs"):
        HistoryStore.open(f"postgresql://somebody:secret@/store?host={tmp_path}")
    (tmp_path / "file").write_text("")
    with pytest.raises(StoreError, match="allowed: a folder that can be written"):
        HistoryStore.open(sqlite_url(tmp_path / "file" / "history.sqlite"))


@pytest.mark.parametrize("url", ["mysql://u:secret@h/d", "sqlite://", "sqlite:///:memory:", "history.sqlite", ""])
def test_another_kind_of_store_is_refused_and_no_password_is_shown(url: str) -> None:
    with pytest.raises(StoreError, match=r"allowed: sqlite:///FILE, or postgresql://") as caught:
        HistoryStore.open(url)
    assert "secret" not in str(caught.value)


def test_the_password_of_a_store_is_never_shown(tmp_path: Path) -> None:
    with pytest.raises(StoreError) as caught:
        HistoryStore.open(f"postgresql://somebody:secret@/store?host={tmp_path}")
    assert "secret" not in str(caught.value)
    assert "somebody" in str(caught.value)


def test_a_store_in_a_file_is_known_by_its_head(tmp_path: Path) -> None:
    path = tmp_path / "any.name"
    HistoryStore.open(sqlite_url(path)).close()
    connection = sqlite3.connect(path)
    assert connection.execute("PRAGMA application_id").fetchone() == (databases.APPLICATION_ID,)
    assert connection.execute("PRAGMA journal_mode").fetchone() == ("wal",)
    connection.close()
