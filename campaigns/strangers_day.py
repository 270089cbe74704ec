"""A stranger's day: the wheel installed outside the repository; a policy, a lifter and a rig written from the manual.

Each is checked as its page says. What is written is what the pages show, block by block, and nothing but the installed
wheel runs it. Prints a table of what was done, how long it took and how busy the machine was.

    python -m campaigns.strangers_day
"""

from __future__ import annotations

import argparse
import os
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Final

from campaigns.delivery import DeliveryError, build, sources_at
from campaigns.manual.snippets import SnippetError, run_page

PAGES: Final = {
    "docs/policies.md": "a drop policy",
    "docs/rig-side.md": "a rig",
    "docs/lifters.md": "a family of lifters",
}
"""Page -> what somebody who follows it has at its end."""
BESIDE: Final = ("python-can",)
"""What a page has a reader install beside the wheel."""


def day(folder: Path, commit: str = "HEAD") -> Iterator[str]:
    """Live through it; a row of a Markdown table for each step.

    Args:
        folder: outside the repository, for everything.
        commit: of which to make the wheel.

    Raises:
        DeliveryError: something could not be made or installed.
        SnippetError: a page does not do what it says.
    """
    yield f"load average at the beginning {os.getloadavg()[0]:.1f}, {os.cpu_count()} cores\n"
    yield "| step | seconds |"
    yield "|---|---|"
    sources = folder / "sources"
    epoch_s = sources_at(commit, sources)
    tools, own = folder / "tools", folder / "own"
    _made(tools, "build")
    _, wheel = build(tools / "bin" / "python", sources, folder / "made", epoch_s)
    began_s = time.monotonic()
    _made(own, f"{wheel}[console]", *BESIDE)
    took_s = time.monotonic() - began_s
    yield f"| an empty environment, and the wheel with `console` in it | {took_s:.0f} |"
    for page, made in PAGES.items():
        here = folder / Path(page).stem
        here.mkdir()
        for line in run_page(page, here, minutes=True, programs=own / "bin"):
            where, seconds, _, told = line.split(maxsplit=3)
            if not told.startswith("not run"):
                yield f"| {made}: {where} ({told.partition(':')[0]}) | {float(seconds):.0f} |"
    yield f"\nload average at the end {os.getloadavg()[0]:.1f}"


def _made(folder: Path, *wanted: str) -> None:
    """An environment with these and what they need."""
    for command in (
        [sys.executable, "-m", "venv", folder],
        [folder / "bin" / "python", "-m", "pip", "install", "--quiet", "--disable-pip-version-check", *wanted],
    ):
        done = subprocess.run([str(word) for word in command], capture_output=True, text=True, check=False)
        if done.returncode != 0:
            raise DeliveryError(f"{', '.join(wanted)} could not be installed:\n{done.stderr[-2000:]}")


def main() -> int:
    """Command line; returns 1 with a sentence when something stopped the stranger."""
    argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter).parse_args()
    with tempfile.TemporaryDirectory(prefix="ebbset-stranger-") as folder:
        try:
            for line in day(Path(folder)):
                sys.stdout.write(f"{line}\n")
                sys.stdout.flush()
        except (DeliveryError, SnippetError) as error:
            sys.stderr.write(f"{error}\n")
            return 1
    return 0


if __name__ == "__main__":
    sys.exit(main())
