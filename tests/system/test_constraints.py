"""The versions that contributors and CI install: constraints.txt, and that every install of the Makefile uses it."""

from __future__ import annotations

import shutil
import subprocess
import tomllib
from collections import defaultdict
from pathlib import Path

import pytest
from packaging.requirements import Requirement
from packaging.utils import canonicalize_name
from packaging.version import Version

ROOT = Path(__file__).parents[2]
FILE = tomllib.loads((ROOT / "pyproject.toml").read_text())
PROJECT = FILE["project"]
WANTED = [
    *FILE["build-system"]["requires"],
    *PROJECT["dependencies"],
    *(one for extra in PROJECT["optional-dependencies"].values() for one in extra),
]
ENVIRONMENTS = [
    {"python_version": version, "python_full_version": f"{version}.0", "sys_platform": "linux"}
    for version in ("3.11", "3.12", "3.13")
]


def pinned() -> dict[str, list[Requirement]]:
    found: dict[str, list[Requirement]] = defaultdict(list)
    for line in (ROOT / "constraints.txt").read_text().splitlines():
        text = line.partition("#")[0].strip()
        if text:
            found[canonicalize_name(Requirement(text).name)].append(Requirement(text))
    return found


@pytest.mark.parametrize("environment", ENVIRONMENTS, ids=lambda one: one["python_version"])
def test_every_requirement_has_one_version_within_its_range(environment: dict[str, str]) -> None:
    pins = pinned()
    for requirement in map(Requirement, WANTED):
        if requirement.name == "ebbset" or (requirement.marker and not requirement.marker.evaluate(environment)):
            continue
        valid = [
            pin
            for pin in pins[canonicalize_name(requirement.name)]
            if pin.marker is None or pin.marker.evaluate(environment)
        ]
        assert len(valid) == 1, f"`make lock`: {requirement.name} has {len(valid)} versions on {environment}"
        (specifier,) = valid[0].specifier
        assert specifier.operator == "=="
        assert requirement.specifier.contains(Version(specifier.version)), f"`make lock`: {requirement}"


def test_every_install_of_the_makefile_is_constrained() -> None:
    make = shutil.which("make")
    assert make, "make is missing"
    shown = subprocess.run(
        [make, "--dry-run", "--always-make", "demo", "test"], cwd=ROOT, capture_output=True, text=True, check=True
    )
    installs = [line for line in shown.stdout.splitlines() if "pip install" in line]
    assert any(".[page]" in line for line in installs)
    assert any(".[dev]" in line for line in installs)
    for line in installs:
        assert "PIP_CONSTRAINT=constraints.txt" in line
        assert "PIP_BUILD_CONSTRAINT=constraints.txt" in line


def test_every_upper_bound_has_a_reason_beside_it() -> None:
    lines = (ROOT / "pyproject.toml").read_text().splitlines()
    bounded = [
        requirement
        for requirement in map(Requirement, WANTED)
        if any(one.operator in ("<", "<=", "~=", "==") for one in requirement.specifier)
    ]
    assert [one.name for one in bounded] == ["aiomqtt"], "a new upper bound needs a reason, and its name here"
    for one in bounded:
        [number] = [k for k, line in enumerate(lines) if line.strip().startswith(f'"{one.name}>')]
        assert lines[number - 1].strip().startswith("# Below "), one
