"""The store is made again from recordings, journals and profiles, to the same rows, whatever was wrong with it."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest
from sqlalchemy import text

from ebbset.coaching.collecting.site_reports import read_report
from ebbset.coaching.history import databases
from ebbset.coaching.history.databases import BrokenStoreError, StoreError, sqlite_url
from ebbset.coaching.history.rebuild import fill, history_files, rebuild
from ebbset.coaching.history.store import HistoryStore
from ebbset.models.contract.problems import UnusableFileError
from tests.support.history_site import person, record_set, write_session
from tests.support.site_messages import health, set_messages


@pytest.fixture
def whole_site(site: Path) -> Path:
    (site / "profiles").mkdir()
    (site / "profiles" / "a7-row.toml").write_text(person("a7", sets_used=7).to_toml())
    write_session(site / "sessions", "tuesday", "a7")
    write_session(site / "sessions", "not-begun", "b2", begun=False)
    return site


def test_a_store_that_is_made_again_has_the_same_rows(store_url: str, whole_site: Path) -> None:
    files = history_files([whole_site])
    with HistoryStore.open(store_url) as store:
        filled = fill(store, files)
        assert (filled.recordings, filled.sets, filled.sessions, filled.profiles) == (7, 7, 1, 1)
        assert filled.remarks == []
        # Reports are made from no file, so that they must stay.
        messages = [*set_messages("hall", "north", "reported0001"), health("hall", 1.0)]
        store.add_reports([read_report(topic, payload, 1.0) for topic, payload in messages])
        before = store.dump()
        assert all(before.values())
        # What nothing stands for, what was changed by hand, and what is lacking.
        with databases.writing(store.engine) as connection:
            connection.execute(text("INSERT INTO lifters VALUES ('ghost')"))
            connection.execute(text("UPDATE sets SET hard_fresh = 99"))
            connection.execute(text("DELETE FROM decisions"))
        assert store.dump() != before
    assert rebuild(store_url, files).sets == 7
    with HistoryStore.open(store_url) as store:
        assert store.dump() == before


def test_what_is_gone_from_the_folder_is_gone_from_the_store(store_url: str, whole_site: Path) -> None:
    """Also where a fuller recording of a set is gone and a shorter one is still there."""
    record_set(whole_site / "recordings" / "cut.mcap", person("a7"), number=0, keep=0.6)
    rebuild(store_url, history_files([whole_site]))
    (whole_site / "recordings" / "a7-0.mcap").unlink()
    (whole_site / "recordings" / "b2-0.mcap").unlink()
    for path in (whole_site / "sessions").iterdir():
        path.unlink()
    (whole_site / "profiles" / "a7-row.toml").unlink()
    rebuild(store_url, history_files([whole_site]))
    with HistoryStore.open(store_url) as store:
        assert [row.recording for row in store.sets_of("a7")] == ["cut.mcap", "a7-1.mcap", "a7-2.mcap", "a7-3.mcap"]
        assert [one.lifter for one in store.lifters()] == ["a7", "p01"]
        assert store.sessions_of("a7") == ()
        assert [profile.sets_used for profile in store.profiles_of("a7")] == [0]


def overwrite_head(path: Path) -> None:
    path.write_bytes(b"\0" * 512 + path.read_bytes()[512:])


def overwrite_middle(path: Path) -> None:
    data = path.read_bytes()
    path.write_bytes(data[:8192] + b"\xff" * 8192 + data[16384:])


def cut_short(path: Path) -> None:
    path.write_bytes(path.read_bytes()[:20_000])


def drop_table(path: Path) -> None:
    engine = databases.engine_of(databases.parsed(sqlite_url(path)))
    with databases.writing(engine) as connection:
        connection.execute(text("DROP TABLE decisions"))
    engine.dispose()


@pytest.mark.parametrize("harm", [overwrite_head, overwrite_middle, cut_short, drop_table, Path.unlink])
def test_a_store_that_is_broken_or_missing_loses_nothing(
    harm: Callable[[Path], None], whole_site: Path, tmp_path: Path
) -> None:
    path = tmp_path / "history.sqlite"
    files = history_files([whole_site])
    with HistoryStore.open(sqlite_url(path)) as store:
        fill(store, files)
        before = store.dump()
    harm(path)
    there = path.exists()
    filled = rebuild(sqlite_url(path), files)
    with HistoryStore.open(sqlite_url(path)) as store:
        assert store.dump() == before
    if there:
        assert filled.set_aside == tmp_path / "history.sqlite.broken-1"
        assert filled.set_aside.exists()
        assert filled.remarks == [f"the store was broken; it is now {filled.set_aside}"]


def test_reading_a_broken_store_says_what_to_do(whole_site: Path, tmp_path: Path) -> None:
    path = tmp_path / "history.sqlite"
    with HistoryStore.open(sqlite_url(path)) as store:
        fill(store, history_files([whole_site]))
    drop_table(path)
    with HistoryStore.open(sqlite_url(path)) as store, pytest.raises(BrokenStoreError, match="ebbset history rebuild"):
        store.decisions_of("any")


def test_a_database_of_something_else_is_never_set_aside(whole_site: Path, tmp_path: Path) -> None:
    path = tmp_path / "bills.sqlite"
    engine = databases.engine_of(databases.parsed(sqlite_url(path)))
    with databases.writing(engine) as connection:
        connection.execute(text("CREATE TABLE bills (number INTEGER)"))
    engine.dispose()
    with pytest.raises(StoreError, match="a database of something else"):
        rebuild(sqlite_url(path), history_files([whole_site]))
    assert [one.name for one in tmp_path.iterdir() if "broken" in one.name] == []


def test_files_that_cannot_be_used_are_told_and_the_rest_is_there(store_url: str, whole_site: Path) -> None:
    (whole_site / "recordings" / "notes.mcap").write_text("notes")
    (whole_site / "profiles" / "bad.toml").write_text("velocity_at_zero_m_s = 3\n")
    (whole_site / "profiles" / "order.toml").write_text('name = "x"\n')
    journal = whole_site / "sessions" / "tuesday.journal.jsonl"
    lines = journal.read_text().splitlines(keepends=True)
    (whole_site / "sessions" / "wrong.plan.toml").write_text(
        (whole_site / "sessions" / "tuesday.plan.toml").read_text().replace("minutes = 12", "minutes = 13")
    )
    (whole_site / "sessions" / "wrong.journal.jsonl").write_text("".join(lines))
    filled = rebuild(store_url, history_files([whole_site]))
    assert (filled.recordings, filled.sessions, filled.profiles) == (7, 1, 1)
    told = " ".join(filled.left_out)
    assert len(filled.left_out) == 3
    assert "notes.mcap" in told
    assert "bad.toml" in told
    assert "wrong: record 1 of the journal: plan is" in told


def test_a_folder_that_is_not_there_is_refused(tmp_path: Path) -> None:
    with pytest.raises(UnusableFileError, match="no such file or folder"):
        history_files([tmp_path / "none"])
