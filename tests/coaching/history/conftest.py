"""Every test that asks for a `store_url` runs on both databases; the recordings are made once."""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from pathlib import Path

import pytest

from ebbset.coaching.history.databases import sqlite_url
from ebbset.coaching.history.store import HistoryStore
from tests.support.history_site import write_site
from tests.support.postgres import Postgres, postgres


@pytest.fixture(scope="session")
def cluster() -> Iterator[Postgres]:
    """A PostgreSQL for the tests of one worker; it starts when the first of them asks for it."""
    with postgres() as running:
        yield running


@pytest.fixture(params=["sqlite", "postgresql"])
def store_url(request: pytest.FixtureRequest, tmp_path: Path) -> str:
    """URL of a store that does not exist yet."""
    if request.param == "sqlite":
        return sqlite_url(tmp_path / "store" / "history.sqlite")
    running: Postgres = request.getfixturevalue("cluster")
    return running.new_database()


@pytest.fixture
def store(store_url: str) -> Iterator[HistoryStore]:
    """An open, empty store."""
    with HistoryStore.open(store_url) as opened:
        yield opened


@pytest.fixture(scope="session")
def made_site(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return write_site(tmp_path_factory.mktemp("made"))


@pytest.fixture
def site(made_site: Path, tmp_path: Path) -> Path:
    """A copy of the recordings that a test may change."""
    return Path(shutil.copytree(made_site, tmp_path / "site"))
