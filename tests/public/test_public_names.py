"""The public names: what they are, what they promise, and that asking for one loads no more than it needs."""

from __future__ import annotations

import ast
import subprocess
import sys
from pathlib import Path
from typing import assert_type

import pytest

import ebbset
from ebbset import _reference as reference

ROOT = Path(__file__).parents[2]
KEPT = ROOT / "tests" / "data" / "public-api.txt"


def test_nothing_public_changes_unnoticed() -> None:
    assert reference.snapshot() == KEPT.read_text(), (
        "A public name or its signature changed. If that is meant: say so in CHANGELOG.md, keep the old name working "
        "with a warning for one release, and renew the kept copy with: make public-names"
    )


def test_a_changed_signature_would_be_noticed(monkeypatch: pytest.MonkeyPatch) -> None:
    def read_recording(path: Path, *, strict: bool = False) -> None:
        del path, strict

    monkeypatch.setattr(ebbset, "read_recording", read_recording)
    assert reference.snapshot() != KEPT.read_text()


def test_the_kept_copy_is_the_same_on_every_python() -> None:
    text = KEPT.read_text()
    assert " at 0x" not in text
    assert "<" not in text
    assert "'Prescription'" not in text


def test_every_name_is_listed_typed_and_there() -> None:
    listed = [name for _, names in reference.GROUPS.values() for name in names]
    assert sorted(listed) == sorted(set(listed)) == sorted(dir(ebbset))
    tree = ast.parse(Path(ebbset.__file__).read_text())
    [block] = [node for node in tree.body if isinstance(node, ast.If) and ast.unparse(node.test) == "TYPE_CHECKING"]
    typed = {
        (alias.asname, node.module)
        for node in block.body
        if isinstance(node, ast.ImportFrom)
        for alias in node.names
        if alias.asname == alias.name
    }
    assert typed == set(ebbset._MODULES.items())  # noqa: SLF001 - the two lists of one module
    for name in listed:
        assert getattr(ebbset, name).__module__ if isinstance(getattr(ebbset, name), type) else True


def test_a_type_checker_knows_them() -> None:
    """Judged by mypy, which also complains of an ignore that is not needed."""
    assert_type(ebbset.load_policies(), dict[str, ebbset.PolicyFactory])
    with pytest.raises(AttributeError, match="module 'ebbset' has no attribute 'no_such_name'"):
        ebbset.no_such_name  # type: ignore[attr-defined]  # noqa: B018


def loaded_by(code: str) -> set[str]:
    done = subprocess.run(
        [sys.executable, "-c", f"import sys; {code}; print(*sys.modules)"], capture_output=True, text=True, check=True
    )
    return set(done.stdout.split())


def test_importing_the_package_loads_nothing_of_it() -> None:
    loaded = loaded_by("import ebbset")
    assert {name for name in loaded if name.startswith("ebbset")} == {"ebbset"}
    assert not loaded & {"numpy", "pydantic", "asyncio", "mcap", "structlog"}


@pytest.mark.parametrize("name", ["SetController", "Prescription", "EmbeddedController"])
def test_the_controller_stays_light(name: str) -> None:
    loaded = loaded_by(f"import ebbset; ebbset.{name}")
    assert not loaded & {"numpy", "aiomqtt", "paho", "mcap", "numba", "click", "ebbset.simulators", "ebbset.rig"}


def test_a_missing_extra_is_named() -> None:
    code = "import sys; sys.modules['numba'] = None; import ebbset; ebbset.run_set"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=False)
    assert done.stderr.splitlines()[-1] == (
        "ImportError: ebbset.run_set needs numba; to install it: pip install 'ebbset[sim]'"
    )


def test_rooms_are_still_found_beside_the_names() -> None:
    assert "ebbset.controller" in loaded_by("from ebbset import controller")
