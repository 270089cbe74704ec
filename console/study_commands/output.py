"""Text files that the commands of a study write, with their folders, and errors for people."""

from __future__ import annotations

from pathlib import Path

from ebbset.console.exits import CommandError, Exit


def write_text(path: Path, text: str) -> None:
    """Write a text file, with its folder.

    Args:
        path: where.
        text: what.

    Raises:
        CommandError: it cannot be written.
    """
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text(text, encoding="utf-8", newline="")
    except OSError as error:
        raise CommandError(f"{path}: {error.strerror}", Exit.BAD_INPUT) from None
