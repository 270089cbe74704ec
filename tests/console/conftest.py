"""What several tests of the console share: one reported set, and one prescription file."""

from __future__ import annotations

from pathlib import Path

import pytest

from ebbset.console.report.page import render
from ebbset.controller.recording.recorded_set import RecordedSet
from ebbset.controller.recording.sources import Source, read_source
from tests.support.commands import ROW
from tests.support.reports import MADE_AT, write_recording


@pytest.fixture(scope="session")
def recording(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return write_recording(tmp_path_factory.mktemp("report") / "evening.mcap", "2026-11-25T18:00:00+00:00")


@pytest.fixture(scope="session")
def source(recording: Path) -> Source:
    return read_source(recording)


@pytest.fixture(scope="session")
def item(source: Source) -> RecordedSet:
    return source.sets[0]


@pytest.fixture(scope="session")
def page(source: Source) -> str:
    return render([source], made_at=MADE_AT)


@pytest.fixture
def row(tmp_path: Path) -> Path:
    path = tmp_path / "row.toml"
    path.write_text(ROW, encoding="utf-8")
    return path
