"""The optional compiled core: ``EBBSET_COMPILED=1 pip install .`` compiles what works for every frame with mypyc.

Without the variable nothing here does anything: the package is pure Python, and everything else about it stands in
pyproject.toml. With it, the wheel holds each of these modules twice, as source and compiled; Python takes the second.
"""

import os
import re
import shutil
import sys
import tomllib
from pathlib import Path
from typing import Any

from setuptools import setup

ROOT = Path(__file__).resolve().parent
WANTED = os.environ.get("EBBSET_COMPILED", "0")
REQUIREMENTS = ["mypy>=1.14", "pydantic>=2.10"]
MODULES = {
    "controller/detection": (
        "ascent", "failed_start", "kinematic_filter", "mean_force_check", "range_of_motion", "release", "segmenter",
        "sensor_check", "sides", "stall", "stall_rule",
    ),
    "controller/detection/evidence": ("ascent_evidence", "habit_evidence", "stall_evidence", "usual_velocities"),
    "controller/estimation": ("capacity", "capacity_filter", "covariance", "effort", "repetitions_in_reserve"),
    "controller/guard": ("guard", "telemetry"),
    "controller/messages": ("soundness",),
    "controller/regulation": (
        "armed_set", "bout", "cable", "regulator", "rig_facts", "rig_word", "set_context", "set_controller",
        "stop_rules",
    ),
}  # fmt: skip
"""What is compiled, by folder: the modules that work for every frame."""
SUBCLASSED = {
    "controller/detection/evidence/ascent_evidence": "AscentEvidence",
    "controller/detection/evidence/habit_evidence": "HabitEvidence",
    "controller/detection/evidence/stall_evidence": "StallEvidence",
    "controller/detection/segmenter": "RepetitionSegmenter",
    "controller/regulation/set_controller": "SetController",
}
"""Compiled classes that tests and campaigns watch through a subclass, which a compiled class must allow."""
CONFIGURATION = "[mypy]\nstrict = True\nplugins = pydantic.mypy\nignore_missing_imports = True\n"


def _allow_subclasses(path: Path, name: str) -> None:
    """Mark a class in the copy, so that the sources need nothing of mypyc's; mypyc takes the mark out again."""
    head, first, body = path.read_text(encoding="utf-8").partition("from __future__ import annotations\n")
    line = re.search(rf"\nclass {name}(\(\w+\))?:\n", body)
    if not first or line is None:
        raise SystemExit(f"{path} has no class {name}; setup.py names one")
    marks = "from typing import TYPE_CHECKING\n\nif TYPE_CHECKING:\n    from mypy_extensions import mypyc_attr\n"
    mark = "\n@mypyc_attr(allow_interpreted_subclasses=True)"
    marked = f"{body[: line.start()]}{mark}{body[line.start() :]}"
    path.write_text(f"{head}{first}{marks}{marked}", encoding="utf-8")


def compiled() -> list[Any]:
    """The extension modules, made from a copy of the rooms that lies as they are imported."""
    from mypyc.build import mypycify

    folder = ROOT / "build" / "core"
    shutil.rmtree(folder, ignore_errors=True)
    rooms = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["tool"]["setuptools"]["package-dir"]
    for package, room in rooms.items():
        shutil.copytree(ROOT / room, folder / package.replace(".", "/"), dirs_exist_ok=True)
    # What a package exports is no business of its modules, and would have mypy read all rooms, and all libraries.
    for exports in folder.rglob("__init__.py"):
        exports.write_text("", encoding="utf-8")
    for module, name in SUBCLASSED.items():
        _allow_subclasses(folder / "ebbset" / f"{module}.py", name)
    (folder / "mypy.ini").write_text(CONFIGURATION, encoding="utf-8")
    files = [f"ebbset/{part}/{name}.py" for part, names in MODULES.items() for name in names]
    os.chdir(folder)
    try:
        made = mypycify(["--config-file", "mypy.ini", *files], group_name="ebbset_core", target_dir="generated")
    finally:
        os.chdir(ROOT)
    for extension in made:
        # setuptools wants paths from here.
        extension.sources = [os.path.relpath(folder / source, ROOT) for source in extension.sources]
        extension.include_dirs = [str(folder / path) for path in extension.include_dirs]
        extension.depends = [os.path.relpath(folder / path, ROOT) for path in extension.depends]
    return made


if WANTED not in ("0", "1"):
    raise SystemExit(f"EBBSET_COMPILED is {WANTED!r}; allowed: 0 or 1")
building = WANTED == "1" and not {"egg_info", "dist_info", "sdist"} & set(sys.argv[1:2])
# An installer first asks by `egg_info` what a build needs, when that is not there yet.
setup(setup_requires=REQUIREMENTS if WANTED == "1" and not building else [], ext_modules=compiled() if building else [])
