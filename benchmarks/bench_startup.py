"""Start-up: the help page over a bare interpreter, and the controller over the libraries that it cannot do without."""

from __future__ import annotations

import os
import pathlib
import statistics
import subprocess
import sys

from benchmarks.claims import Claim

REPEATS = 11
LIBRARIES = "import numpy, pydantic"
CONTROLLER = "import ebbset.controller.regulation.set_controller, ebbset.controller.messages.codec"


def processor_s(*command: str) -> float:
    """Processor time of a program, s: what it needs, whatever else the machine does."""
    process = subprocess.Popen(command, stdout=subprocess.DEVNULL)
    _, status, usage = os.wait4(process.pid, 0)
    process.returncode = os.waitstatus_to_exitcode(status)
    if process.returncode != 0:
        raise SystemExit(f"{command} ended with {process.returncode}; allowed: 0")
    return usage.ru_utime + usage.ru_stime


def main() -> list[Claim]:
    program = str(pathlib.Path(sys.executable).parent / "ebbset")
    commands = {
        "bare": (sys.executable, "-c", "pass"),
        "help": (program, "--help"),
        "libraries": (sys.executable, "-c", LIBRARIES),
        "controller": (sys.executable, "-c", CONTROLLER),
    }
    for command in commands.values():
        processor_s(*command)
    turns = [{name: processor_s(*command) for name, command in commands.items()} for _ in range(REPEATS)]
    took = {name: statistics.median(turn[name] for turn in turns) for name in commands}

    def over(what: str, whole: str, part: str, most: float) -> Claim:
        note = f"{took[whole] * 1e3:.0f} over {took[part] * 1e3:.0f} ms"
        return Claim(what, took[whole] / took[part], "times", most, at_most=True, note=note)

    return [
        over("start: ebbset --help over a bare interpreter", "help", "bare", 5.0),
        over("start: importing the controller over pydantic and numpy", "controller", "libraries", 1.3),
    ]
