"""Entry point of the ``ebbset`` program, with or without the console extra.

It imports only the standard library until it knows that the extra is installed, so that the base install answers with
a sentence instead of a traceback.
"""

from __future__ import annotations

import sys

_EXTRA_MISSING = 5


def main() -> int:
    """Run the command line and return an exit code of `console.exits`."""
    try:
        import click  # noqa: F401
    except ModuleNotFoundError:
        sys.stderr.write(
            "ebbset: the command line is not installed, only the controller library is.\n"
            "Install it with:  pip install 'ebbset[console]'\n"
        )
        return _EXTRA_MISSING
    from ebbset.console.app import run

    return run(sys.argv[1:])
