"""A set that names nobody is of the lifter in whose session it was done, whichever came into the store first."""

from __future__ import annotations

from pathlib import Path

import pytest

from ebbset.coaching.history.rebuild import fill, history_files
from ebbset.coaching.history.store import HistoryStore
from ebbset.controller.recording.sources import read_source
from tests.support.history_site import person, record_set, write_session

NEW = "newcomer-3"


@pytest.fixture
def gym(tmp_path: Path) -> Path:
    """A newcomer's first session: two sets without a profile, beside them a set of nobody and one of somebody else."""
    (tmp_path / "recordings").mkdir()
    nonces = []
    for number in (1, 2):
        path = record_set(tmp_path / "recordings" / f"first-{number}.mcap", None, number=number)
        nonces.append(read_source(path).sets[0].nonce)
    record_set(tmp_path / "recordings" / "nobody.mcap", None, number=3)
    record_set(tmp_path / "recordings" / "b2.mcap", person("b2"), number=4)
    write_session(tmp_path / "sessions", "monday", NEW, nonces=(nonces[0], nonces[1]))
    return tmp_path


@pytest.mark.parametrize("first", ["recordings", "sessions"])
def test_a_newcomers_sets_are_found_by_their_session(store: HistoryStore, gym: Path, first: str) -> None:
    second = {"recordings": "sessions", "sessions": "recordings"}[first]
    fill(store, history_files([gym / first]))
    fill(store, history_files([gym / second]))
    names = {row.recording: row.lifter for row in store.sets_of(NEW)}
    assert names == {"first-1.mcap": NEW, "first-2.mcap": NEW}
    assert [row.recording for row in store.sets_of("b2")] == ["b2.mcap"]
    told = {one.lifter: (one.sets, one.sessions, one.newest) for one in store.lifters()}
    assert set(told) == {NEW, "b2"}
    assert told[NEW][:2] == (2, 1)
    assert told[NEW][2] == store.sets_of(NEW)[-1].begun_at
    assert told["b2"][:2] == (1, 0)


def test_a_set_that_names_somebody_stays_theirs(store: HistoryStore, gym: Path) -> None:
    """Somebody stood in for the lifter of the session: the recording is the truth."""
    path = gym / "recordings" / "b2.mcap"
    write_session(gym / "sessions", "tuesday", NEW, nonces=(read_source(path).sets[0].nonce, "another-nonce"))
    fill(store, history_files([gym / "recordings", gym / "sessions"]))
    assert [row.recording for row in store.sets_of("b2")] == ["b2.mcap"]
    assert "b2.mcap" not in {row.recording for row in store.sets_of(NEW)}


def test_forgetting_the_lifter_forgets_those_sets(store: HistoryStore, gym: Path) -> None:
    fill(store, history_files([gym / "recordings", gym / "sessions"]))
    nonces = [row.nonce for row in store.sets_of(NEW)]
    assert {row["nonce"] for row in store.rows_of(NEW)["sets"]} == set(nonces)
    store.forget(NEW)
    assert store.rows_of(NEW, nonces) == {table: [] for table in store.rows_of(NEW)}
    assert [one.lifter for one in store.lifters()] == ["b2"]
