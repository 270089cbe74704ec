"""Settings of a site: what holds for all and for one, and errors that name field, value and what is allowed."""

from __future__ import annotations

import tomllib
from pathlib import Path
from typing import Any

import pytest

from ebbset.console.exits import Exit
from ebbset.controller.site.site_settings import SiteSettings, is_for_a_site, read_site
from ebbset.models.contract.problems import BadDocumentError
from tests.support.commands import run_command

EXAMPLE = Path(__file__).parents[3] / "examples" / "systemd" / "site.toml"


def site(tmp_path: Path, text: str) -> Path:
    path = tmp_path / "site.toml"
    path.write_text(text)
    return path


def test_a_rig_has_what_holds_for_all_unless_it_says_otherwise(tmp_path: Path) -> None:
    path = site(
        tmp_path,
        'recordings = "all"\nsimulated_profile = true\n[broker]\nport = 1999\nca_file = "ca.pem"\n'
        '[rigs.north]\n[rigs.south]\nrecordings = "/own"\nsimulated_profile = false\nbroker = { port = 2000 }\n',
    )
    found = SiteSettings.model_validate(tomllib.loads(path.read_text())).rig_settings(path.parent)
    assert list(found) == ["north", "south"]
    north, south = found["north"], found["south"]
    assert (north.rig, north.recordings, north.simulated_profile) == ("north", tmp_path / "all", True)
    assert (north.broker.port, north.broker.ca_file) == (1999, tmp_path / "ca.pem")
    assert (south.recordings, south.simulated_profile, south.broker.port) == (Path("/own"), False, 2000)
    assert south.broker.ca_file is None


@pytest.mark.parametrize(
    ("text", "field", "allowed"),
    [
        ("[rigs]\n", "rigs", "at least 1"),
        ('[rigs."a b"]\n', "rigs.a b", "allowed: letters, digits"),
        ("workers = 0\n[rigs.a]\n", "workers is 0", "allowed: a number of at least 1"),
        ("wrkers = 1\n[rigs.a]\n", "wrkers is 1", "allowed: no such field"),
        ("[rigs.a]\nport = 1\n", "rigs.a.port is 1", "allowed: no such field"),
        ("[metrics]\nport = 0\n[rigs.a]\n", "metrics.port is 0", "allowed: a number of at least 1"),
        ('rig = "a"\n[rigs.a]\n', "rig is 'a'", "allowed: no such field"),
        ('[rigs.a]\nprescription = "none.toml"\n', "rigs.a.prescription", "allowed: a readable text file"),
    ],
)
def test_an_error_names_field_value_and_what_is_allowed(tmp_path: Path, text: str, field: str, allowed: str) -> None:
    with pytest.raises(BadDocumentError) as caught:
        read_site(site(tmp_path, text))
    told = str(caught.value)
    assert field in told
    assert allowed in told


def test_a_wrong_prescription_is_told_before_anything_connects(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (tmp_path / "row.toml").write_text('name = "x"\nexercise = "row"\n[load]\nstart_n = 10\nfloor_n = 20\n')
    path = site(tmp_path, 'prescription = "row.toml"\n[rigs.a]\n')
    code, out, told = run_command(capsys, "serve", "--settings", str(path))
    assert (code, out) == (int(Exit.BAD_INPUT), "")
    assert "row.toml" in told
    assert "floor_n" in told


def test_the_number_of_workers_follows_rigs_and_processors(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("os.cpu_count", lambda: 4)

    def count(rigs: int, workers: int | None = None) -> int:
        named: dict[str, Any] = {f"r{k}": {} for k in range(rigs)}
        return SiteSettings.model_validate({"rigs": named, "workers": workers}).worker_count

    assert [count(1), count(25), count(26), count(500)] == [1, 1, 2, 4]
    assert [count(1, 8), count(20, 8)] == [1, 8]


def test_a_file_with_rigs_is_for_a_site_and_one_with_a_rig_is_not() -> None:
    assert is_for_a_site("[rigs.a]\n")
    assert not is_for_a_site('rig = "a"\n')
    assert not is_for_a_site("not toml")


def test_the_example_can_be_used() -> None:
    assert set(read_site(EXAMPLE).rigs) == {"north", "south", "hall_2_west"}
