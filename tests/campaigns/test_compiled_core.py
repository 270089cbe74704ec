"""The optional compiled core: what is compiled is there, and decides as the interpreted one does.

The short form compiles four modules that import nothing heavy, by the same build; `python -m campaigns.compiled_core`
compiles all of them and runs the tests of the core with them.
"""

from __future__ import annotations

import ast
import os
import re
import shutil
import subprocess
import sys
import sysconfig
from importlib.machinery import EXTENSION_SUFFIXES
from pathlib import Path

import numpy as np
import pytest
from packaging.requirements import Requirement

from campaigns.compiled_core import NOT_FOR_COMPILED, RECORDINGS, TESTS, build, compare, replayed, sources
from ebbset.controller.detection.evidence import shipped_score
from ebbset.controller.detection.evidence.stall_habits_figures import RANGES
from ebbset.controller.recording import core_build as subject
from tests.support.commands import run_command

ROOT = Path(__file__).parents[2]
SMALL = {
    "controller/detection": ("kinematic_filter", "range_of_motion"),
    "controller/detection/evidence": ("shipped_score",),
    "controller/estimation": ("covariance",),
}


def named_in_setup(name: str) -> object:
    for node in ast.parse((ROOT / "setup.py").read_text()).body:
        if isinstance(node, ast.Assign) and ast.unparse(node.targets[0]) == name:
            return ast.literal_eval(node.value)
    raise AssertionError(f"setup.py has no {name}")


def compiled_modules() -> list[Path]:
    modules = named_in_setup("MODULES")
    assert isinstance(modules, dict)
    return [ROOT / part / f"{name}.py" for part, names in modules.items() for name in names]


def test_what_setup_names_is_there() -> None:
    modules = compiled_modules()
    assert len(modules) == len(set(modules)) > 20
    assert [path for path in modules if not path.is_file()] == []
    watched = named_in_setup("SUBCLASSED")
    assert isinstance(watched, dict)
    for module, name in watched.items():
        assert ROOT / f"{module}.py" in modules
        assert re.search(rf"\nclass {name}(\(\w+\))?:\n", (ROOT / f"{module}.py").read_text())
    assert [name for name in TESTS if not (ROOT / name).exists()] == []
    for left_out in NOT_FOR_COMPILED:
        path, _, test = left_out.partition("::")
        assert f"def {test}" in (ROOT / "tests" / "controller" / path).read_text()


def test_no_compiled_module_has_a_constant_of_nothing_but_floats() -> None:
    """mypyc 2.4 takes such a tuple, with its length in its type, for one that was never set; seen, no other source."""
    found = []
    for path in compiled_modules():
        for node in ast.parse(path.read_text()).body:
            if (
                isinstance(node, ast.AnnAssign)
                and "Final" in ast.unparse(node.annotation)
                and "..." not in ast.unparse(node.annotation)
                and isinstance(node.value, ast.Tuple)
                and all(isinstance(one, ast.Constant) and isinstance(one.value, float) for one in node.value.elts)
            ):
                found.append(f"{path.name}: {ast.unparse(node)}")
    assert found == []


def test_a_value_that_means_nothing_is_refused() -> None:
    asked = [sys.executable, "setup.py", "--version"]
    done = subprocess.run(
        asked, cwd=ROOT, env=os.environ | {"EBBSET_COMPILED": "yes"}, capture_output=True, text=True, check=False
    )
    assert (done.returncode, done.stderr) == (1, "EBBSET_COMPILED is 'yes'; allowed: 0 or 1\n")


@pytest.mark.parametrize(("wanted", "needed"), [("0", set()), ("1", {"mypy", "pydantic"})])
def test_an_installer_is_told_what_the_build_needs(wanted: str, needed: set[str], tmp_path: Path) -> None:
    """By the hook of PEP 517, which an installer asks before it builds."""
    copy = tmp_path / "sources"
    sources(copy)
    asked = "from setuptools.build_meta import get_requires_for_build_wheel as g; print(*g(), sep='\\n')"
    done = subprocess.run(
        [sys.executable, "-c", asked],
        cwd=copy, env=os.environ | {"EBBSET_COMPILED": wanted}, capture_output=True, text=True, check=True,
    )  # fmt: skip
    told = {Requirement(line).name for line in done.stdout.splitlines() if ">=" in line}
    assert told == needed


def test_differences_between_the_cores_are_found() -> None:
    interpreted = ["core: interpreted", "recording a: same, 3 outputs", "simulated row 7: 12"]
    compiled = ["core: compiled", *interpreted[1:]]
    assert compare(interpreted, compiled) == []
    assert len(compare(interpreted, interpreted)) == 1
    assert len(compare(interpreted, [*compiled[:2], "simulated row 7: 13"])) == 1
    assert len(compare(interpreted, compiled[:2])) == 1
    differs = "recording a: differs, 3 outputs"
    assert len(compare([interpreted[0], differs], [compiled[0], differs])) == 1


def test_what_runs_is_told(monkeypatch: pytest.MonkeyPatch, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (tmp_path / "regulator.py").touch()
    monkeypatch.setattr(subject, "_FOLDER", tmp_path)
    assert subject.core_build() == "interpreted"
    (tmp_path / f"regulator{EXTENSION_SUFFIXES[0]}").touch()
    assert subject.core_build() == "compiled"
    code, out, _ = run_command(capsys, "--version")
    assert code == 0
    assert out.endswith(", compiled core\n")


def test_compiled_modules_replay_to_the_same_bits(tmp_path: Path) -> None:
    compiler = (sysconfig.get_config_var("CC") or "cc").split()[0]
    if shutil.which(compiler) is None:
        pytest.skip(f"there is no C compiler: {compiler}")
    tree = tmp_path / "tree"
    build(tree, SMALL)
    shown = (
        "from ebbset.controller.detection.evidence import shipped_score\n"
        "from campaigns.compiled_core import replayed\n"
        "from tests.campaigns.test_compiled_core import scores\n"
        "print(shipped_score.__file__, *replayed(), *scores(), sep='\\n')"
    )
    done = subprocess.run(
        [sys.executable, "-c", shown],
        cwd=ROOT, env=os.environ | {"PYTHONPATH": str(tree)}, capture_output=True, text=True, check=True,
    )  # fmt: skip
    where, *compiled = done.stdout.splitlines()
    assert where.startswith(str(tree))
    assert where.endswith(tuple(EXTENSION_SUFFIXES))
    interpreted = replayed()
    assert len(interpreted) == len(list(RECORDINGS.iterdir())) > 5
    assert compiled == [*interpreted, *scores()]


def scores() -> list[str]:
    """Scores of random evidence, exactly; with a least score that some of them end under."""
    rng = np.random.default_rng(5)
    low, high = np.array(RANGES).T
    vectors = rng.uniform(low, high, (400, len(RANGES)))
    found = [repr(shipped_score.score(vector, least)) for vector in vectors.tolist() for least in (-1e6, 0.0)]
    assert len(set(found)) > 400
    return found
