"""The confirmation that nobody is at the handle, needed before a command loads a rig by itself."""

from __future__ import annotations

import sys
from typing import Final

import click

from ebbset.console.exits import CommandError, Exit

unattended_option: Final = click.option(
    "--nobody-under-load",
    is_flag=True,
    help="Confirm that nobody is at the handle or can get there, except to move it when prompted; "
    "otherwise you are asked.",
)


def confirm_unattended(nobody_under_load: bool) -> None:
    """Ask at the terminal whether nobody is at the handle, unless the command line confirms it.

    Args:
        nobody_under_load: the command line confirms it.

    Raises:
        CommandError: the command line does not confirm it, and there is no terminal to ask at.
        click.Abort: the answer was no.
    """
    if nobody_under_load:
        return
    if not sys.stdin.isatty():
        raise CommandError(
            "nobody_under_load is not confirmed; allowed: --nobody-under-load, once nobody is at the handle", Exit.USAGE
        )
    click.confirm("The rig will load itself. Is nobody at the handle, and can nobody get there?", abort=True)
