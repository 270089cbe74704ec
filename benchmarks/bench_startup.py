"""Start-up time of the command line: the help page, compared with a bare interpreter in the same run."""

from __future__ import annotations

import pathlib
import subprocess
import sys

from benchmarks.claims import Claim, median_seconds


def main() -> list[Claim]:
    program = str(pathlib.Path(sys.executable).parent / "ebbset")

    def call(*command: str) -> None:
        subprocess.run(command, check=True, stdout=subprocess.DEVNULL)

    bare = median_seconds(lambda: call(sys.executable, "-c", "pass"))
    help_page = median_seconds(lambda: call(program, "--help"))
    return [
        Claim(
            "console: ebbset --help",
            help_page,
            "s",
            0.4,
            at_most=True,
            note=f"{help_page / bare:.1f} x a bare interpreter, which took {bare:.3f} s",
        )
    ]
