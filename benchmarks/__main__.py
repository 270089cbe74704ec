"""Run every benchmark of this folder and print one line per claim: measured figure, target, met or not.

A benchmark is a module ``bench_*.py`` with ``main() -> list[Claim]``. Machines are noisy, so each takes medians.
"""

from __future__ import annotations

import importlib
import pathlib
import sys

from benchmarks.claims import Claim


def run(names: list[str]) -> int:
    """Run the named benchmarks, or all; returns 1 if a claim is not met, else 0."""
    here = pathlib.Path(__file__).parent
    missed = 0
    for path in sorted(here.glob("bench_*.py")):
        if names and path.stem.removeprefix("bench_") not in names:
            continue
        claims: list[Claim] = importlib.import_module(f"benchmarks.{path.stem}").main()
        for claim in claims:
            missed += not claim.met
            print(claim.line())
    return 1 if missed else 0


if __name__ == "__main__":
    sys.exit(run(sys.argv[1:]))
