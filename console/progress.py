"""Progress of long work: a bar on a terminal, a line now and then where there is none.

A pipe or a log file gets a line when the work takes longer than a moment, and then one in a while, so that nobody
thinks that it hangs. All of it goes to standard error, away from what a script reads.
"""

from __future__ import annotations

import sys
import threading
import time
from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from typing import IO, Final, TypeVar

import click

T = TypeVar("T")

FIRST_S: Final = 2.0
EVERY_S: Final = 10.0


@dataclass(slots=True)
class _Lines:
    """Lines for something that is not a terminal, written by a thread of their own, however long a step takes."""

    what: str | Callable[[], str]
    total: int | None
    stream: IO[str]
    begun_s: float = field(default_factory=time.monotonic)
    done: int = 0
    over: threading.Event = field(default_factory=threading.Event)

    def advance(self, what: str | None = None) -> None:
        """Count one more step, or say what is being done now."""
        if what is None:
            self.done += 1
        else:
            self.what = what

    def write(self) -> None:
        """Write until the work is over."""
        wait_s = FIRST_S
        while not self.over.wait(wait_s):
            wait_s = EVERY_S
            of = "" if self.total is None else f" of {self.total}"
            count = f", {self.done}{of}" if self.done else ""
            what = self.what if isinstance(self.what, str) else self.what()
            click.echo(f"{what}{count}, {time.monotonic() - self.begun_s:.0f} s so far", file=self.stream)


@contextmanager
def progress(
    what: str | Callable[[], str], total: int | None = None, *, stream: IO[str] | None = None
) -> Iterator[Callable[[str | None], None]]:
    """Show the progress of some work while the block runs.

    Args:
        what: what is being done, as the line begins; a function to be asked for it at each line.
        total: number of steps, where it is known.
        stream: where to show it; standard error by default.

    Yields:
        A function to call with None after each step, or with a text that says what is being done now.
    """
    out = sys.stderr if stream is None else stream
    if not out.isatty():
        lines = _Lines(what, total, out)
        writing = threading.Thread(target=lines.write, daemon=True)
        writing.start()
        try:
            yield lines.advance
        finally:
            lines.over.set()
            writing.join()
        return
    from rich.console import Console
    from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn, TimeElapsedColumn

    counted = (BarColumn(), MofNCompleteColumn()) if total is not None else ()
    columns = (TextColumn("{task.description}"), *counted, TimeElapsedColumn())
    with Progress(*columns, console=Console(file=out), transient=True) as bar:
        task = bar.add_task(what if isinstance(what, str) else what(), total=total)

        def advance(text: str | None) -> None:
            bar.update(task, advance=1 if text is None else 0, description=text)

        yield advance


def tracked(results: Iterable[T], what: str, total: int | None = None) -> Iterator[T]:
    """Pass results on and show how many there are.

    Args:
        results: what the work yields.
        what: what is being done.
        total: number of results, where it is known.
    """
    with progress(what, total) as advance:
        for result in results:
            yield result
            advance(None)
