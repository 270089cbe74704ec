"""The rooms' walls: nothing imports upwards, and the core holds no clock, no socket, no file and no chance.

The rules are the design page's own; a rule that nobody checks decays.
"""

from __future__ import annotations

import ast
import importlib.metadata
import pathlib
import re
import sys

import pytest

ROOT = pathlib.Path(__file__).parent.parent
FLOORS = {"models": 1, "controller": 2, "simulators": 3, "console": 4}
SHELL = {
    "contract.py",
    "codec.py",
    "inbox.py",
    "link.py",
    "notices.py",
    "recorder.py",
    "recording.py",
    "registry.py",
    "replay.py",
    "serve.py",
    "settings.py",
}
"""Modules of the controller that may touch sockets, files and clocks; every other one is core."""
IMPURE = {
    "aiomqtt",
    "asyncio",
    "importlib",
    "io",
    "logging",
    "mcap",
    "multiprocessing",
    "numpy",
    "os",
    "pathlib",
    "random",
    "secrets",
    "shutil",
    "socket",
    "ssl",
    "structlog",
    "subprocess",
    "tempfile",
    "threading",
    "time",
    "uuid",
}
BASE = {"aiomqtt", "mcap", "numpy", "pydantic", "structlog"}
MODELS_MAY_IMPORT = {"numpy", "pydantic", "annotated_types"}
IMPURE_CALLS = {"open", "print", "input", "now", "today", "utcnow"}


def modules(room: str) -> list[pathlib.Path]:
    return sorted((ROOT / room).rglob("*.py"))


def imports(path: pathlib.Path) -> set[str]:
    found: set[str] = set()
    for node in ast.walk(ast.parse(path.read_text())):
        if isinstance(node, ast.Import):
            found |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{path}: relative import; name the room"
            found.add(node.module or "")
    return found


def calls(path: pathlib.Path) -> set[str]:
    names: set[str] = set()
    for node in ast.walk(ast.parse(path.read_text())):
        if isinstance(node, ast.Call):
            function = node.func
            names.add(function.id if isinstance(function, ast.Name) else getattr(function, "attr", ""))
    return names


@pytest.mark.parametrize("room", FLOORS)
def test_nothing_imports_upwards(room: str) -> None:
    looked_at = 0
    for path in modules(room):
        for name in imports(path):
            parts = name.split(".")
            if parts[0] == "ebbset":
                looked_at += 1
                assert len(parts) > 1, f"{path}: import a room, not the namespace"
                assert FLOORS[parts[1]] <= FLOORS[room], f"{path} imports {name}"
            assert parts[0] not in FLOORS, f"{path}: a room is imported as a top-level module"
    assert looked_at > 3


def core_modules() -> list[pathlib.Path]:
    return modules("models") + [path for path in modules("controller") if path.name not in SHELL]


def test_the_core_is_pure() -> None:
    looked_at = core_modules()
    assert len(looked_at) >= 25
    for path in looked_at:
        roots = {name.split(".")[0] for name in imports(path)}
        impure = IMPURE - {"numpy"} if path.parent.name == "models" else IMPURE
        assert not roots & impure, f"{path} imports {sorted(roots & impure)}"
        assert not calls(path) & IMPURE_CALLS, f"{path} calls {sorted(calls(path) & IMPURE_CALLS)}"


def test_the_base_install_needs_neither_simulator_nor_console() -> None:
    base = {
        re.split(r"[^A-Za-z0-9_-]", requirement)[0]
        for requirement in importlib.metadata.requires("ebbset") or []
        if "extra ==" not in requirement
    }
    assert base == BASE
    for path in [*modules("models"), *modules("controller")]:
        roots = {name.split(".")[0] for name in imports(path)} - set(sys.stdlib_module_names) - {"ebbset"}
        # paho is what aiomqtt itself stands on; its property types are named by aiomqtt's own interface
        assert roots <= BASE | {"paho", "annotated_types"}, f"{path} imports {sorted(roots - BASE)}"


def test_models_rest_on_numpy_and_pydantic_only() -> None:
    for path in modules("models"):
        for name in imports(path):
            root = name.split(".")[0]
            allowed = root in MODELS_MAY_IMPORT or root in sys.stdlib_module_names or root == "ebbset"
            assert allowed, f"{path} imports {name}"


def test_the_guard_shares_nothing_with_the_regulator_but_message_types() -> None:
    shared = {name for name in imports(ROOT / "controller" / "guard.py") if name.startswith("ebbset.controller")}
    assert shared == {"ebbset.controller.actions", "ebbset.controller.events"}


def test_no_room_prints() -> None:
    for room in ("models", "controller", "simulators"):
        for path in modules(room):
            assert "print" not in calls(path), path


def test_every_module_says_what_lives_there() -> None:
    for room in FLOORS:
        for path in modules(room):
            docstring = ast.get_docstring(ast.parse(path.read_text()))
            assert docstring, path
            assert len(docstring) > 40, path
