"""The question before a rig is loaded with nobody under it.

What lives here: that one question. What never does: what is then done to the rig.
"""

from __future__ import annotations

import sys

import click

from ebbset.console.exits import CommandError, Exit


def confirm_unattended(nobody_under_load: bool) -> None:
    """Ask at a terminal, unless it was said on the command line.

    Raises:
        CommandError: it was not said and there is nobody to ask.
        click.Abort: the answer was no.
    """
    if nobody_under_load:
        return
    if not sys.stdin.isatty():
        raise CommandError(
            "nobody_under_load was not said; allowed: --nobody-under-load, once nobody is at the handle", Exit.USAGE
        )
    click.confirm("The rig will load itself. Is nobody at the handle, and can nobody get there?", abort=True)
