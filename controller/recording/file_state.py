"""How far a recording file has come: ended, being written just now, or broken off. Reads no more than its end."""

from __future__ import annotations

import re
from pathlib import Path
from typing import Final

try:
    import fcntl
except ModuleNotFoundError:  # Windows, where a recording that is being written is called one that was not ended
    fcntl = None  # type: ignore[assignment]

MAGIC: Final = b"\x89MCAP0\r\n"
"""First and last bytes of an MCAP file (mcap.dev/spec)."""
_TAIL_BYTES: Final = 262_144
_STATE: Final = re.compile(rb'"state":"([a-z]+)"')


def broken_off(path: Path) -> str | None:
    """The last state in a recording without an end, ``unknown`` when it has none; None for a recording with an end.

    Reads the end of the file only.

    Raises:
        OSError: the file cannot be read.
    """
    with path.open("rb") as file:
        file.seek(max(path.stat().st_size - _TAIL_BYTES, 0))
        tail = file.read()
    if tail.endswith(MAGIC):
        return None
    states = _STATE.findall(tail)
    return states[-1].decode() if states else "unknown"


def is_being_written(path: Path) -> bool:
    """Whether a program on this machine has the recording open for writing, which `writer` marks by a lock.

    Args:
        path: the recording.
    """
    if fcntl is None or not path.is_file():
        return False
    with path.open("rb") as file:
        try:
            fcntl.flock(file, fcntl.LOCK_SH | fcntl.LOCK_NB)
        except BlockingIOError:
            return True
        except OSError:
            # A file system without locks says nothing.
            return False
    return False
