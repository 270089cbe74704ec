"""Branch coverage of every mutation target by its own unit tests alone: ``python -m campaigns.mutation.coverage``.

Each target is measured in a process of its own, so that nothing else that imports it counts. Exits 1 when a line or a
branch of one is never taken.
"""

from __future__ import annotations

import json
import os
import subprocess
import sys
import tempfile
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from campaigns.mutation.targets import ROOT, TARGETS, Target


@dataclass(frozen=True, slots=True)
class Covered:
    """Coverage of one target.

    Attributes:
        name: of the target.
        branches: how many branches it has.
        missing: lines that were never run, and branches (from, to) that were never taken.
    """

    name: str
    branches: int
    missing: tuple[str, ...]


def measure(name: str, target: Target) -> Covered:
    """Run the target's tests under coverage.

    Args:
        name: of the target.
        target: its module and tests.

    Raises:
        RuntimeError: its tests fail.
    """
    with tempfile.TemporaryDirectory(prefix="ebbset-coverage-") as folder:
        report = Path(folder) / "report.json"
        environment = os.environ | {"COVERAGE_FILE": str(Path(folder) / "data")}
        coverage = [sys.executable, "-m", "coverage"]
        tests = ["-m", "pytest", "-q", "-p", "no:cacheprovider", *target.tests]
        for arguments in (
            ["run", "--branch", f"--source={target.module}", *tests],
            ["json", "-o", str(report), "--fail-under=0"],
        ):
            done = subprocess.run(
                [*coverage, *arguments], cwd=ROOT, env=environment, capture_output=True, text=True, check=False
            )
            if done.returncode != 0:
                raise RuntimeError(f"{name}: {done.stdout[-2_000:]}{done.stderr[-2_000:]}")
        (file,) = json.loads(report.read_text(encoding="utf-8"))["files"].values()
    return _covered(name, file)


def _covered(name: str, file: dict[str, Any]) -> Covered:
    lines = tuple(f"line {line}" for line in file["missing_lines"])
    branches = tuple(f"branch {start} -> {end}" for start, end in file["missing_branches"])
    return Covered(name, file["summary"]["num_branches"], lines + branches)


def main(names: list[str]) -> int:
    """Measure the named targets, or all; returns 0 when each is fully covered."""
    found = [measure(name, TARGETS[name]) for name in names or TARGETS]
    for covered in found:
        verdict = "; ".join(covered.missing) or "all covered"
        sys.stdout.write(f"{covered.name}: {covered.branches} branches, {verdict}\n")
    return 1 if any(covered.missing for covered in found) else 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
