"""`ebbset` commands without the second or two that each needs to import what it runs.

One process imports the commands and compiles the simulator once; for each command it forks a child, which has the
caller's folder, arguments and standard streams, and ends with the command's exit code. Only commands that end by
themselves: a signal sent to the caller does not reach the child. ``python -m tests.support.warm_ebbset SOCKET`` is the
process; `warm_ebbset` starts it and gives a folder with an ``ebbset`` to be put first on the PATH.
"""

from __future__ import annotations

import contextlib
import importlib
import json
import os
import socket
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

DEFECT = 70

# Runs without `site`, which takes longer to import than everything else here.
CALLER = """#!{python} -IS
import json, os, socket, sys
line = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
line.connect({address!r})
socket.send_fds(line, [json.dumps([os.getcwd(), sys.argv[1:]]).encode() + b"\\n"], [0, 1, 2])
sys.exit(int(line.makefile().read() or {defect}))
"""


@contextlib.contextmanager
def warm_ebbset(folder: Path) -> Iterator[Path]:
    """A folder that holds an ``ebbset`` which answers at once, for the time of a ``with``.

    Args:
        folder: an empty one; its path must be short enough for the name of a Unix socket.
    """
    address = str(folder / "warm")
    caller = folder / "ebbset"
    caller.write_text(CALLER.format(python=sys.executable, address=address, defect=DEFECT))
    caller.chmod(0o755)
    process = subprocess.Popen(
        [sys.executable, "-m", __name__, address], stdout=subprocess.PIPE, cwd=Path(__file__).parents[2]
    )
    try:
        assert process.stdout is not None
        assert process.stdout.readline() == b"warm\n"
        yield folder
    finally:
        process.terminate()
        process.communicate(timeout=15)


def _warm_up() -> None:
    """Import what commands import only when they run, and have the simulator's machine code loaded."""
    from ebbset.console.app import COMMANDS
    from ebbset.models.contract.prescription import example
    from ebbset.simulators.closed_loop.closed_loop import run_set
    from ebbset.simulators.lifter.exercises import exercise

    for module, _ in COMMANDS.values():
        importlib.import_module(f"ebbset.console.{module}")
    order = example(exercise="bench_press", load={"start_n": 250.0, "floor_n": 60.0}, stop={"max_repetitions": 1})
    run_set(order, exercise("bench_press").mean_lifter(), seed=1)


def _serve(address: str) -> None:
    with socket.socket(socket.AF_UNIX, socket.SOCK_STREAM) as listener:
        listener.bind(address)
        listener.listen()
        sys.stdout.write("warm\n")
        sys.stdout.flush()
        while True:
            line, _ = listener.accept()
            with line:
                if os.fork() == 0:
                    listener.close()
                    _obey(line)
            # Each child tells its caller by itself how it ended.
            with contextlib.suppress(ChildProcessError):
                while os.waitpid(-1, os.WNOHANG) != (0, 0):
                    pass


def _obey(line: socket.socket) -> None:
    """In the child: run the command and end."""
    code = DEFECT
    try:
        asked, streams, _, _ = socket.recv_fds(line, 65_536, 3)
        for own, stream in enumerate(streams):
            os.dup2(stream, own)
            os.close(stream)
        folder, arguments = json.loads(asked)
        os.chdir(folder)
        sys.argv = ["ebbset", *arguments]
        from ebbset.console.entry import main

        code = main()
        sys.stdout.flush()
        sys.stderr.flush()
    finally:
        line.sendall(str(int(code)).encode())
        os._exit(0)


if __name__ == "__main__":
    _warm_up()
    _serve(sys.argv[1])
