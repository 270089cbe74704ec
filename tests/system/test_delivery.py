"""What is delivered holds every file that runs, is the same when made again, and says how to cite it."""

from __future__ import annotations

import fnmatch
import gzip
import os
import re
import subprocess
import sys
import tarfile
import tomllib
from pathlib import Path

import pytest

from campaigns.delivery import interpreter, settle_times
from ebbset.models.contract.wire import CONTRACT_VERSION
from tests.support.commands import run_command

ROOT = Path(__file__).parents[2]
PROJECT = tomllib.loads((ROOT / "pyproject.toml").read_text())
VERSION = PROJECT["project"]["version"]
MADE_S = 1_700_000_000


def test_every_file_of_the_rooms_that_is_no_module_is_delivered_as_data() -> None:
    """Modules are held by the list of packages, which `test_rooms` compares with the folders."""
    folders = PROJECT["tool"]["setuptools"]["package-dir"]
    patterns = [
        f"{folders['.'.join(package.split('.')[:2])]}/{'/'.join([*package.split('.')[2:], pattern])}"
        for package, wanted in PROJECT["tool"]["setuptools"]["package-data"].items()
        for pattern in wanted
    ]
    told = subprocess.run(
        ["git", "ls-files", "--cached", "--others", "--exclude-standard", *folders.values()],
        cwd=ROOT, capture_output=True, text=True, check=True,
    )  # fmt: skip
    data = {name for name in told.stdout.split() if not name.endswith(".py")}
    assert len(data) > 10
    assert {name for name in data if not any(fnmatch.fnmatch(name, pattern) for pattern in patterns)} == set()


def test_an_sdist_has_one_time_and_one_owner_whenever_and_by_whomever_it_was_made(tmp_path: Path) -> None:
    made = []
    for number, mode in enumerate((0o644, 0o600)):
        content = tmp_path / f"content-{number}"
        content.write_text("the same")
        content.chmod(mode)
        os.utime(content, (number, number))
        path = tmp_path / f"{number}.tar.gz"
        with tarfile.open(path, "w:gz") as archive:
            names = ("b/two", "b/one") if number else ("b/one", "b/two")
            for name in names:
                archive.add(content, name)
        settle_times(path, MADE_S)
        made.append(path.read_bytes())
    assert made[0] == made[1]
    with tarfile.open(tmp_path / "0.tar.gz") as archive:
        assert archive.getnames() == ["b/one", "b/two"]
        assert {member.mtime for member in archive} == {MADE_S}
        assert archive.extractfile("b/two").read() == b"the same"  # type: ignore[union-attr]
    assert b"the same" in gzip.decompress(made[0])


def test_interpreters_are_found_or_said_to_be_missing() -> None:
    here = ".".join(map(str, sys.version_info[:2]))
    found = interpreter(here)
    assert found is not None
    assert subprocess.run([found, "-V"], capture_output=True, text=True, check=True).stdout.split()[1].startswith(here)
    assert interpreter("2.99") is None


def test_the_version_names_the_wire_contract_too(capsys: pytest.CaptureFixture[str]) -> None:
    assert run_command(capsys, "--version") == (0, f"ebbset {VERSION}, wire contract {CONTRACT_VERSION}\n", "")


def test_the_citation_is_of_this_version() -> None:
    told = dict(re.findall(r"^([a-z-]+): (.+)$", (ROOT / "CITATION.cff").read_text(), flags=re.MULTILINE))
    assert told["version"] == VERSION
    assert told["license"] == PROJECT["project"]["license"]
    assert told["cff-version"] == "1.2.0"
