"""``ebbset policy`` tells where policies come from, what is wrong with one, and starts a package of one's own."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from importlib.metadata import EntryPoint, version
from pathlib import Path

import pytest

from ebbset.console.exits import Exit
from ebbset.controller.policies.policy import ENTRY_POINT_GROUP
from ebbset.controller.service import policy_registry
from tests.support.commands import run_command

PROGRAM = "import sys; from ebbset.console.entry import main; sys.exit(main())"
BROKEN = '''
from ebbset.controller.policies.policy import Proposal, number_parameter, reject_unknown

class Eager:
    """Needs an estimate that may be unknown."""

    name = "eager"

    def __init__(self, part):
        self.part = part

    @classmethod
    def from_parameters(cls, parameters):
        reject_unknown(parameters, ("part",), policy=cls.name)
        return cls(number_parameter(parameters, "part", 0.5, low=0.1, high=2.0, policy=cls.name))

    def initial(self):
        return 0

    def propose(self, state, view):
        return state, Proposal(view.capacity_n * self.part, "a part of the capacity")

class Unfinished:
    @classmethod
    def from_parameters(cls, parameters):
        raise RuntimeError("not written yet")
'''


@pytest.fixture(autouse=True)
def module(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    (tmp_path / "eager_policy.py").write_text(BROKEN)
    monkeypatch.chdir(tmp_path)


def test_installed_policies_are_listed_with_what_ships_them(capsys: pytest.CaptureFixture[str]) -> None:
    code, out, _ = run_command(capsys, "policy", "list", "--json")
    assert code == Exit.OK
    told = json.loads(out)["policies"]["fixed_fraction"]
    assert told["from"] == f"ebbset {version('ebbset')}"
    assert told["entry_point"] == "ebbset.controller.policies.built_in:FixedFraction"
    code, out, _ = run_command(capsys, "policy", "list")
    assert f"fixed_fraction: {told['does']}\n    from {told['from']}, {told['entry_point']}\n" in out


def test_a_policy_that_does_not_load_is_listed_with_the_reason(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    points = [EntryPoint("gone", "no_such_module:Gone", ENTRY_POINT_GROUP)]
    monkeypatch.setattr(policy_registry, "entry_points", lambda **_: points)
    code, out, _ = run_command(capsys, "policy", "list")
    assert code == Exit.OK
    assert "gone: left out: no_such_module:Gone does not load: ModuleNotFoundError" in out
    code, _, err = run_command(capsys, "policy", "check", "gone")
    assert code == Exit.USAGE
    assert "does not load" in err


def test_a_sound_policy_passes(capsys: pytest.CaptureFixture[str]) -> None:
    code, out, _ = run_command(capsys, "policy", "check", "fixed_fraction", "--parameter", "fraction=0.3")
    assert (code, out) == (Exit.OK, "fixed_fraction: 0 findings\n")


def test_a_finding_says_why_what_to_do_and_how_to_see_it_again(capsys: pytest.CaptureFixture[str]) -> None:
    code, out, _ = run_command(capsys, "policy", "check", "eager_policy:Eager", "--parameter", "part=0.9")
    assert code == Exit.NO
    assert (
        "It must hold that a policy answers every stall. Here it does not:\n    stall_in_concentric, load 25 N" in out
    )
    assert "fix:  Force, position and every estimate may be None: have an answer without them." in out
    (again,) = {line.partition("ebbset ")[2] for line in out.splitlines() if line.endswith("--case 0")}
    code, out, _ = run_command(capsys, *again.split())
    assert code == Exit.NO
    assert "question 1, with state 0:" in out
    assert "capacity_n               not known" in out
    assert (
        "raised: TypeError: unsupported operand type(s) for *: 'NoneType' and 'float' (line 21 of eager_policy.py"
        in out
    )


def test_a_case_in_which_it_answers_shows_the_answer(capsys: pytest.CaptureFixture[str]) -> None:
    code, out, _ = run_command(capsys, "policy", "check", "eager_policy:Eager", "--case", "2/1")
    assert code == Exit.OK
    assert out.count("question") == 2
    assert "answered: (0, Proposal(load_n=16.25, why='a part of the capacity'))" in out
    assert " repetitions at this load" in out


def test_findings_as_json_hold_rule_detail_and_case(capsys: pytest.CaptureFixture[str]) -> None:
    code, out, _ = run_command(capsys, "policy", "check", "eager_policy:Unfinished", "--json")
    assert code == Exit.NO
    rules = {one["rule"]: one for one in json.loads(out)["findings"]}
    assert rules["builds from its parameters"]["detail"] == "RuntimeError: not written yet"
    assert rules["builds from its parameters"].keys() == {"rule", "detail", "case"}


@pytest.mark.parametrize(
    ("arguments", "code", "said"),
    [
        (("nobody",), Exit.USAGE, "policy is 'nobody'; allowed: fixed_fraction, "),
        (("nowhere:Policy",), Exit.USAGE, "'nowhere:Policy' does not load: ModuleNotFoundError"),
        (("eager_policy:BROKEN",), Exit.USAGE, "does not load: AttributeError"),
        (("json:loads",), Exit.USAGE, "'json:loads' has no from_parameters(parameters) method"),
        (("fixed_step", "--parameter", "40"), Exit.USAGE, "policy parameter is '40'; allowed: name=value"),
        (("fixed_step", "--case", "900"), Exit.USAGE, "case is '900'; allowed: 0 to 107, "),
        (("eager_policy:Eager", "--parameter", "part=9", "--case", "1"), Exit.NO, "a number from 0.1 to 2"),
        (("eager_policy:Unfinished", "--case", "1"), Exit.NO, "from_parameters raises RuntimeError: not written yet"),
    ],
)
def test_what_cannot_be_checked_is_refused_in_a_sentence(
    arguments: tuple[str, ...], code: Exit, said: str, capsys: pytest.CaptureFixture[str]
) -> None:
    found, _, err = run_command(capsys, "policy", "check", *arguments)
    assert found == code
    assert said in err


def test_a_new_package_installs_without_a_network_and_passes_its_own_test(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    code, out, _ = run_command(capsys, "policy", "new", "late_taper")
    assert code == Exit.OK
    assert len([line for line in out.splitlines() if Path(line).is_file()]) == 5
    installed = tmp_path / "installed"
    # As `pip install` would, but into a folder of its own and from what this machine has.
    offline = ("--no-deps", "--no-build-isolation", "--no-index", "--quiet", "--disable-pip-version-check")
    subprocess.run(
        [sys.executable, "-m", "pip", "install", *offline, "--target", str(installed), "./late_taper"],
        check=True,
        cwd=tmp_path,
    )
    environment = {**os.environ, "PYTHONPATH": str(installed)}
    tested = subprocess.run(
        [sys.executable, "-m", "pytest", "-q", "-p", "no:cacheprovider", "late_taper"],
        cwd=tmp_path,
        env=environment,
        capture_output=True,
        text=True,
        check=False,
    )
    assert "2 passed" in tested.stdout, tested.stdout + tested.stderr
    listed = subprocess.run(
        [sys.executable, "-c", PROGRAM, "policy", "check", "late_taper"],
        cwd=tmp_path,
        env=environment,
        capture_output=True,
        text=True,
        check=False,
    )
    assert listed.stdout == "late_taper: 0 findings\n", listed.stderr


@pytest.mark.parametrize("name", ["Late", "late-taper", "9late", "class", "x" * 41])
def test_a_name_that_no_policy_can_have_is_refused(name: str, capsys: pytest.CaptureFixture[str]) -> None:
    code, _, err = run_command(capsys, "policy", "new", name)
    assert code == Exit.USAGE
    assert f"name is {name!r}; allowed: small letters" in err
    assert not Path(name).exists()


def test_a_name_or_a_folder_that_is_taken_is_refused(capsys: pytest.CaptureFixture[str]) -> None:
    code, _, err = run_command(capsys, "policy", "new", "fixed_step")
    assert code == Exit.USAGE
    assert f"allowed: a name that ebbset {version('ebbset')} does not use" in err
    code, _, err = run_command(capsys, "policy", "new", "mine", "--into", ".")
    assert code == Exit.USAGE
    assert ". is there already; allowed: a folder that is not" in err
