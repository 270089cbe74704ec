"""Recordings sent to a URL: checked there by hash, not sent twice, taken up where a transfer was cut."""

from __future__ import annotations

import fcntl
import hashlib
import subprocess
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import fsspec
import pytest
from click.testing import CliRunner
from fsspec.implementations.memory import MemoryFileSystem

from ebbset.coaching.collecting.sent_recordings import send_recordings
from ebbset.console.centre_commands.send import command
from ebbset.models.contract.problems import UnusableFileError


class FailingFileSystem(MemoryFileSystem):  # type: ignore[misc]
    """A store in memory whose network fails: after so many uploads in the middle of one, or by changing a byte."""

    protocol = "failing"
    store: dict[str, Any] = {}  # noqa: RUF012 (fsspec's own form)
    pseudo_dirs = [""]  # noqa: RUF012
    uploads_left = 1_000
    spoils = False
    uploads: list[str] = []  # noqa: RUF012

    @classmethod
    def _strip_protocol(cls, path: str) -> str:
        return str(super()._strip_protocol(path.replace("failing://", "memory://")))

    def put_file(self, lpath: str, rpath: str, **more: Any) -> None:
        FailingFileSystem.uploads.append(rpath.rpartition("/")[2])
        super().put_file(lpath, rpath, **more)
        whole = self.cat_file(rpath)
        if self.spoils:
            self.pipe_file(rpath, b"x" + whole[1:])
        if self.uploads_left == 0:
            self.pipe_file(rpath, whole[: len(whole) // 2])
            raise ConnectionResetError("the network is gone")
        FailingFileSystem.uploads_left -= 1


@pytest.fixture
def failing() -> Iterator[type[FailingFileSystem]]:
    fsspec.register_implementation("failing", FailingFileSystem, clobber=True)
    FailingFileSystem.store, FailingFileSystem.pseudo_dirs, FailingFileSystem.uploads = {}, [""], []
    FailingFileSystem.uploads_left, FailingFileSystem.spoils = 1_000, False
    yield FailingFileSystem
    fsspec.get_filesystem_class("failing").clear_instance_cache()


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """Five files; only whole bytes count here, so any will do."""
    found = tmp_path / "recordings"
    for k in range(5):
        path = found / f"rig{k % 2}" / f"set{k}.mcap"
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(hashlib.sha256(str(k).encode()).digest() * 5_000)
    return found


def test_a_folder_arrives_whole_and_sha256sum_agrees(folder: Path, tmp_path: Path) -> None:
    there = tmp_path / "there"
    result = send_recordings(folder, f"file://{there}")
    assert (len(result.sent), result.there, result.bytes) == (5, 0, 5 * 160_000)
    for path in folder.rglob("*.mcap"):
        copy = there / path.relative_to(folder)
        assert copy.read_bytes() == path.read_bytes()
        # coreutils' own program reads what stands beside it.
        checked = subprocess.run(
            ["sha256sum", "--check", f"{copy.name}.sha256"], cwd=copy.parent, capture_output=True, check=False
        )
        assert checked.returncode == 0, checked.stderr
    again = send_recordings(folder, f"file://{there}")
    assert (again.sent, again.there) == ([], 5)


def test_what_was_cut_goes_on_where_it_ended(folder: Path, failing: type[FailingFileSystem]) -> None:
    failing.uploads_left = 2
    with pytest.raises(UnusableFileError, match=r"set4\.mcap did not reach failing://hall: the network is gone"):
        send_recordings(folder, "failing://hall")
    system = failing()
    assert len(system.glob("/hall/*/*.mcap")) == len(system.glob("/hall/*/*.sha256")) == 2
    failing.uploads_left = 1_000
    result = send_recordings(folder, "failing://hall")
    assert (len(result.sent), result.there) == (3, 2)
    assert sorted(failing.uploads) == sorted([*(f"set{k}.mcap.part" for k in range(5)), "set4.mcap.part"])
    for path in folder.rglob("*.mcap"):
        assert system.cat_file(f"/hall/{path.relative_to(folder)}") == path.read_bytes()
    assert system.glob("/hall/*/*.part") == []


def test_what_arrives_otherwise_than_it_was_sent_gets_no_name(folder: Path, failing: type[FailingFileSystem]) -> None:
    failing.spoils = True
    with pytest.raises(UnusableFileError, match="another hash"):
        send_recordings(folder, "failing://hall")
    assert failing().find("/hall") == []
    failing.spoils = False
    assert len(send_recordings(folder, "failing://hall").sent) == 5


def test_a_copy_that_was_damaged_is_sent_again(folder: Path, tmp_path: Path) -> None:
    there = tmp_path / "there"
    send_recordings(folder, str(there))
    (there / "rig0" / "set0.mcap").write_bytes(b"cut")
    (there / "rig1" / "set1.mcap.sha256").unlink()
    result = send_recordings(folder, str(there))
    assert sorted(result.sent) == ["rig0/set0.mcap", "rig1/set1.mcap"]
    assert (there / "rig0" / "set0.mcap").read_bytes() == (folder / "rig0" / "set0.mcap").read_bytes()


def test_a_recording_that_is_being_written_waits(folder: Path, tmp_path: Path) -> None:
    with (folder / "rig0" / "set0.mcap").open("ab") as stream:
        fcntl.flock(stream, fcntl.LOCK_EX | fcntl.LOCK_NB)
        result = send_recordings(folder, str(tmp_path / "there"))
    assert (result.waiting, len(result.sent)) == (["rig0/set0.mcap"], 4)
    assert send_recordings(folder, str(tmp_path / "there")).sent == ["rig0/set0.mcap"]


@pytest.mark.parametrize(
    ("url", "why"), [("nowhere://hall", "allowed: a URL that fsspec knows"), ("file:///proc/hall", "did not reach")]
)
def test_a_url_that_cannot_be_used_is_told(folder: Path, url: str, why: str) -> None:
    with pytest.raises(UnusableFileError, match=why):
        send_recordings(folder, url)
    with pytest.raises(UnusableFileError, match="no such folder"):
        send_recordings(folder / "nothing", url)


def test_the_command_says_what_it_did(folder: Path, tmp_path: Path) -> None:
    for told in ("5 sent (0.8 MB), 0 were there\n", "0 sent (0.0 MB), 5 were there\n"):
        result = CliRunner().invoke(command, [str(folder), str(tmp_path / "there")])
        assert result.output == told
