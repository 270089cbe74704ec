"""The commands profile, plan, compare, study and export: what they print, how they end, what they say of bad input."""

from __future__ import annotations

import json
from pathlib import Path
from xml.etree import ElementTree

import pytest

from ebbset.console.app import run
from ebbset.models.contract.prescription import Prescription
from ebbset.models.contract.profile import LifterProfile

SVG = "{http://www.w3.org/2000/svg}"
ORDER = """
name = "Drops"
exercise = "bench_press"
[load]
start_n = "60 kg"
floor_n = "30 kg"
[stop]
max_drops = 1
max_duration_s = 60.0
"""
STUDY = """
name = "Invented"
seed = 3
design = "parallel"
start = 2026-12-01
washout_days = 1
[[conditions]]
code = "A"
label = "first"
prescription = "a.toml"
[[conditions]]
code = "B"
label = "second"
prescription = "b.toml"
[[participants]]
id = "p01"
[[participants]]
id = "p02"
[[participants]]
id = "p03"
"""


@pytest.fixture
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.chdir(tmp_path)
    (tmp_path / "a.toml").write_text(ORDER)
    (tmp_path / "b.toml").write_text(ORDER.replace('"Drops"', '"Others"').replace("max_drops = 1", "max_drops = 2"))
    (tmp_path / "pullover.toml").write_text(ORDER.replace('"bench_press"', '"pullover"\nexercise_is_new = true'))
    (tmp_path / "study.toml").write_text(STUDY)
    return tmp_path


@pytest.fixture
def profile(folder: Path, capsys: pytest.CaptureFixture[str]) -> Path:
    typed = ["--set", "40 kg 1.05", "--set", "60 kg 0.68", "--failure", "70 kg 8"]
    assert run(["profile", "--lifter", "a7", "--exercise", "bench_press", *typed, "-o", "a7.toml"]) == 0
    capsys.readouterr()
    return folder / "a7.toml"


def test_a_typed_profile(profile: Path, capsys: pytest.CaptureFixture[str]) -> None:
    found = LifterProfile.from_toml(profile.read_text())
    assert found.one_rm_n is not None
    assert 800 < found.one_rm_n.mean < 1000
    typed = ["profile", "--lifter", "a7", "--exercise", "bench_press", "--set", "40 kg 1.05", "--json"]
    assert run(typed) == 0
    told = json.loads(capsys.readouterr().out)
    assert any("the same load" in text for text in told["remarks"])


@pytest.mark.usefixtures("folder")
@pytest.mark.parametrize(
    ("arguments", "code", "said"),
    [
        (["--set", "40 kg fast"], 2, "40 kg fast"),
        (["--set", "40 stone 1.0"], 2, "40 stone"),
        (["--set", "40 kg 9"], 2, "velocity_m_s is 9.0"),
        (["--failure", "40 kg 99"], 2, "repetitions_to_failure is 99"),
        ([], 2, "sets are 0"),
        (["--set", "40 kg 1.0", "--lifter", "Anna Smith"], 2, "lifter"),
        (["nothing.mcap"], 3, "nothing.mcap"),
    ],
)
def test_bad_sets_are_reported(capsys: pytest.CaptureFixture[str], arguments: list[str], code: int, said: str) -> None:
    assert run(["profile", "--lifter", "a7", "--exercise", "bench_press", *arguments]) == code
    error = capsys.readouterr().err
    assert said in error
    assert "Traceback" not in error


@pytest.mark.usefixtures("profile")
def test_a_plan_is_shown_drawn_and_written(capsys: pytest.CaptureFixture[str]) -> None:
    asked = ["plan", "a7.toml", "--minutes", "1", "--twins", "4", "--workers", "1", "--units", "lb"]
    assert run([*asked, "--choose", "auto", "-o", "set.toml", "--plot", "plan.svg"]) == 0
    text = capsys.readouterr().out
    assert "relative, estimated" in text
    assert all(len(line) <= 80 and "…" not in line for line in text.splitlines())
    assert "4 twins" in text
    drawn = ElementTree.parse("plan.svg").getroot()
    assert drawn.tag == f"{SVG}svg"
    written = {text.text for text in drawn.iter(f"{SVG}text")}
    keys = {line.partition(":")[0] for line in text.splitlines() if line.partition(":")[0] in written}
    assert {"auto", "drop", "rest-pause"} <= keys
    assert len([mark for mark in drawn.iter(f"{SVG}circle") if mark.find(f"{SVG}title") is not None]) == 2 * len(keys)
    order = Prescription.from_toml(Path("set.toml").read_text())
    assert (order.units, order.drop.policy) == ("lb", "repetitions_wanted")
    assert run(["check", "set.toml", "a7.toml"]) == 0


@pytest.mark.usefixtures("profile")
def test_a_plan_for_nothing_fitting_writes_nothing(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    # The budget makes every candidate fit; here nobody may overshoot it, not even by part of a repetition.
    monkeypatch.setattr("ebbset.coaching.plan._LAST_REPETITION", -0.02)
    asked = ["plan", "a7.toml", "--minutes", "1", "--twins", "4", "--workers", "1", "--fatigue-left", "0.02"]
    assert run([*asked, "-o", "set.toml"]) == 1
    caught = capsys.readouterr()
    assert "No candidate fits" in caught.out
    assert not Path("set.toml").exists()


def test_plans_say_what_is_wrong(profile: Path, capsys: pytest.CaptureFixture[str]) -> None:
    text = profile.read_text().replace('exercise = "bench_press"', 'exercise = "juggling"')
    Path("juggling.toml").write_text(text)
    for arguments, code, said in (
        (["juggling.toml", "--minutes", "5"], 3, "juggling"),
        (["a7.toml", "--minutes", "0"], 2, "minutes"),
        (["a7.toml", "--minutes", "5", "--plot", "plan.png"], 2, "allowed: a name that ends in .svg"),
        (["none.toml", "--minutes", "5"], 3, "none.toml"),
    ):
        assert run(["plan", *arguments]) == code
        error = capsys.readouterr().err
        assert said in error
        assert "Traceback" not in error


@pytest.mark.usefixtures("folder")
def test_a_comparison_of_policies_as_json(capsys: pytest.CaptureFixture[str]) -> None:
    asked = ["compare", "a.toml", "--persons", "2", "--workers", "1", "--json"]
    policies = ["--policy", "fixed_fraction:fraction=0.3", "--policy", "fixed_step:step_n=20"]
    assert run([*asked, *policies, "--table", "sets.csv", "--plot", "compared.svg"]) == 0
    told = json.loads(capsys.readouterr().out)
    drawn = ElementTree.parse("compared.svg").getroot()
    written = [text.text for text in drawn.iter(f"{SVG}text")]
    assert [text for text in written if text and text.startswith("B  ")] == ["B  fixed_step:step_n=20"]
    assert written.count("A") == written.count("B") == len(list(drawn.iter(f"{SVG}circle"))) / 2 == 8
    assert told["conditions"] == ["fixed_fraction:fraction=0.3", "fixed_step:step_n=20"]
    assert len(told["means"]["stimulus"]) == 2
    assert Path("sets.csv").read_text().count("\n") == 5


@pytest.mark.usefixtures("folder")
@pytest.mark.parametrize(
    ("arguments", "code", "said"),
    [
        (["a.toml", "--policy", "wishes"], 2, "wishes"),
        (["a.toml", "--policy", "bad name"], 2, "policy is 'bad name'; allowed: "),
        (["pullover.toml"], 3, "exercise is 'pullover'; allowed for simulation"),
        (["a.toml", "--policy", "fixed_fraction:fraction=7"], 2, "drop.parameters.fraction"),
        (["a.toml", "--policy", "fixed_fraction:0.2"], 2, "name=value"),
        (["a.toml", "b.toml", "--policy", "fixed_step"], 2, "exactly one"),
        (["a.toml", "b.toml", "--dask", "tcp://127.0.0.1:1"], 4, "127.0.0.1:1"),
        (["none.toml"], 3, "none.toml"),
    ],
)
def test_comparisons_say_what_is_wrong(
    capsys: pytest.CaptureFixture[str],
    monkeypatch: pytest.MonkeyPatch,
    arguments: list[str],
    code: int,
    said: str,
) -> None:
    monkeypatch.setenv("DASK_DISTRIBUTED__COMM__TIMEOUTS__CONNECT", "1s")
    assert run(["compare", "--persons", "2", "--workers", "1", *arguments]) == code
    error = capsys.readouterr().err
    assert said in error
    assert "Traceback" not in error


@pytest.mark.usefixtures("folder")
def test_a_study_from_check_to_tables(capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["study", "check", "study.toml"]) == 1
    out = capsys.readouterr().out
    assert "groups differ in size by 1 at most, the least that 3 participants allow" in out
    assert "A file of version 1" in out
    assert run(["study", "schedule", "study.toml"]) == 0
    lines = capsys.readouterr().out.splitlines()
    assert lines[0] == "participant,period,earliest"
    assert len(lines) == 4
    assert run(["study", "session", "study.toml", "p02", "1"]) == 0
    assert Prescription.from_toml(capsys.readouterr().out).name == "Session 1 of p02"
    assert run(["study", "rehearse", "study.toml", "rehearsal", "--workers", "1"]) == 0
    files = sorted(map(str, Path("rehearsal").glob("*.mcap")))
    assert run(["study", "fidelity", "study.toml", *files]) == 0
    capsys.readouterr()
    assert run(["study", "fidelity", "study.toml", *files[1:], "--json"]) == 1
    told = json.loads(capsys.readouterr().out)
    assert told["departures"] == ["participant p01, session 1: no recording"]
    assert run(["export", *files, "--study", "study.toml", "-o", "tables", "--json"]) == 0
    assert json.loads(capsys.readouterr().out)["rows"]["sets"] == 3
    assert run(["export", *files, "-o", "blind"]) == 0
    assert ",A," not in Path("blind/sets.csv").read_text().replace('"', "")


@pytest.mark.usefixtures("folder")
def test_studies_say_what_is_wrong(capsys: pytest.CaptureFixture[str]) -> None:
    Path("bad.toml").write_text(STUDY.replace("seed = 3", "seed = -3").replace('"b.toml"', '"c.toml"'))
    Path("gone.toml").write_text(STUDY.replace('"b.toml"', '"c.toml"'))
    for arguments, code, said in (
        (["check", "bad.toml"], 3, "seed is -3"),
        (["check", "gone.toml"], 3, "c.toml"),
        (["session", "study.toml", "p09", "1"], 2, "p09"),
        (["fidelity", "study.toml", "study.toml"], 3, "study.toml"),
    ):
        assert run(["study", *arguments]) == code
        error = capsys.readouterr().err
        assert said in error
        assert "Traceback" not in error
