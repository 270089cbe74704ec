"""Recordings follow the reports: copied to any URL that fsspec knows, checked there by hash, taken up where it ended.

A recording is sent under a name of its own, read back, and gets its name only when its SHA-256 is right; beside it then
stands ``NAME.sha256`` in the form of sha256sum(1), so that anybody can check it later. What has that file, and the
size, is not sent again. A transfer that is cut leaves at most one unfinished recording, which is sent anew: a recording
holds one set, some megabytes at most. Never here: when to send, and what is done with recordings at their end.
"""

from __future__ import annotations

import hashlib
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Final

from ebbset.controller.recording.file_state import is_being_written
from ebbset.controller.recording.reader import file_digest
from ebbset.models.contract.problems import UnusableFileError

UNFINISHED: Final = ".part"
CHECKED: Final = ".sha256"
_BLOCK_BYTES: Final = 1024 * 1024


@dataclass(slots=True)
class SentRecordings:
    """What came of sending a folder.

    Attributes:
        sent: names that were sent now.
        there: how many were there already.
        waiting: names that are still being written; they follow the next time.
        bytes: how many were sent.
    """

    sent: list[str] = field(default_factory=list)
    there: int = 0
    waiting: list[str] = field(default_factory=list)
    bytes: int = 0


def send_recordings(folder: Path, url: str) -> SentRecordings:
    """Send every finished recording in a folder that is not at the URL yet; may be broken off and repeated.

    Args:
        folder: with recordings, and folders of them.
        url: of a folder, in any form that fsspec takes: a path, ``sftp://…``, ``s3://…``.

    Raises:
        UnusableFileError: the folder or a recording cannot be read, the URL cannot be used, or a recording does not
            arrive as it was sent.
    """
    import fsspec

    if not folder.is_dir():
        raise UnusableFileError(f"{folder}: no such folder")
    result = SentRecordings()
    try:
        system, root = fsspec.core.url_to_fs(url)
    except (ImportError, ValueError) as error:
        raise UnusableFileError(
            f"{url}: {error}; allowed: a URL that fsspec knows, and what it needs installed"
        ) from None
    for path in sorted(folder.rglob("*.mcap")):
        name = path.relative_to(folder).as_posix()
        if is_being_written(path):
            result.waiting.append(name)
            continue
        digest = file_digest(path)
        try:
            if _is_there(system, f"{root}/{name}", digest, path.stat().st_size):
                result.there += 1
                continue
            _send(system, path, f"{root}/{name}", digest)
        except UnusableFileError:
            raise
        except Exception as error:
            # File systems of others may raise anything.
            why = str(error) or type(error).__name__
            raise UnusableFileError(f"{name} did not reach {url}: {why}; run it again, it goes on from there") from None
        result.sent.append(name)
        result.bytes += path.stat().st_size
    return result


def _is_there(system: Any, target: str, digest: str, size: int) -> bool:
    if not system.exists(target + CHECKED) or not system.exists(target):
        return False
    told = system.cat_file(target + CHECKED).decode(errors="replace")
    return bool(told.partition(" ")[0] == digest and system.size(target) == size)


def _send(system: Any, path: Path, target: str, digest: str) -> None:
    system.makedirs(target.rpartition("/")[0], exist_ok=True)
    system.put_file(str(path), target + UNFINISHED)
    found = hashlib.sha256()
    with system.open(target + UNFINISHED, "rb") as stream:
        while block := stream.read(_BLOCK_BYTES):
            found.update(block)
    if found.hexdigest() != digest:
        system.rm_file(target + UNFINISHED)
        raise UnusableFileError(f"{path.name} arrived with another hash than it was sent with; run it again")
    system.mv(target + UNFINISHED, target)
    system.pipe_file(target + CHECKED, f"{digest}  {path.name}\n".encode())
