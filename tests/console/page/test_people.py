"""The file of people who may log in: what it holds, who may read it, and the commands that change it."""

from __future__ import annotations

import io
import threading
from pathlib import Path

import pytest

from ebbset.console.app import run
from ebbset.console.exits import CommandError, Exit
from ebbset.console.page.access.people import PeopleFile, Role, add_person, read_people, remove_person, verified

PASSWORD = "a long enough phrase"


def people(home: Path, *arguments: str, monkeypatch: pytest.MonkeyPatch, typed: str = "") -> int:
    monkeypatch.setattr("sys.stdin", io.StringIO(typed))
    return run(["page", "user", *arguments, "--home", str(home)])


def test_people_are_added_listed_and_removed_by_command(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    home, file = tmp_path / "home", tmp_path / "home" / "page-users.toml"
    assert people(home, "list", monkeypatch=monkeypatch) == Exit.NO
    assert people(home, "add", "anna", "--role", "coach", monkeypatch=monkeypatch, typed=f"{PASSWORD}\n") == 0
    assert people(home, "add", "wall", "--role", "observer", monkeypatch=monkeypatch, typed=f"{PASSWORD}\n") == 0
    assert file.stat().st_mode & 0o777 == 0o600
    assert PASSWORD not in file.read_text()
    # argon2id, at least 19 MiB and two passes (OWASP's password storage page, as of 2024, from memory).
    assert "$argon2id$v=19$m=65536,t=3,p=4$" in file.read_text()
    capsys.readouterr()
    assert people(home, "list", monkeypatch=monkeypatch) == 0
    assert capsys.readouterr().out == "anna  coach\nwall  observer\n"
    assert people(home, "remove", "anna", monkeypatch=monkeypatch) == 0
    assert people(home, "remove", "anna", monkeypatch=monkeypatch) == Exit.USAGE
    assert "name is 'anna'; allowed: wall" in capsys.readouterr().err
    assert list(read_people(file).people) == ["wall"]


@pytest.mark.parametrize(
    ("name", "typed", "said"),
    [
        ("anna", "short", "password is 5 characters long; allowed: 12 to 256"),
        ("anna", "x" * 300, "password is 300 characters long; allowed: 12 to 256"),
        ("an na", PASSWORD, "name is 'an na'; allowed: up to 64 letters"),
        ("an\x1bna", PASSWORD, "name is 'an\\x1bna'; allowed: up to 64 letters"),
    ],
)
def test_what_is_not_allowed_is_said(
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
    name: str,
    typed: str,
    said: str,
) -> None:
    assert people(tmp_path, "add", name, "--role", "site", monkeypatch=monkeypatch, typed=typed) == Exit.USAGE
    assert said in capsys.readouterr().err
    assert not (tmp_path / "page-users.toml").exists()


def test_a_file_that_others_can_read_is_refused(tmp_path: Path) -> None:
    file = tmp_path / "page-users.toml"
    add_person(file, "anna", Role.COACH, PASSWORD)
    file.chmod(0o640)
    with pytest.raises(CommandError, match=r"mode is 0640; allowed: 0600.*chmod 600"):
        read_people(file)


def test_a_password_is_verified_and_a_name_nobody_has_is_not(tmp_path: Path) -> None:
    file = tmp_path / "page-users.toml"
    add_person(file, "anna", Role.COACH, PASSWORD)
    known = read_people(file)
    found = verified(known, "anna", PASSWORD)
    assert found is not None
    assert found.role is Role.COACH
    assert verified(known, "anna", PASSWORD + " ") is None
    assert verified(known, "bert", PASSWORD) is None
    assert verified(known, "bert", "nobody has this password") is None


def test_two_commands_at_once_lose_nobody(tmp_path: Path) -> None:
    file = tmp_path / "page-users.toml"
    adding = [threading.Thread(target=add_person, args=(file, f"p{k}", Role.OBSERVER, PASSWORD)) for k in range(4)]
    for thread in adding:
        thread.start()
    for thread in adding:
        thread.join()
    assert sorted(read_people(file).people) == ["p0", "p1", "p2", "p3"]


def test_a_running_page_sees_changes_of_the_file(tmp_path: Path) -> None:
    file = tmp_path / "page-users.toml"
    seen = PeopleFile(file)
    assert seen.now().people == {}
    add_person(file, "anna", Role.COACH, PASSWORD)
    assert list(seen.now().people) == ["anna"]
    assert seen.now() is seen.now(), "not read again while it is the same"
    remove_person(file, "anna")
    assert seen.now().people == {}


def test_each_role_may_what_the_one_before_may() -> None:
    assert [[one.covers(other) for other in Role] for one in Role] == [
        [True, False, False],
        [True, True, False],
        [True, True, True],
    ]
