"""The short form of the mutation run, the driver on known mutants, and the coverage gate on a known gap.

That each target is covered whole is checked by ``make coverage``: a process for each is too much for the suite.
"""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest

from campaigns.mutation import coverage
from campaigns.mutation.__main__ import read_explanations
from campaigns.mutation.mutants import mutants
from campaigns.mutation.targets import ROOT, TARGETS, Target

SOURCE = '''\
"""A module."""

def over(load_n: float, *, limit_n: float) -> str | None:
    """Not to be changed: 1 + 1."""
    if load_n > limit_n and limit_n > 0:
        return f"{load_n * 1.0} is too much"
    return None


def state(kind: Kind) -> Kind:
    return Kind.RED if kind is Kind.BLUE else kind
'''


def changes(line: int) -> set[str]:
    return {mutant.becomes for mutant in mutants(SOURCE) if mutant.line == line}


def test_mutants_are_what_could_be_typed_wrongly() -> None:
    assert changes(5) == {
        *(f"if load_n {op} limit_n and limit_n > 0:" for op in ("==", "!=", "<", "<=", ">=")),
        *(f"if load_n > limit_n and limit_n {op} 0:" for op in ("==", "!=", "<", "<=", ">=")),
        "if load_n > limit_n or limit_n > 0:",
        "if load_n > limit_n and limit_n > 1:",
        "if load_n > limit_n and limit_n > -1:",
        "if not load_n > limit_n and limit_n > 0:",
    }
    assert changes(11) >= {
        "return Kind.BLUE if kind is Kind.BLUE else kind",
        "return Kind.RED if kind is Kind.RED else kind",
        "return Kind.RED if kind is not Kind.BLUE else kind",
        "pass",
    }


def test_neither_messages_nor_annotations_nor_docstrings_are_mutated() -> None:
    assert changes(6) == {"pass"}
    assert {mutant.line for mutant in mutants(SOURCE)} == {5, 6, 11}, "nor is the last `return None`"


def test_a_sample_is_drawn_by_its_seed() -> None:
    one, same, other = (mutants(SOURCE, sample=4, seed=seed) for seed in (1, 1, 2))
    assert one == same != other
    assert set(one) <= set(mutants(SOURCE))


def test_every_target_is_a_file_with_tests_of_its_own() -> None:
    for target in TARGETS.values():
        assert target.path.is_file()
        assert all((ROOT / tests).exists() for tests in target.tests)


def test_an_explanation_names_a_target_and_a_reason(tmp_path: Path) -> None:
    assert {target for target, _, _ in read_explanations()} <= set(TARGETS)
    path = tmp_path / "survivors.toml"
    path.write_text('[[survivor]]\ntarget = "guard"\nwas = "a"\nbecomes = "b"\nwhy = "equal"\n')
    with pytest.raises(ValueError, match="allowed: a reason"):
        read_explanations(path)


def driver(*arguments: str) -> subprocess.CompletedProcess[str]:
    command = [sys.executable, "-m", "campaigns.mutation", *arguments]
    return subprocess.run(command, cwd=ROOT, capture_output=True, text=True, timeout=300, check=False)


def test_no_mutant_of_a_sample_survives_without_a_reason() -> None:
    done = driver("--sample", "4", "--seed", "11", "--workers", "1")
    assert done.returncode == 0, done.stdout + done.stderr
    assert done.stdout.count("\n| ") >= len(TARGETS)


def test_a_survivor_without_a_reason_fails_the_run(tmp_path: Path) -> None:
    """The driver on itself: tests that look at nothing let every mutant live."""
    tests = tmp_path / "test_nothing.py"
    tests.write_text("import ebbset.controller.regulation.stop_rules\n\ndef test_nothing():\n    pass\n")
    code = (
        "import sys; from campaigns.mutation import __main__ as run, targets\n"
        "module = 'ebbset.controller.regulation.stop_rules'\n"
        f"targets.TARGETS['stop_rules'] = targets.Target(module, ({str(tests)!r},))\n"
        "sys.argv = ['mutation', 'stop_rules', '--sample', '3', '--workers', '1']; sys.exit(run.main())"
    )
    done = subprocess.run(
        [sys.executable, "-c", code], cwd=ROOT, capture_output=True, text=True, timeout=120, check=False
    )
    assert done.returncode == 1, done.stdout + done.stderr
    assert "| stop_rules | 3 | 0 | 0 | 3 |" in done.stdout


def test_a_branch_that_is_not_taken_and_a_test_that_fails_are_reported(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    target = TARGETS["stall"]
    with pytest.raises(RuntimeError, match="stall"):
        coverage.measure("stall", Target(target.module, ("tests/no_such_test.py",)))
    monkeypatch.setitem(TARGETS, "stall", Target(target.module, target.tests[:1]))
    assert coverage.main(["stall"]) == 1
    assert "branch" in capsys.readouterr().out
