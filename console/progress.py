"""Progress of long work: a bar on a terminal, a line now and then where there is none.

A pipe or a log file gets a line when the work takes longer than a moment, and then one in a while, so that nobody
thinks that it hangs. All of it goes to standard error, away from what a script reads.
"""

from __future__ import annotations

import sys
import threading
import time
from collections.abc import Callable, Iterable, Iterator, Sized
from contextlib import contextmanager
from dataclasses import dataclass, field
from typing import IO, TYPE_CHECKING, Any, Final, TypeVar

import click

if TYPE_CHECKING:
    from ebbset.simulators.closed_loop.parallel import Mapper

T = TypeVar("T")

FIRST_S: Final = 2.0
EVERY_S: Final = 10.0


@dataclass(slots=True)
class Lines:
    """Lines for something that is not a terminal, written by a thread of their own, however long a step takes."""

    what: str | Callable[[], str]
    total: int | None
    stream: IO[str]
    begun_s: float = field(default_factory=time.monotonic)
    done: int = 0
    part_s: float = field(default_factory=time.monotonic)
    over: threading.Event = field(default_factory=threading.Event)

    def advance(self, what: str | None = None, total: int | None = None) -> None:
        """Count one more step, say what is being done now, or begin to count anew.

        Args:
            what: is being done now.
            total: steps of the part that begins.
        """
        if total is not None:
            self.total, self.done, self.part_s = total, 0, time.monotonic()
        if what is not None:
            self.what = what
        elif total is None:
            self.done += 1

    def write(self) -> None:
        """Write until the work is over."""
        wait_s = FIRST_S
        while not self.over.wait(wait_s):
            wait_s = EVERY_S
            of = "" if self.total is None else f" of {self.total}"
            count = f", {self.done}{of}" if self.done else ""
            what = self.what if isinstance(self.what, str) else self.what()
            click.echo(f"{what}{count}, {self.times()}", file=self.stream)

    def times(self) -> str:
        """How long it took so far and, where the number of steps is known, about how long it takes yet."""
        now = time.monotonic()
        told = f"{now - self.begun_s:.0f} s so far"
        if self.total is None or not 0 < self.done < self.total:
            return told
        left_s = (now - self.part_s) / self.done * (self.total - self.done)
        return f"{told}, about {left_s:.0f} s left" + (" of this part" if self.part_s > self.begun_s + 1.0 else "")


@contextmanager
def progress(
    what: str | Callable[[], str], total: int | None = None, *, stream: IO[str] | None = None
) -> Iterator[Callable[..., None]]:
    """Show the progress of some work while the block runs.

    Args:
        what: what is being done, as the line begins; a function to be asked for it at each line.
        total: number of steps, where it is known; with it, what is left is estimated.
        stream: where to show it; standard error by default.

    Yields:
        A function to call with None after each step, or with a text that says what is being done now; and with
        ``total=`` when a part with so many steps begins.
    """
    out = sys.stderr if stream is None else stream
    if not out.isatty():
        lines = Lines(what, total, out)
        writing = threading.Thread(target=lines.write, daemon=True)
        writing.start()
        try:
            yield lines.advance
        finally:
            lines.over.set()
            writing.join()
        return
    from rich.console import Console
    from rich.progress import BarColumn, Progress, ProgressColumn, Task, TextColumn, TimeElapsedColumn
    from rich.text import Text

    class Counted(ProgressColumn):
        """Steps and what is left, where the number of steps is known."""

        def render(self, task: Task) -> Text:
            if task.total is None:
                return Text("")
            left_s = task.time_remaining
            left = "" if not left_s else f", about {left_s:.0f} s left"
            return Text(f"{task.completed:.0f}/{task.total:.0f}{left}")

    columns = (TextColumn("{task.description}"), BarColumn(), Counted(), TimeElapsedColumn())
    with Progress(*columns, console=Console(file=out), transient=True) as bar:
        task = bar.add_task(what if isinstance(what, str) else what(), total=total)

        def advance(text: str | None = None, total: int | None = None) -> None:
            if total is not None:
                bar.reset(task, total=total)
            bar.update(task, advance=1 if text is None and total is None else 0, description=text)

        yield advance


def counted(mapper: Mapper, show: Callable[..., None]) -> Mapper:
    """The same mapper, whose results are counted as steps, one part for each list that it maps.

    Args:
        mapper: what works.
        show: as `progress` yields it.
    """

    def mapped(function: Callable[[Any], Any], items: Iterable[Any]) -> Iterator[Any]:
        if isinstance(items, Sized):
            show(total=len(items))
        for result in mapper(function, items):
            yield result
            show(None)

    return mapped


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
