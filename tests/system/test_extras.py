"""The extras in pyproject.toml declare what shipped modules import, and nothing else."""

from __future__ import annotations

import ast
import importlib.metadata
import re
import sys
import tomllib
from collections import defaultdict
from pathlib import Path

import pytest

from ebbset.console.app import EXTRAS

ROOT = Path(__file__).parents[2]
PROJECT = tomllib.loads((ROOT / "pyproject.toml").read_text())["project"]
OWN_EXTRA = {
    "models": "",
    "controller": "",
    "rig": "",
    "public": "",
    "conformance": "",
    "simulators": "sim",
    "coaching": "sim",
    "study": "study",
    "console": "console",
}
"""The extra that a room needs at least; "" is the base install."""
PART_EXTRA = {
    "coaching/history": "history",
    "console/history_commands": "history",
    "console/page": "page",
}
"""The same for a part of a room that needs more than the room does."""
DRIVERS = {"psycopg": "history"}
"""Distributions that no module of ours imports, because another library loads them by name."""
ON_REQUEST = {
    "coaching/privacy/packages.py": {"pyarrow": "study"},
    "coaching/privacy/search.py": {"pyarrow": "study"},
    "console/metrics/exposition.py": {"prometheus_client": "site"},
    "console/metrics/page.py": {"prometheus_client": "site"},
    "console/rig_commands/site_worker.py": {"uvloop": "site"},
    "coaching/collecting/sent_recordings.py": {"fsspec": "site"},
    "console/streams/outlets.py": {"pylsl": "streams"},
    "simulators/closed_loop/cluster.py": {"distributed": "study"},
    "simulators/environment/__init__.py": {"gymnasium": "environment"},
    "simulators/environment/drop_set.py": {"gymnasium": "environment"},
    "simulators/evaluation/evaluate.py": {"matplotlib": "plots"},
    "simulators/evaluation/family_report.py": {"matplotlib": "plots"},
    "simulators/structures/bodies.py": {"mujoco": "bodies"},
    "simulators/validation/validate.py": {"matplotlib": "plots"},
    "study/analysis/mixed_model.py": {"statsmodels": "analysis"},
}
"""Imports that one command or option asks for; `console.app.explain` names their extra when they are missing."""


def imported(path: Path) -> set[str]:
    """Top-level modules from outside the standard library and this package that a file imports, at any depth."""
    found: set[str] = set()
    for node in ast.walk(ast.parse(path.read_text())):
        if isinstance(node, ast.Import):
            found |= {alias.name.partition(".")[0] for alias in node.names}
        elif isinstance(node, ast.ImportFrom):
            found.add((node.module or "").partition(".")[0])
    return found - set(sys.stdlib_module_names) - {"ebbset"}


DISTRIBUTIONS = importlib.metadata.packages_distributions()


def distribution(module: str) -> str:
    """The name under which a package index holds a module, in the normal form of PyPI."""
    names = {re.sub(r"[-_.]+", "-", name).lower() for name in DISTRIBUTIONS[module]}
    if module in names:  # parts of a package may come as distributions of their own, which the first one requires
        return module
    assert len(names) == 1, names
    return names.pop()


def declared(extra: str) -> set[str]:
    """Distributions that an extra brings, with those of the extras it includes and of the base."""
    wanted = PROJECT["optional-dependencies"][extra] if extra else PROJECT["dependencies"]
    found = set() if not extra else declared("")
    for requirement in wanted:
        own = re.fullmatch(r"ebbset\[([a-z,]+)\]", requirement)
        if own:
            for inner in own[1].split(","):
                found |= declared(inner)
        else:
            found.add(re.split(r"[^A-Za-z0-9_-]", requirement)[0].lower())
    return found


def shipped() -> list[tuple[str, str, str]]:
    """(file, module, extra) for each import of a shipped module."""
    rows = []
    for room, extra in OWN_EXTRA.items():
        for path in sorted((ROOT / room).rglob("*.py")):
            name = str(path.relative_to(ROOT))
            own = next((needed for part, needed in PART_EXTRA.items() if name.startswith(f"{part}/")), extra)
            rows += [(name, module, ON_REQUEST.get(name, {}).get(module, own)) for module in sorted(imported(path))]
    return rows


def test_every_import_of_a_shipped_module_is_declared_by_the_extra_of_its_room() -> None:
    rows = shipped()
    assert len(rows) > 50
    missing = [(name, module, extra) for name, module, extra in rows if distribution(module) not in declared(extra)]
    assert missing == []


@pytest.mark.parametrize(
    "extra",
    [
        "",
        "sim",
        "bodies",
        "plots",
        "console",
        "site",
        "study",
        "history",
        "page",
        "analysis",
        "environment",
        "streams",
    ],
)
def test_an_extra_declares_nothing_that_no_shipped_module_imports(extra: str) -> None:
    wanted = PROJECT["optional-dependencies"][extra] if extra else PROJECT["dependencies"]
    own = {re.split(r"[^A-Za-z0-9_-]", text)[0].lower() for text in wanted if not text.startswith("ebbset[")}
    used = {distribution(module) for _, module, _ in shipped()} | {name for name, of in DRIVERS.items() if of == extra}
    assert own
    assert own - used == set()


def test_the_command_line_names_the_extra_that_brings_a_missing_module() -> None:
    base = declared("")
    needed: dict[str, set[str]] = defaultdict(set)
    for module in (*(module for _, module, _ in shipped()), *DRIVERS):
        if distribution(module) not in base and module != "click":  # without click, `console.entry` answers by itself
            needed[module] = {
                extra
                for extra in set(PROJECT["optional-dependencies"]) - {"dev", "manual"}
                if any(
                    re.split(r"[^A-Za-z0-9_-]", text)[0].lower() == distribution(module)
                    for text in PROJECT["optional-dependencies"][extra]
                )
            }
    assert {module: {extra} for module, extra in EXTRAS.items()} == dict(needed)


def test_the_console_needs_no_second_plotting_library() -> None:
    assert "matplotlib" not in declared("console")
