"""A lifter who is deleted is found nowhere afterwards: not in a row, not in any byte of the database's files."""

from __future__ import annotations

import json
import re
import shutil
import zipfile
from collections.abc import Iterator
from pathlib import Path

import psycopg
import pytest

from ebbset.coaching.history import databases
from ebbset.coaching.history.databases import StoreError, sqlite_url
from ebbset.coaching.history.rebuild import fill, history_files
from ebbset.coaching.history.store import HistoryStore
from ebbset.coaching.privacy import INDEX, Kind, delete, export, find
from ebbset.console.app import run
from ebbset.console.exits import Exit
from ebbset.models.contract.study_mark import mark_of
from tests.support.history_site import blinding, person, record_set, write_session
from tests.support.postgres import Postgres

GONE = "zephyr-17"
"""A pseudonym that no byte holds by chance."""


@pytest.fixture(scope="module")
def made_home(made_site: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The site with one lifter more, in every place that there is."""
    site = Path(shutil.copytree(made_site, tmp_path_factory.mktemp("forget") / "home"))
    gone = person(GONE)
    for number in range(4):
        record_set(site / "recordings" / f"{GONE}-{number}.mcap", gone, number=30 + number, day=number)
    notes = blinding(GONE, "load")
    assert mark_of(notes) is not None
    record_set(site / "recordings" / "study.mcap", None, number=40, notes=notes)
    (site / "profiles").mkdir()
    (site / "profiles" / "row.toml").write_text(gone.model_copy(update={"sets_used": 9}).to_toml())
    write_session(site / "sessions", "tuesday", GONE)
    write_session(site / "sessions", "friday", "a7")
    return site


@pytest.fixture
def home(made_home: Path, tmp_path: Path) -> Path:
    """A copy that a test may change."""
    return Path(shutil.copytree(made_home, tmp_path / "home"))


def traces(lifter_nonces: frozenset[str], files: Iterator[Path]) -> dict[str, bytes]:
    """Files with a byte sequence that is the lifter's."""
    signs = [GONE.encode(), *(nonce.encode() for nonce in lifter_nonces)]
    return {
        str(path): found[0]
        for path in files
        if path.is_file() and (found := [sign for sign in signs if sign in path.read_bytes()])
    }


def test_no_byte_of_the_files_of_a_store_tells_of_a_deleted_lifter(home: Path, tmp_path: Path) -> None:
    path = tmp_path / "store" / "history.sqlite"
    with HistoryStore.open(sqlite_url(path)) as store, HistoryStore.open(sqlite_url(path)) as looking:
        fill(store, history_files([home]))
        nonces = frozenset(row.nonce for row in store.sets_of(GONE, blinded=True))
        others = {table: rows for table, rows in store.dump().items() if table != "recordings"}
        assert len(nonces) == 5
        assert looking.sets_of(GONE)
        assert traces(nonces, path.parent.iterdir())
        assert store.forget(GONE) > 5 * 10
        # While programs still have it open, with its log beside it.
        assert traces(nonces, path.parent.iterdir()) == {}
        assert looking.sets_of(GONE, blinded=True) == ()
        left = store.dump()
        for table, rows in others.items():
            assert left[table] == [row for row in rows if row in left[table]]
        assert [one.lifter for one in store.lifters()] == ["a7", "b2", "p01"]
        assert len(store.sets_of("a7")) == 4
    assert traces(nonces, path.parent.iterdir()) == {}


def test_no_table_of_a_server_tells_of_a_deleted_lifter(home: Path, cluster: Postgres) -> None:
    """Its write-ahead log does until the server recycles it, which is the server's own business."""
    url = cluster.new_database()
    with HistoryStore.open(url) as store:
        fill(store, history_files([home]))
        nonces = frozenset(row.nonce for row in store.sets_of(GONE, blinded=True))
        with psycopg.connect(url, autocommit=True) as connection:
            connection.execute("ANALYZE")
            connection.execute("CHECKPOINT")
        assert traces(nonces, relation_files(url, cluster))
        store.forget(GONE)
        with psycopg.connect(url, autocommit=True) as connection:
            connection.execute("CHECKPOINT")
            statistics = str(connection.execute("SELECT * FROM pg_stats WHERE schemaname = 'public'").fetchall())
        assert traces(nonces, relation_files(url, cluster)) == {}
        assert GONE not in statistics
        assert len(store.sets_of("a7")) == 4


def relation_files(url: str, cluster: Postgres) -> Iterator[Path]:
    """Files of all tables and indices of the store, and of what is too long for a row."""
    with psycopg.connect(url) as connection:
        rows = connection.execute(
            "SELECT pg_relation_filepath(oid) FROM pg_class WHERE relnamespace IN "
            "('public'::regnamespace, 'pg_toast'::regnamespace) AND relkind IN ('r', 'i', 't')"
        ).fetchall()
    assert len(rows) > 20
    for (name,) in rows:
        if name is not None:
            yield cluster.data / name


def test_a_reader_that_does_not_end_is_told_of(home: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("ebbset.coaching.history.databases.PATIENCE_S", 0.05)
    url = sqlite_url(tmp_path / "history.sqlite")
    with HistoryStore.open(url) as store, HistoryStore.open(url) as looking:
        fill(store, history_files([home]))
        with databases.reading(looking.engine) as connection:
            connection.exec_driver_sql("SELECT * FROM sets").fetchone()
            with pytest.raises(StoreError, match=r"another program .*run it again|try again when it is done"):
                store.forget(GONE)
        store.forget(GONE)
    assert traces(frozenset(), tmp_path.glob("history.sqlite*")) == {}


def test_the_privacy_commands_cover_store_and_sessions(home: Path, tmp_path: Path) -> None:
    with HistoryStore.open(sqlite_url(home / "history.sqlite")) as store:
        fill(store, history_files([home]))
        nonces = frozenset(row.nonce for row in store.sets_of(GONE, blinded=True))
        rows = store.rows_of(GONE)
    search = find(GONE, [home])
    kinds = {str(one.path.relative_to(home)): one.kind for one in search.found}
    assert kinds["history.sqlite"] is Kind.STORE
    assert kinds["sessions/tuesday.plan.toml"] is kinds["sessions/tuesday.journal.jsonl"] is Kind.SESSION
    assert kinds["profiles/row.toml"] is Kind.PROFILE
    assert not any("friday" in name or "a7" in name for name in kinds)
    assert search.unsearched == ()
    assert search.nonces >= nonces
    export(search, tmp_path / "all.zip")
    with zipfile.ZipFile(tmp_path / "all.zip") as archive:
        index = json.loads(archive.read(INDEX))
        (entry,) = [one for one in index["files"] if one["kind"] == "store"]
        told = json.loads(archive.read(entry["file"]))
    assert told == json.loads(json.dumps(rows))
    assert entry["rows"] == sum(len(of_table) for of_table in told.values())
    before = {path: path.read_bytes() for path in (home / "sessions").glob("friday*")}
    delete(search)
    assert find(GONE, [home], known_nonces=search.nonces).found == ()
    assert traces(search.nonces, home.rglob("*")) == {}
    assert {path: path.read_bytes() for path in (home / "sessions").iterdir()} == before
    with HistoryStore.open(sqlite_url(home / "history.sqlite")) as store:
        assert len(store.sets_of("a7")) == 4
        assert len(store.sessions_of("a7")) == 1


def test_a_journal_whose_plan_is_gone_is_known_by_its_sets(home: Path) -> None:
    nonce = next(iter(find(GONE, [home / "recordings"]).nonces))
    write_session(home / "sessions", "thursday", GONE, nonces=(nonce, "another-nonce"))
    (home / "sessions" / "thursday.plan.toml").unlink()
    found = {one.path.name: one.kind for one in find(GONE, [home]).found}
    assert found["thursday.journal.jsonl"] is Kind.SESSION
    assert "friday.journal.jsonl" not in found


def test_a_store_on_a_server_is_named_by_its_url(
    home: Path, cluster: Postgres, capsys: pytest.CaptureFixture[str]
) -> None:
    url = cluster.new_database()
    with HistoryStore.open(url) as store:
        fill(store, history_files([home]))
    assert run(["lifter", "show", GONE, str(home / "sessions"), "--store", url]) == Exit.OK
    shown = capsys.readouterr().out
    assert re.search(r"postgresql://.* rows: a history's store; only this lifter's rows are taken out", shown)
    arguments = ["lifter", "delete", GONE, str(home), "--store", url, "--yes"]
    assert run(arguments) == Exit.OK
    assert "nothing about zephyr-17 is left" in capsys.readouterr().out
    with HistoryStore.open(url) as store:
        assert not any(store.rows_of(GONE).values())
        assert len(store.sets_of("a7")) == 4


def test_a_store_that_cannot_be_searched_is_named(home: Path) -> None:
    path = home / "history.sqlite"
    with HistoryStore.open(sqlite_url(path)) as store:
        fill(store, history_files([home]))
    path.rename(home / "history.sqlite.broken-1")
    broken = home / "history.sqlite.broken-1"
    data = broken.read_bytes()
    broken.write_bytes(data[:4096] + b"\xff" * 8192 + data[12288:])
    unsearched = {one.path.name: one.why for one in find(GONE, [home]).unsearched}
    assert "the store is broken" in unsearched["history.sqlite.broken-1"]
