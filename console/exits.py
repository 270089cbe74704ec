"""Exit codes of all commands, and the error that a command raises to end with one.

Scripts may rely on these numbers. This module imports nothing heavy.
"""

from __future__ import annotations

from enum import IntEnum
from typing import TYPE_CHECKING, Final

import click

if TYPE_CHECKING:
    from ebbset.models.contract.problems import BadDocumentError


class Exit(IntEnum):
    """Exit code of a command."""

    OK = 0
    NO = 1
    USAGE = 2
    BAD_INPUT = 3
    UNREACHABLE = 4
    MISSING_EXTRA = 5
    DAMAGED = 6
    DEFECT = 70
    INTERRUPTED = 130


MEANINGS: Final[dict[Exit, str]] = {
    Exit.OK: "done; a check that was asked for holds",
    Exit.NO: "done, and the answer is no: a file is not valid, a replay differs, a request was refused, a check failed",
    Exit.USAGE: "the command line is wrong: an unknown option, a value that is not allowed",
    Exit.BAD_INPUT: "a file could not be read, used or written",
    Exit.UNREACHABLE: "a broker, controller or rig did not answer in time",
    Exit.MISSING_EXTRA: "a part that this command needs is not installed",
    Exit.DAMAGED: "a recording lacks more than its end; what could be compared agreed, nothing is known about the rest",
    Exit.DEFECT: "a defect of ebbset; the details are in the file that the message names, or in the log",
    Exit.INTERRUPTED: "interrupted from the keyboard or by a signal; a running set was stopped first",
}


class CommandError(click.ClickException):
    """Ends a command with one clear sentence and an exit code, never with a traceback.

    Args:
        message: the sentence.
        code: the exit code.
    """

    def __init__(self, message: str, code: Exit) -> None:
        super().__init__(message)
        self.code = code

    def format_message(self) -> str:
        """The sentence; file names in it may come from anybody, so it is made visible."""
        from ebbset.models.contract.formatting import visible

        return visible(self.message)

    @property
    def exit_code(self) -> int:  # type: ignore[override]
        """Exit code in the form that click expects."""
        return int(self.code)


def table_text() -> str:
    """Format the exit codes as lines of a help text."""
    return "\n".join(f"  {int(code):>3}  {MEANINGS[code]}" for code in Exit)


def as_command_error(error: BadDocumentError) -> CommandError:
    """Convert a bad document to a command error, with one problem per line."""
    lines = [str(problem) for problem in error.problems]
    head = error.what if len(lines) == 1 else f"{error.what}: {len(lines)} problems"
    return CommandError(f"{head}: {lines[0]}" if len(lines) == 1 else "\n  ".join([head, *lines]), Exit.BAD_INPUT)
