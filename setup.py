"""The optional compiled core: ``EBBSET_COMPILED=1 pip install .`` compiles what works for every frame with mypyc.

Without the variable nothing here does anything: the package is pure Python, and everything else about it stands in
pyproject.toml. With it, the wheel holds each of these modules twice, as source and compiled; Python takes the second.
"""

import ast
import os
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
    "controller/detection/evidence": (
        "ascent_evidence", "habit_evidence", "habit_figures", "shipped_score", "stall_evidence", "usual_velocities",
    ),
    "controller/estimation": ("capacity", "capacity_filter", "covariance", "effort", "repetitions_in_reserve"),
    "controller/guard": ("guard", "telemetry"),
    "controller/messages": ("soundness",),
    "controller/regulation": (
        "armed_set", "bout", "cable", "regulator", "reports", "rig_facts", "rig_word", "set_context", "set_controller",
        "stop_rules", "triggers",
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


def _marks_of(node: ast.ClassDef, module: str) -> str:
    """How mypyc is to make a class.

    The evaluation copies detectors. A class whose `__init__` needs nothing can be copied anyway; any other must be
    marked, and then Python makes it without its `__init__` (mypyc 2.4) unless it may be subclassed too.
    """
    inits = [one.args for one in node.body if isinstance(one, ast.FunctionDef) and one.name == "__init__"]
    needy = any(len(one.args) - len(one.defaults) > 1 or None in one.kw_defaults for one in inits)
    copied = module.startswith("controller/detection/") and needy and not node.decorator_list
    if not copied and node.name != SUBCLASSED.get(module):
        return ""
    return f"@mypyc_attr(allow_interpreted_subclasses=True{', serializable=True' if copied else ''})\n"


def _mark(path: Path, module: str) -> None:
    """Mark the classes of a module's copy, so that the sources need nothing of mypyc's, which takes them out again."""
    text = path.read_text(encoding="utf-8")
    lines = text.splitlines(keepends=True)
    for node in reversed(ast.parse(text).body):
        if isinstance(node, ast.ClassDef) and (marks := _marks_of(node, module)):
            lines.insert(node.lineno - 1, marks)
    first = "from __future__ import annotations\n"
    following = (
        f"{first}from typing import TYPE_CHECKING\n\nif TYPE_CHECKING:\n    from mypy_extensions import mypyc_attr\n"
    )
    marked = "".join(lines)
    if first not in marked or (module in SUBCLASSED and f"class {SUBCLASSED[module]}" not in marked):
        raise SystemExit(f"{path} is not as setup.py knows it")
    path.write_text(marked.replace(first, following, 1), encoding="utf-8")


def _write_score(folder: Path) -> None:
    """Put the expressions that `stall_classifier` would compile as Python in place of the call that does so."""
    sys.path.insert(0, str(folder))
    from ebbset.controller.detection.evidence import stall_habits_figures as figures
    from ebbset.controller.detection.evidence.stall_classifier import body_of

    sys.path.remove(str(folder))
    # one by one, so that they are numbers without a Python object around each
    taken = "\n".join(f"    e{k}: float = evidence[{k}]" for k in range(len(figures.RANGES)))
    head = "from __future__ import annotations\nfrom collections.abc import Sequence\n"
    body = body_of(figures.BASELINE, figures.TREES)
    text = f"{head}def score(evidence: Sequence[float], least: float) -> float:\n{taken}\n{body}\n"
    path = folder / "ebbset" / "controller" / "detection" / "evidence" / "shipped_score.py"
    path.write_text(text, encoding="utf-8")


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
    _write_score(folder)
    modules = [f"{part}/{name}" for part, names in MODULES.items() for name in names]
    for module in modules:
        _mark(folder / "ebbset" / f"{module}.py", module)
    (folder / "mypy.ini").write_text(CONFIGURATION, encoding="utf-8")
    files = [f"ebbset/{module}.py" for module in modules]
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
