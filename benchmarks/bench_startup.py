"""Start-up: the help page over a bare interpreter, and the controller over the libraries that it cannot do without.

All with compiled bytecode, which pip leaves behind, in a folder of its own: a machine that is told to write none would
time the compiler. The notes say how much of each is click, and the first pydantic model that anybody defines.
"""

from __future__ import annotations

import os
import pathlib
import statistics
import subprocess
import sys
import tempfile

from benchmarks.claims import Claim

REPEATS = 11
LIBRARIES = "import numpy, pydantic"
MODEL = "import pydantic\nclass Model(pydantic.BaseModel):\n    number: int = 1"
CONTROLLER = "import ebbset.controller.regulation.set_controller, ebbset.controller.messages.codec"


def processor_s(*command: str, bytecode: str) -> float:
    """Processor time of a program, s: what it needs, whatever else the machine does."""
    environment = {name: value for name, value in os.environ.items() if name != "PYTHONDONTWRITEBYTECODE"}
    environment["PYTHONPYCACHEPREFIX"] = bytecode
    process = subprocess.Popen(command, stdout=subprocess.DEVNULL, env=environment)
    _, status, usage = os.wait4(process.pid, 0)
    process.returncode = os.waitstatus_to_exitcode(status)
    if process.returncode != 0:
        raise SystemExit(f"{command} ended with {process.returncode}; allowed: 0")
    return usage.ru_utime + usage.ru_stime


def main() -> list[Claim]:
    program = str(pathlib.Path(sys.executable).parent / "ebbset")
    commands = {
        "bare": (sys.executable, "-c", "pass"),
        "click": (sys.executable, "-c", "import click"),
        "help": (program, "--help"),
        "libraries": (sys.executable, "-c", LIBRARIES),
        "model": (sys.executable, "-c", MODEL),
        "controller": (sys.executable, "-c", CONTROLLER),
    }
    with tempfile.TemporaryDirectory() as bytecode:
        for command in commands.values():
            processor_s(*command, bytecode=bytecode)
        turns = [
            {name: processor_s(*command, bytecode=bytecode) for name, command in commands.items()}
            for _ in range(REPEATS)
        ]
    took = {name: statistics.median(turn[name] for turn in turns) for name in commands}

    def over(what: str, whole: str, part: str, most: float, least: str, least_named: str) -> Claim:
        note = f"{took[whole] * 1e3:.0f} over {took[part] * 1e3:.0f} ms; {least_named} takes {took[least] * 1e3:.0f} ms"
        return Claim(what, took[whole] / took[part], "times", most, at_most=True, note=note)

    return [
        over("start: ebbset --help over a bare interpreter", "help", "bare", 5.0, "click", "importing click alone"),
        over(
            "start: importing the controller over pydantic and numpy", "controller", "libraries", 1.3,
            "model", "one pydantic model alone",
        ),
    ]  # fmt: skip
