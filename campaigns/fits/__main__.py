"""All figures of the controller from their seeds, by one command: ``python -m campaigns.fits``.

Runs the fits one after the other, each in a process of its own, because a later one works with the figures that an
earlier one wrote. What comes out depends on the seeds and the simulator alone, not on processes or cluster:
``git diff`` is empty afterwards if neither has changed. `calibrate`, which fits the simulator itself to published
values, comes before and is not among them.
"""

from __future__ import annotations

import argparse
import subprocess
import sys
import time
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Final

from campaigns.fits.sharing import add_options

ROOT: Final = Path(__file__).resolve().parents[2]
FITS: Final[tuple[tuple[str, ...], ...]] = (
    ("fit_capacity", "controller/estimation/exercise_prior_figures.py"),
    ("fit_stall_classifier",),
    ("fit_profile_curves", "--write"),
    ("fit_judgement",),
)
"""In the order in which they build on each other, with what each is told."""


def run_fit(command: Sequence[str]) -> int:
    """Run one fit in the working tree; its exit code.

    Args:
        command: program and arguments.
    """
    return subprocess.run(command, cwd=ROOT, check=False).returncode


def main(argv: Sequence[str] | None = None, run: Callable[[Sequence[str]], int] = run_fit) -> None:
    """Run all fits, and stop at the first that fails.

    Args:
        argv: arguments; those of the command line if None.
        run: runs one fit.

    Raises:
        SystemExit: a fit failed; says which.
    """
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else None)
    add_options(parser)
    options = parser.parse_args(argv)
    shared = ["--workers", str(options.workers)] if options.workers else []
    shared += ["--dask", options.dask] if options.dask else []
    for name, *arguments in FITS:
        begun_s = time.monotonic()
        code = run([sys.executable, "-m", f"campaigns.fits.{name}", *arguments, *shared])
        if code != 0:
            raise SystemExit(f"{name} ended with exit code {code}; the fits after it were not run")
        sys.stderr.write(f"{name}: {(time.monotonic() - begun_s) / 60.0:.1f} min\n")


if __name__ == "__main__":
    main()
