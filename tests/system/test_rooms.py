"""The rooms' walls: nothing imports upwards, and the core uses no clock, no socket, no file and no randomness.

The rules are the design page's own; a rule that nobody checks decays. They are judged by rule, not by lists of files.
"""

from __future__ import annotations

import ast
import importlib.metadata
import re
import subprocess
import sys
import tomllib
from collections import defaultdict
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
FLOORS = {
    "models": 1,
    "controller": 2,
    "rig": 2,
    "simulators": 3,
    "conformance": 3,
    "coaching": 4,
    "study": 4,
    "console": 5,
}
SHELLS = {"embedding", "link", "metrics", "recording", "service", "site"}
"""Sub-packages of the controller that may touch sockets, files and clocks; every other one is core."""
RIG_SHELLS = {"rig_connection.py", "rig_server.py", "rig_log.py"}
"""Modules of the rig's side that may touch sockets and clocks; every other one is core."""
MOST_MODULES = 15
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
BASE = {"aiomqtt", "mcap", "numpy", "paho-mqtt", "pydantic", "structlog"}
MODELS_MAY_IMPORT = {"numpy", "pydantic", "annotated_types"}
IMPURE_CALLS = {"open", "print", "input", "now", "today", "utcnow"}
GUARD_MAY_IMPORT = ("ebbset.controller.messages", "ebbset.controller.guard", "ebbset.models.contract")


PUBLIC = "public"
"""The folder of the package's own top: what it gives to everybody, from every room, and no room may import."""


def modules(room: str) -> list[Path]:
    return sorted((ROOT / room).rglob("*.py"))


def imports(path: Path) -> set[str]:
    """Modules that a file imports; a name imported from a package counts as that sub-module where there is one."""
    found: set[str] = set()
    for node in ast.walk(ast.parse(path.read_text())):
        if isinstance(node, ast.Import):
            found |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{path}: relative import; name the room"
            module = node.module or ""
            found.add(module)
            if module.startswith("ebbset."):
                folder = ROOT.joinpath(*module.split(".")[1:])
                found |= {f"{module}.{alias.name}" for alias in node.names if (folder / f"{alias.name}.py").exists()}
    return found


def calls(path: Path) -> set[str]:
    names: set[str] = set()
    for node in ast.walk(ast.parse(path.read_text())):
        if isinstance(node, ast.Call):
            function = node.func
            names.add(function.id if isinstance(function, ast.Name) else getattr(function, "attr", ""))
    return names


@pytest.mark.parametrize("room", FLOORS)
def test_nothing_imports_upwards_or_across(room: str) -> None:
    looked_at = 0
    for path in modules(room):
        for name in imports(path):
            parts = name.split(".")
            if parts[0] == "ebbset":
                looked_at += 1
                assert len(parts) > 1, f"{path}: import a room, not the namespace"
                assert parts[1] == room or FLOORS[parts[1]] < FLOORS[room], f"{path} imports {name}"
            outside = {"campaigns", "tests", "benchmarks", PUBLIC, *FLOORS}
            assert parts[0] not in outside, f"{path} imports {name}, which is not in the package"
    assert looked_at > 3


@pytest.mark.parametrize("room", FLOORS)
def test_sub_packages_of_a_room_import_each_other_one_way_only(room: str) -> None:
    """Without a ring of sub-packages each can be read, and moved, by itself."""
    needs: dict[str, set[str]] = defaultdict(set)
    for path in modules(room):
        here = path.relative_to(ROOT / room).parts[0] if path.parent != ROOT / room else ""
        for name in imports(path):
            parts = name.split(".")
            if parts[:2] == ["ebbset", room] and len(parts) > 2 and (ROOT / room / parts[2]).is_dir():
                needs[here].add(parts[2])
    done: set[str] = set()
    left = {name: {other for other in others if other != name} for name, others in needs.items()}
    while left:
        free = {name for name, others in left.items() if not (others & left.keys()) - done}
        assert free, f"{room}: sub-packages import each other in a ring: {sorted(left)}"
        done |= free
        left = {name: others for name, others in left.items() if name not in free}


def test_no_room_or_sub_package_is_crowded() -> None:
    for room in FLOORS:
        for folder in {path.parent for path in modules(room)}:
            count = sum(path.name != "__init__.py" for path in folder.glob("*.py"))
            assert count <= MOST_MODULES, f"{folder.relative_to(ROOT)} holds {count} modules; allowed: {MOST_MODULES}"


def test_the_wheel_holds_every_room_and_sub_package_and_nothing_else() -> None:
    listed = tomllib.loads((ROOT / "pyproject.toml").read_text())["tool"]["setuptools"]["packages"]
    there = {
        "ebbset." + ".".join(path.parent.relative_to(ROOT).parts)
        for room in FLOORS
        for path in modules(room)
        if path.name == "__init__.py"
    }
    assert set(listed) == there | {"ebbset"}


def test_no_class_name_stands_twice() -> None:
    where: dict[str, list[str]] = defaultdict(list)
    for room in [*FLOORS, PUBLIC]:
        for path in modules(room):
            for node in ast.walk(ast.parse(path.read_text())):
                if isinstance(node, ast.ClassDef):
                    where[node.name].append(str(path.relative_to(ROOT)))
    assert {name: paths for name, paths in where.items() if len(paths) > 1} == {}


def core_modules() -> list[Path]:
    core = [path for path in modules("controller") if path.relative_to(ROOT / "controller").parts[0] not in SHELLS]
    return modules("models") + core + [path for path in modules("rig") if path.name not in RIG_SHELLS]


def test_the_core_is_pure() -> None:
    looked_at = core_modules()
    assert len(looked_at) >= 25
    for path in looked_at:
        roots = {name.split(".")[0] for name in imports(path)}
        impure = IMPURE - {"numpy"} if path.is_relative_to(ROOT / "models") else IMPURE
        assert not roots & impure, f"{path} imports {sorted(roots & impure)}"
        assert not calls(path) & IMPURE_CALLS, f"{path} calls {sorted(calls(path) & IMPURE_CALLS)}"


def test_the_core_imports_no_shell() -> None:
    for path in core_modules():
        for name in imports(path):
            parts = name.split(".")
            assert parts[:2] != ["ebbset", "controller"] or len(parts) < 3 or parts[2] not in SHELLS, (path, name)


def test_the_core_of_the_rig_imports_no_shell() -> None:
    for path in modules("rig"):
        if path.name not in RIG_SHELLS:
            shells = {f"ebbset.rig.{name.removesuffix('.py')}" for name in RIG_SHELLS}
            assert not imports(path) & shells, path


def loaded_with(module: str) -> set[str]:
    """What a fresh interpreter has loaded of this package after importing a module, by whatever way."""
    code = f"import sys, {module}; print(*sys.modules)"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    return {name for name in done.stdout.split() if name.startswith("ebbset.")}


def test_who_judges_rigs_shares_nothing_with_a_rig_but_the_contract() -> None:
    """A mistake in shared code would be invisible to the judge."""
    rig, judge = loaded_with("ebbset.rig.rig_server"), loaded_with("ebbset.conformance.kit")
    assert {"ebbset.rig.rig_core", "ebbset.rig.rig_connection"} <= rig
    assert {"ebbset.conformance.procedures", "ebbset.conformance.rig_client"} <= judge
    shared = {name for name in rig & judge if name.count(".") > 1 and not name.startswith("ebbset.models.contract")}
    assert shared == set()


def test_the_base_install_needs_neither_simulator_nor_console() -> None:
    base = {
        re.split(r"[^A-Za-z0-9_-]", requirement)[0]
        for requirement in importlib.metadata.requires("ebbset") or []
        if "extra ==" not in requirement
    }
    assert base == BASE
    for path in [*modules("models"), *modules("controller"), *modules("rig")]:
        roots = {name.split(".")[0] for name in imports(path)} - set(sys.stdlib_module_names) - {"ebbset"}
        assert roots <= BASE | {"paho"}, f"{path} imports {sorted(roots - BASE)}"


def test_models_rest_on_numpy_and_pydantic_only() -> None:
    for path in modules("models"):
        for name in imports(path):
            root = name.split(".")[0]
            allowed = root in MODELS_MAY_IMPORT or root in sys.stdlib_module_names or root == "ebbset"
            assert allowed, f"{path} imports {name}"


def test_the_guard_reads_messages_and_prescription_only_through_the_whole_chain_of_its_imports() -> None:
    """Asked of a fresh interpreter: whatever is loaded with the guard, by whatever way, is what it rests on."""
    code = "import sys; before = set(sys.modules); import ebbset.controller.guard; print(*set(sys.modules) - before)"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    loaded = {name for name in done.stdout.split() if name.startswith("ebbset.") and name.count(".") > 1}
    strangers = {name for name in loaded if not name.startswith(GUARD_MAY_IMPORT)}
    assert "ebbset.controller.guard.guard" in loaded
    assert strangers == set()
    assert "numpy" not in done.stdout.split()


def test_no_room_prints() -> None:
    for room in {*FLOORS, PUBLIC} - {"console"}:
        for path in modules(room):
            assert "print" not in calls(path), path


def test_every_module_says_what_lives_there() -> None:
    for room in [*FLOORS, PUBLIC, "campaigns"]:
        for path in modules(room):
            docstring = ast.get_docstring(ast.parse(path.read_text()))
            assert docstring, path
            assert len(docstring) > 40, path
