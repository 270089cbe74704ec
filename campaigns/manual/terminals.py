"""Lines of a page that belong into terminals of their own: all but the last go on until they are interrupted."""

from __future__ import annotations

import contextlib
import os
import pty
import re
import select
import signal
import subprocess
import time
from collections.abc import Callable, Iterator, Mapping, Sequence
from pathlib import Path
from typing import Final

PATIENCE_S: Final = 240.0
_TAKES_PORT: Final = re.compile(r"\b(ebbset (?:rig|serve|stream|page|check-rig|request \w+))")


def at_port(line: str, port: int) -> str:
    """The same command for a broker at another port than 1883.

    Args:
        line: as the page shows it.
        port: of the broker.
    """
    line = _TAKES_PORT.sub(rf"\1 --port {port}", line.replace("1883", str(port)))
    return line.replace("mosquitto_sub", f"mosquitto_sub -p {port}")


def in_terminals(text: str, port: int, folder: Path, environment: Mapping[str, str]) -> str:
    """Run each line in a terminal; what went wrong, or nothing.

    The next line begins once the one before has said something, as a reader waits for it. Questions are answered with
    yes. A comment ``# ends with N: TEXT`` at the last line names its exit code, 0 without one, and what it says.

    Args:
        text: the lines.
        port: of a broker that serves nobody else.
        folder: where.
        environment: of every line.
    """
    *lasting, last = [at_port(line, port) for line in text.splitlines() if line.strip() and line[0] != "#"]
    due = re.search(r"# ends with (\d+): (.+)", last)
    due_code, due_text = (int(due[1]), due[2].encode()) if due else (0, b"")
    with contextlib.ExitStack() as stack:
        opened = [stack.enter_context(_terminal(line, folder, environment)) for line in lasting]
        for one in opened:
            one.read_until(lambda said: b"\n" in said)
        deadline = time.monotonic() + PATIENCE_S
        while True:
            if problem := _ended(lasting, opened):
                return problem
            with _terminal(last, folder, environment) as ending:
                ending.answer()
                code = ending.wait()
            # What it asks for may not be there yet; a reader asks again.
            if code == due_code and due_text in ending.said:
                break
            if time.monotonic() > deadline:
                return f"`{last}` ended with {code}:\n{ending.said.decode(errors='replace')[-3000:]}"
        if problem := _ended(lasting, opened):
            return problem
        for line, one in zip(lasting, opened, strict=True):
            one.process.send_signal(signal.SIGINT)
            code = one.wait()
            if code not in (0, 130, -signal.SIGINT):
                return f"`{line}` ended with {code} when interrupted:\n{one.said.decode(errors='replace')[-3000:]}"
    return ""


def _ended(lines: Sequence[str], terminals: Sequence[_Terminal]) -> str:
    """The first line that has ended though it is to go on, with what it said; nothing if all go on."""
    for line, one in zip(lines, terminals, strict=True):
        if one.process.poll() is not None:
            one.read_until(lambda _: False)
            return f"`{line}` ended by itself:\n{one.said.decode(errors='replace')[-3000:]}"
    return ""


class _Terminal:
    """A command at a terminal, and what it said."""

    def __init__(self, process: subprocess.Popen[bytes], handle: int) -> None:
        self.process, self.said, self._handle = process, b"", handle

    def answer(self) -> None:
        """Say yes to what it may ask."""
        os.write(self._handle, b"y\n")

    def wait(self) -> int:
        """Its exit code."""
        self.read_until(lambda _: self.process.poll() is not None)
        return self.process.wait(PATIENCE_S)

    def read_until(self, enough: Callable[[bytes], bool]) -> None:
        """Read until this holds of what was said, the command has ended or patience is over."""
        deadline = time.monotonic() + PATIENCE_S
        while not enough(self.said) and time.monotonic() < deadline:
            if not select.select([self._handle], [], [], 0.1)[0]:
                continue
            try:
                self.said += os.read(self._handle, 65_536)
            except OSError:  # nobody holds the other end any more
                return


@contextlib.contextmanager
def _terminal(line: str, folder: Path, environment: Mapping[str, str]) -> Iterator[_Terminal]:
    ours, theirs = pty.openpty()
    process = subprocess.Popen(
        ["bash", "-c", line], stdin=theirs, stdout=theirs, stderr=theirs, cwd=folder, env=environment,
        start_new_session=True,
        # Whoever was started in the background of a script ignores interrupts, and would hand that on.
        preexec_fn=lambda: signal.signal(signal.SIGINT, signal.SIG_DFL),
    )  # fmt: skip
    os.close(theirs)
    try:
        yield _Terminal(process, ours)
    finally:
        if process.poll() is None:
            os.killpg(process.pid, signal.SIGTERM)
            process.wait(PATIENCE_S)
        os.close(ours)
