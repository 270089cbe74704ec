"""``ebbset history``: fills and rebuilds the store, and shows a lifter as table, page and picture, as far as it may."""

from __future__ import annotations

import json
import os
import shutil
import xml.etree.ElementTree as ElementTree
from collections.abc import Callable
from pathlib import Path

import pytest

from ebbset.coaching.privacy import Kind, find
from ebbset.console.exits import Exit
from tests.support.commands import run_command
from tests.support.history_site import blinding, person, record_set, write_session, write_site
from tests.support.reports import PageReader

Run = Callable[..., tuple[int, str, str]]


@pytest.fixture(scope="module")
def made_home(tmp_path_factory: pytest.TempPathFactory) -> Path:
    home = write_site(tmp_path_factory.mktemp("home"))
    record_set(home / "recordings" / "blind.mcap", person("a7"), number=20, day=20.0, notes=blinding("a7", "load"))
    (home / "profiles").mkdir()
    (home / "profiles" / "a7-row.toml").write_text(person("a7").to_toml())
    write_session(home / "sessions", "tuesday", "a7")
    return home


@pytest.fixture
def home(made_home: Path, tmp_path: Path) -> Path:
    return Path(shutil.copytree(made_home, tmp_path / "home"))


@pytest.fixture
def command(home: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch) -> Run:
    monkeypatch.setenv("EBBSET_HOME", str(home))
    monkeypatch.setenv("COLUMNS", "160")
    monkeypatch.delenv("EBBSET_STORE", raising=False)
    return lambda *arguments: run_command(capsys, "history", *arguments)


def test_a_home_folder_becomes_a_history(command: Run, home: Path) -> None:
    assert command("add") == (Exit.OK, "8 recordings with 8 sets, 1 session, 1 profile file\n", "")
    assert (home / "history.sqlite").is_file()
    code, out, _ = command("lifters")
    assert code == Exit.OK
    assert out.splitlines()[0].startswith("a7: 5 sets, 1 session, newest set 2026-10-")
    code, out, _ = command("a7", "--today", "2026-12-01")
    assert code == Exit.OK
    assert command("show", "a7", "--today", "2026-12-01")[1] == out, "`history LIFTER` is short for `history show`"
    for title in ("1RM of the day", "Hard repetitions by muscle and week", "What changed", "Profiles", "Newest sets"):
        assert title in out
    assert "stale: 334 days old, stale after 84" in out
    assert "2 of 3" in out, "adherence to the plan"
    assert "6 + 8" in out or "3 + 4" in out, "hard repetitions, fresh + in fatigue"


def test_blinded_sets_are_told_of_and_shown_nowhere(command: Run, home: Path) -> None:
    command("add")
    code, out, _ = command("a7", "--page", str(home / "a7.html"), "--picture", str(home / "a7.svg"))
    plain = command("a7", "--json")[1]
    assert code == Exit.OK
    page, picture = (home / "a7.html").read_text(), (home / "a7.svg").read_text()
    assert "1 set of blinded study sessions" in out
    assert "1 set of blinded study sessions" in page
    assert json.loads(plain)["blinded"] == 1
    for text in (out, page, picture, plain):
        # It was done on day 20, a Sunday, alone in its week but for that.
        assert "2026-10-25" not in text
        assert "25 Oct" not in text
    assert json.loads(plain)["sets"] == 4


def test_the_page_needs_nothing_from_elsewhere_and_says_whose_it_is(command: Run, home: Path) -> None:
    command("add")
    command("a7", "--page", str(home / "a7.html"))
    page = PageReader((home / "a7.html").read_text())
    assert not [tag for tag, _ in page.elements if tag in ("script", "link", "img", "iframe")]
    assert not [value for _, attrs in page.elements for value in attrs.values() if value and "http" in value]
    ids = [attrs["id"] for _, attrs in page.elements if "id" in attrs]
    assert len(ids) == len(set(ids))
    assert len(page.tables) == 6
    assert all(len({len(row) for row in table}) == 1 for table in page.tables)
    (found,) = find("a7", [home / "a7.html"]).found
    assert found.kind is Kind.PAGE


def test_the_picture_is_a_drawing_of_its_own(command: Run, home: Path) -> None:
    command("add")
    assert command("a7", "--picture", str(home / "a7.svg"))[0] == Exit.OK
    root = ElementTree.parse(home / "a7.svg").getroot()
    assert root.tag.endswith("svg")
    marks = [one.get("class") or "" for one in root.iter()]
    assert sum("point-capacity" in mark for mark in marks) == 4
    assert marks.count("worth-bar") == marks.count("worth-band") == 1 + 4 * 3
    code, _, error = command("p01", "--picture", str(home / "p01.svg"))
    assert (code, (home / "p01.svg").exists()) == (Exit.NO, False)
    assert "nothing to draw" in error


def test_as_json_the_figures_are_those_of_the_tables(command: Run) -> None:
    command("add")
    told = json.loads(command("a7", "--json", "--today", "2026-12-01")[1])
    assert told["lifter"] == "a7"
    assert [len(days) for days in told["strength"].values()] == [4]
    (change,) = told["changes"]
    assert change["difference"] == pytest.approx(change["after"] - change["before"])
    assert change["beyond_error"] is (abs(change["difference"]) > change["error"])
    assert told["sessions"][0]["done"] == 2


def test_a_rebuilt_store_shows_the_same(command: Run, home: Path) -> None:
    command("add")
    before = command("a7", "--json", "--today", "2026-12-01")[1]
    (home / "history.sqlite").write_bytes(b"broken" * 1000)
    for end in ("-wal", "-shm"):
        (home / f"history.sqlite{end}").unlink(missing_ok=True)
    code, out, error = command("a7")
    assert (code, out) == (Exit.BAD_INPUT, "")
    assert "the store is broken" in error
    assert "ebbset history rebuild" in error
    code, out, error = command("rebuild")
    assert (code, out) == (Exit.OK, "8 recordings with 8 sets, 1 session, 1 profile file\n")
    assert f"the store was broken; it is now {home / 'history.sqlite.broken-1'}" in error
    assert command("a7", "--json", "--today", "2026-12-01")[1] == before


def test_files_that_cannot_be_used_are_named(command: Run, home: Path) -> None:
    (home / "recordings" / "bad.mcap").write_text("nothing")
    code, out, error = command("add")
    assert code == Exit.NO
    assert out.startswith("8 recordings")
    assert "left out:" in error
    assert "bad.mcap" in error


def test_what_cannot_be_done_is_said_in_a_sentence(command: Run, home: Path, tmp_path: Path) -> None:
    code, _, error = command("a7")
    assert (code, error) == (
        Exit.BAD_INPUT,
        "Error: the store is empty; `ebbset history add` fills it from recordings and sessions\n",
    )
    command("add")
    code, _, error = command("a77")
    assert code == Exit.BAD_INPUT
    assert "lifter is 'a77'; allowed: one of the 3 in the store (`ebbset history lifters`); did you mean a7" in error
    assert "did you mean rebuild" in command("rebuid")[2]
    assert command("add", "--home", str(tmp_path / "none"))[0] == Exit.BAD_INPUT
    assert "allowed: sqlite:///FILE" in command("lifters", "--store", "mysql://h/d")[2]
    code, _, error = command("a7", "--page", str(home / "none" / "a7.html"))
    assert (code, "No such file" in error) == (Exit.BAD_INPUT, True)
    assert command("lifters", "--json")[0] == Exit.OK
    assert "Commands" in command("--help")[1]


def test_the_store_can_be_elsewhere(command: Run, home: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    url = f"sqlite:///{tmp_path / 'other.sqlite'}"
    assert command("add", str(home / "recordings" / "b2-0.mcap"), "--store", url)[0] == Exit.OK
    monkeypatch.setenv("EBBSET_STORE", url)
    assert command("lifters")[1].startswith("b2: 1 set, 0 sessions")
    assert "history.sqlite" not in os.listdir(home)
