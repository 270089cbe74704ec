"""``ebbset check``: every problem at once, each where it is, and notes that are so."""

from __future__ import annotations

from pathlib import Path

import pytest

from ebbset.controller.service.documents import read_prescription
from ebbset.models.contract.prescription import Prescription, example
from ebbset.models.contract.problems import BadDocumentError
from tests.support.commands import ROW, run_command


def check(tmp_path: Path, text: str, capsys: pytest.CaptureFixture[str]) -> tuple[int, str]:
    file = tmp_path / "set.toml"
    file.write_text(text)
    code, out, _ = run_command(capsys, "check", str(file))
    return code, out


def problems_of(tmp_path: Path, text: str) -> list[str]:
    file = tmp_path / "set.toml"
    file.write_text(text)
    with pytest.raises(BadDocumentError) as caught:
        read_prescription(file)
    return [problem.field for problem in caught.value.problems]


def test_field_floor_exercise_and_policy_problems_come_at_once(tmp_path: Path) -> None:
    text = """
name = "Row"
exercise = "rwo"
[load]
start_n = 200
floor_n = 300
[stop]
max_drops = -1
[drop]
policy = "fixed_fraction"
parameters = {fraction = 3, part = 1}
[[bouts]]
load_n = 400
[[bouts]]
"""
    assert set(problems_of(tmp_path, text)) == {
        "stop.max_drops",
        "load.floor_n",
        "bouts[0].load_n",
        "bouts[1].rest_before_s",
        "exercise",
        "drop.parameters.part",
        "drop.parameters.fraction",
    }


def test_loads_that_do_not_fit_are_told_although_a_policy_is_unknown(tmp_path: Path) -> None:
    text = ROW.replace('"20 kg"', '"60 kg"') + '[drop]\npolicy = "fixed_fracton"\n'
    assert set(problems_of(tmp_path, text)) == {"load.floor_n", "drop.policy"}


def test_an_unknown_exercise_is_taken_for_a_typo_unless_it_is_declared(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    code, out = check(tmp_path, ROW.replace('"row"', '"benchpress"'), capsys)
    assert code == 1
    assert "exercise is 'benchpress'; allowed: 'bench_press'" in out
    code, out = check(tmp_path, ROW.replace('"row"', '"sled_pull"'), capsys)
    assert code == 1
    assert "exercise_is_new = true" in out
    code, out = check(tmp_path, ROW.replace('"row"', '"sled_pull"\nexercise_is_new = true'), capsys)
    assert code == 0, out


def test_a_declaration_that_is_not_made_leaves_digest_and_file_as_they_were() -> None:
    order = example()
    assert "exercise_is_new" not in order.model_dump_json()
    assert "exercise_is_new" not in order.to_toml()
    new = example(exercise="sled_pull", exercise_is_new=True)
    assert Prescription.from_toml(new.to_toml()) == new
    assert new.digest() != example(exercise="sled_pull").digest()


@pytest.mark.parametrize(
    ("more", "noted"),
    [
        ("", True),
        ("[[bouts]]\nrepetitions = 8\n", False),
        ('[[bouts]]\non_stall = "end"\n', False),
        ("[[bouts]]\nrepetitions = 8\n[[bouts]]\nrest_before_s = 20\n", True),
        ("[stop]\nmax_drops = 3\n", False),
        ("[budget]\ncapacity_loss = 0.4\n", False),
    ],
)
def test_the_note_about_a_missing_end_counts_the_bouts(
    more: str, noted: bool, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    code, out = check(tmp_path, ROW + more, capsys)
    assert code == 0
    assert ("ends only at a stall on the floor" in out) == noted


@pytest.mark.parametrize(
    ("text", "said"),
    [
        (ROW + "[stop]\nmax_drops = = 3\n", "line 8 is 'max_drops = = 3'"),
        (ROW + '[drop]\npolicy = "fixed', "line 8 is 'policy = \"fixed'"),
        ("name = 'a'\nname = 'b'\n", "line 2 is"),
    ],
)
def test_a_toml_error_shows_its_line(text: str, said: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    code, out = check(tmp_path, text, capsys)
    assert code == 1
    assert said in out
