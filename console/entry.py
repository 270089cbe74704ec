"""The ``ebbset`` program: where the command line begins, with or without the console extra.

Only the standard library is imported until it is known that the extra is there, so that the base install on a small
computer answers with a sentence instead of a traceback. No command lives here.
"""

from __future__ import annotations

import sys

_EXTRA_MISSING = 5


def main() -> int:
    """Run the command line; the exit code is documented in `console.exits`."""
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
