"""Reading whole files that somebody else wrote: regular files only, and never more than a stated size.

A device may never end, and a pipe may never answer; a file can grow after its size was asked for.
"""

from __future__ import annotations

import os
import stat
from pathlib import Path
from typing import Final

from ebbset.models.contract.problems import UnusableFileError

LARGEST_DOCUMENT_BYTES: Final = 1_000_000
"""For prescriptions, profiles, studies and settings."""


def read_regular(path: Path, most_bytes: int) -> bytes:
    """The bytes of a regular file.

    Args:
        path: the file; a symbolic link to a regular file will do.
        most_bytes: largest size allowed.

    Raises:
        UnusableFileError: not there, not readable, not a regular file, or too large.
    """
    try:
        # Without O_NONBLOCK, opening a pipe that nobody writes to would wait for ever.
        with open(os.open(path, os.O_RDONLY | getattr(os, "O_NONBLOCK", 0)), "rb") as file:
            status = os.fstat(file.fileno())
            if not stat.S_ISREG(status.st_mode):
                raise UnusableFileError(f"{path}: not a regular file; allowed: a file on a disk, no pipe or device")
            data = file.read(most_bytes + 1)
    except OSError as error:
        raise UnusableFileError(f"{path}: {error.strerror}") from None
    if len(data) > most_bytes:
        raise UnusableFileError(f"{path}: {max(status.st_size, len(data))} bytes; allowed: at most {most_bytes}")
    return data


def read_document(path: Path) -> str:
    """The text of a document that a person wrote.

    Args:
        path: the file.

    Raises:
        UnusableFileError: as for `read_regular`, or not text in UTF-8.
    """
    try:
        return read_regular(path, LARGEST_DOCUMENT_BYTES).decode("utf-8")
    except UnicodeDecodeError:
        raise UnusableFileError(f"{path}: not a text file in UTF-8") from None
