"""Runs what the manual shows, page by page: commands and code as they stand, in order, in one folder for each page.

A comment above a block says if it is not simply run, and why:

    <!-- snippet: file row.toml -->             written to the end of that file, for the blocks after it
    <!-- snippet: terminals -->                 each line in a terminal of its own, with a broker; the last one ends
    <!-- snippet: minutes: REASON -->           left to the long form
    <!-- snippet: terminals, minutes: REASON -->
    <!-- snippet: not run: REASON -->

The suite runs all but what takes minutes. Everything, with times:

    python -m campaigns.manual.snippets [PAGE ...]
"""

from __future__ import annotations

import argparse
import os
import re
import shutil
import subprocess
import sys
import tempfile
import time
import tomllib
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from campaigns.manual.terminals import in_terminals
from tests.support.brokers import mosquitto

ROOT: Final = Path(__file__).parents[2]
ELSEWHERE: Final = {"docs/walkthrough.md"}
"""Run by a test of its own (`tests/system/test_walkthrough.py`), which also looks at what comes out."""
PAGES: Final = tuple(
    str(path.relative_to(ROOT))
    for path in sorted([*ROOT.glob("*.md"), *(ROOT / "docs").glob("*.md"), *(ROOT / "examples").glob("*/*.md")])
    if str(path.relative_to(ROOT)) not in ELSEWHERE
)
LINKED: Final = ("console", "contract", "docs", "examples")
"""Folders of the repository that a page's folder has too, since pages name files in them."""
_A_SET: Final = "ebbset simulate console/live/data/demo_prescription.toml --record"
PREPARED: Final = {
    "README.md": f"mkdir recordings && {_A_SET} recordings/set.mcap",
    "docs/history.md": "sed 's/^lifter = .*/lifter = \"a7\"/' console/live/data/demo_profile.toml > a7.toml"
    f" && mkdir -p ebbset-home/recordings && {_A_SET} ebbset-home/recordings/a.mcap"
    " --profile a7.toml",
    "docs/lifters.md": "sed 's/^exercise.*/exercise = \"band_row\"\\nexercise_is_new = true/'"
    " console/live/data/demo_prescription.toml > row.toml",
    "docs/studies.md": "cp console/live/data/demo_prescription.toml drops.toml && cp drops.toml straight.toml",
    "docs/streams.md": f"{_A_SET} set.mcap && ebbset export set.mcap -o tables",
}
"""What a reader of a page has already when its first block begins."""
COMMANDS: Final = ("ebbset", "python", "pip", "make", "mosquitto_sub")
"""Programs by which an indented block is told to be commands."""
_FENCE: Final = re.compile(r"^```(\w*)\n(.*?)^```$|^\n((?:^    \S[^\n]*\n)+)", re.MULTILINE | re.DOTALL)
_MARK: Final = re.compile(r"<!-- snippet: ((?:(?!-->).)+) -->\n\n?\Z", re.DOTALL)
_INSTALL: Final = re.compile(r"pip install '?ebbset\[(\w+)\]'?")
PATIENCE_S: Final = 900.0


class SnippetError(Exception):
    """A block of a page does not do what the page says; the text names page and line."""


@dataclass(frozen=True, slots=True)
class Snippet:
    """One block of a page.

    Attributes:
        page: path from the root of the repository.
        line: of the page, from 1.
        language: of the fence; ``sh`` for an indented block of commands.
        text: the block.
        mark: what the comment above it says; empty without one.
    """

    page: str
    line: int
    language: str
    text: str
    mark: str

    @property
    def where(self) -> str:
        """Page and line."""
        return f"{self.page}:{self.line}"

    @property
    def reason(self) -> str:
        """Why it is not simply run; empty if it is."""
        return self.mark.partition(": ")[2]


def snippets(page: str, text: str) -> Iterator[Snippet]:
    """All blocks of a page that hold commands or code.

    Args:
        page: its path, for messages.
        text: of the page.

    Raises:
        SnippetError: commands stand in a block that is not run.
    """
    for found in _FENCE.finditer(text):
        language, content = (found[1], found[2]) if found[3] is None else ("sh", re.sub("(?m)^    ", "", found[3]))
        first = content.split(maxsplit=1)[0] if content.strip() else ""
        if found[3] is not None and first not in COMMANDS:
            continue
        before = text[: found.start() + (found[3] is not None)]
        mark = _MARK.search(before)
        one = Snippet(page, before.count("\n") + 1, language, content, " ".join(mark[1].split()) if mark else "")
        if language in ("", "text", "mermaid"):
            if re.search(rf"^(\$ )?({'|'.join(COMMANDS)}) ", content, flags=re.MULTILINE):
                raise SnippetError(f"{one.where}: commands in a block of {language or 'no language'}; allowed: sh")
            continue
        yield one


def run_page(
    page: str,
    folder: Path,
    *,
    minutes: bool,
    path: str = "",
    programs: Path = Path(sys.executable).parent,
    text: str | None = None,
) -> Iterator[str]:
    """Run a page; a line for each block.

    Args:
        page: path from the root of the repository.
        folder: an empty one.
        minutes: also what takes minutes.
        path: folder to put before the programs, for what ends by itself.
        programs: folder with Python and the command line of the installation to use.
        text: of the page, instead of what is in the file.

    Raises:
        SnippetError: a block failed.
    """
    runner = _Runner(folder, path, programs)
    if page in PREPARED:
        runner.shell(PREPARED[page], f"{page}, before its first block")
    for one in snippets(page, (ROOT / page).read_text() if text is None else text):
        began_s = time.monotonic()
        told = runner.run(one, minutes)
        yield f"{one.where:<28} {time.monotonic() - began_s:6.1f} s  {told}"


class _Runner:
    """One page's folder, environment and Python names."""

    def __init__(self, folder: Path, path: str, programs: Path) -> None:
        self._folder = folder
        for name in LINKED:
            (folder / name).symlink_to(ROOT / name)
        (folder / ".venv").symlink_to(programs.parent)
        plain = os.pathsep.join((str(programs), os.environ["PATH"]))
        self._plain = os.environ | {"PATH": plain}
        self._environment = self._plain | ({"PATH": os.pathsep.join((path, plain))} if path else {})
        self._python: list[str] = []

    def run(self, one: Snippet, minutes: bool) -> str:
        """Do with a block what its mark says; returns what was done."""
        kind, _, rest = one.mark.partition(": ")
        if kind in ("not run", "minutes", "terminals, minutes"):
            if len(rest.split()) < 3:
                raise SnippetError(f"{one.where}: `{one.mark}` gives no reason")
            if kind == "not run" or not minutes:
                return f"{kind}: {rest}"
        if kind.startswith("terminals"):
            with mosquitto(self._folder) as broker:
                problem = in_terminals(one.text, broker.port, self._folder, self._plain)
            if problem:
                raise SnippetError(f"{one.where}: {problem}")
        elif kind.startswith("file "):
            with (self._folder / kind.removeprefix("file ")).open("a") as file:
                file.write(f"{one.text}\n\n")
        elif kind not in ("", "minutes"):
            raise SnippetError(f"{one.where}: `{one.mark}` is no mark; allowed: those that {Path(__file__).name} names")
        else:
            return self._plainly(one)
        return kind

    def _plainly(self, one: Snippet) -> str:
        if one.language == "sh":
            kept = [line for line in one.text.splitlines() if not self._install(line, one)]
            self.shell("\n".join(kept), one.where)
        elif one.language == "python":
            self._python.append(one.text)
            (self._folder / "page.py").write_text("\n".join(self._python))
            self.shell("python page.py", one.where)
        elif one.language == "r":
            if shutil.which("Rscript") is None:
                return "not run: there is no R on this machine (make tables-in-r installs it)"
            (self._folder / "page.R").write_text(one.text)
            self.shell("Rscript page.R", one.where)
        elif one.language == "toml":
            tomllib.loads(one.text)
        else:
            raise SnippetError(f"{one.where}: no way to run a block of {one.language}")
        return "ran"

    def _install(self, line: str, one: Snippet) -> bool:
        """Whether a line installs an extra, which must exist; `campaigns.delivery` installs, this does not."""
        if not line.startswith("pip install"):
            return False
        wanted = _INSTALL.fullmatch(line.split("#")[0].strip())
        extras = tomllib.loads((ROOT / "pyproject.toml").read_text())["project"]["optional-dependencies"]
        if wanted is None or wanted[1] not in extras:
            raise SnippetError(f"{one.where}: `{line}` names no extra of this package")
        return True

    def shell(self, script: str, where: str) -> None:
        """Run commands in the page's folder; `where` is for the message when one fails."""
        done = subprocess.run(
            ["bash", "-euo", "pipefail", "-c", script],
            cwd=self._folder, env=self._environment, capture_output=True, text=True, timeout=PATIENCE_S, check=False,
        )  # fmt: skip
        if done.returncode != 0:
            raise SnippetError(
                f"{where} ended with {done.returncode}:\n{script}\n{(done.stdout + done.stderr)[-3000:]}"
            )


def main() -> int:
    """Command line; returns 1 when a block of any page failed."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("pages", nargs="*", default=PAGES, help="paths from the root of the repository; all")
    failed = 0
    for page in parser.parse_args().pages:
        with tempfile.TemporaryDirectory(prefix="ebbset-page-") as folder:
            try:
                for line in run_page(page, Path(folder), minutes=True):
                    sys.stdout.write(f"{line}\n")
                    sys.stdout.flush()
            except SnippetError as error:
                sys.stderr.write(f"{error}\n")
                failed += 1
    return min(failed, 1)


if __name__ == "__main__":
    sys.exit(main())
