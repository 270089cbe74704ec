"""``ebbset family`` lists what is installed, and says what is wrong with a family in words and as an exit code."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from ebbset.console.exits import Exit
from tests.support.commands import run_command

ONE_EXERCISE = """
def draw(exercise, rng):
    raise ValueError(f"exercise is {exercise!r}; allowed: band_row")
"""
BROKEN = """
from ebbset.simulators.structures.velocity_line import draw as sound

def fails(exercise, rng):
    raise KeyError("size")

def tired(exercise, rng):
    person = sound(exercise, rng)
    person.step = lambda dt_s, x, v, pull: [float("nan")] * len(x)
    return person
"""


def test_installed_families_are_listed_with_what_they_are(capsys: pytest.CaptureFixture[str]) -> None:
    code, out, _ = run_command(capsys, "family", "list")
    assert code == Exit.OK
    told = dict(line.split(": ", 1) for line in out.splitlines())
    assert {"compiled_muscle", "published_statistics", "velocity_line"} <= told.keys()
    assert all(len(line) > 20 for line in told.values())


@pytest.mark.parametrize(
    ("name", "said"),
    [
        ("velocity_lines", "allowed: "),
        ("no_such_module:draw", "do not load: ModuleNotFoundError"),
        ("compiled_muscle", "keep no protocol"),
    ],
)
def test_a_family_that_cannot_be_checked_is_refused(name: str, said: str, capsys: pytest.CaptureFixture[str]) -> None:
    code, _, err = run_command(capsys, "family", "check", name)
    assert code == Exit.USAGE
    assert said in err


@pytest.mark.parametrize("persons", [(), ("--persons", "2", "--workers", "1")])
def test_an_exercise_that_a_family_does_not_know_is_no_defect_of_ebbset(
    persons: tuple[str, ...], capsys: pytest.CaptureFixture[str], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (tmp_path / "one_exercise.py").write_text(ONE_EXERCISE)
    (tmp_path / "set.toml").write_text(
        'name = "x"\nexercise = "bench_press"\n[load]\nstart_n = 300.0\nfloor_n = 100.0\n[stop]\nmax_drops = 1\n'
    )
    monkeypatch.chdir(tmp_path)
    code, _, err = run_command(capsys, "simulate", "set.toml", "--lifters", "one_exercise:draw", *persons)
    assert code == Exit.USAGE
    assert err.endswith(
        "Error: lifters 'one_exercise:draw' could not be drawn: "
        "ValueError: exercise is 'bench_press'; allowed: band_row\n"
    )


def test_findings_are_told_with_the_seed_that_shows_them(
    capsys: pytest.CaptureFixture[str], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (tmp_path / "broken_lifters.py").write_text(BROKEN)
    monkeypatch.chdir(tmp_path)
    code, out, _ = run_command(capsys, "family", "check", "broken_lifters:fails", "--persons", "2", "--seed", "7")
    assert code == Exit.NO
    assert "person of seed 7: a person can be drawn: " in out
    assert "person of seed 8" in out
    assert out.endswith("broken_lifters:fails: 2 people checked, 2 findings\n")
    code, out, _ = run_command(capsys, "family", "check", "broken_lifters:tired", "--persons", "1", "--json")
    assert code == Exit.NO
    rules = [finding["rule"] for finding in json.loads(out)["findings"]]
    assert rules == ["answers each step with a finite pull for each cable"]
