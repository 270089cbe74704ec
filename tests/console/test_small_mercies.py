"""What makes people stay: a typo gets a suggestion, one thing is not compared, loads come in the right unit."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from ebbset.console import app
from ebbset.controller.policies.built_in import FixedFraction
from ebbset.controller.policies.policy import DropView, Proposal
from ebbset.controller.service import policy_registry
from ebbset.models.contract import formatting
from ebbset.models.contract.prescription import Prescription, example
from ebbset.models.contract.problems import BadDocumentError


@pytest.mark.parametrize(
    ("typed", "meant"),
    [
        (["repot"], "'report'"),
        (["Simulate"], "'simulate'"),
        (["checkrig"], "'check-rig'"),
        (["request", "strat"], "'start'"),
        (["study", "shedule"], "'schedule'"),
        (["lifter", "delet"], "'delete'"),
    ],
)
def test_a_typo_in_a_command_gets_a_suggestion(
    typed: list[str], meant: str, capsys: pytest.CaptureFixture[str]
) -> None:
    assert app.run(typed) == 2
    said = capsys.readouterr().err
    assert f"No such command {typed[-1]!r}. Did you mean {meant}" in said


def test_nothing_near_is_suggested_for_what_is_near_nothing(capsys: pytest.CaptureFixture[str]) -> None:
    assert app.run(["xyzzy"]) == 2
    said = capsys.readouterr().err
    assert "No such command 'xyzzy'." in said
    assert "Did you mean" not in said


def written(folder: Path, name: str, **changes: Any) -> str:
    path = folder / f"{name}.toml"
    path.write_text(example(name=name, **changes).to_toml())
    return str(path)


@pytest.mark.parametrize("policies", [[], ["--policy", "fixed_fraction"]])
def test_one_thing_is_not_compared(policies: list[str], tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert app.run(["compare", written(tmp_path, "Only"), *policies]) == 2
    assert "allowed: two or more" in capsys.readouterr().err


class Riser(FixedFraction):
    """Raises the load, which no policy may."""

    name = "riser"

    def propose(self, _state: None, view: DropView) -> tuple[None, Proposal]:
        return None, Proposal(view.load_n * 1.5, "more")


def test_a_policy_that_its_checker_refuses_is_named_with_its_rule(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    known = {**policy_registry.load_policies(), "riser": Riser}
    monkeypatch.setattr(policy_registry, "load_policies", lambda: known)
    sound, unsound = written(tmp_path, "Sound"), written(tmp_path, "Unsound", drop={"policy": "riser"})
    assert app.run(["compare", sound, unsound, "--persons", "2"]) == 1
    said = capsys.readouterr().err
    assert "Unsound: riser breaks a rule" in said
    assert "Sound: fixed_fraction" not in said


@pytest.mark.parametrize(
    ("unit", "shown"), [("kg", "60.0 kg (588.399 N)"), ("lb", "132.3 lb (588.399 N)"), ("N", "588.399 N")]
)
def test_a_problem_with_loads_is_told_in_the_unit_of_the_file(unit: str, shown: str) -> None:
    text = f'name = "Row"\nexercise = "row"\nunits = "{unit}"\n[load]\nstart_n = "40 kg"\nfloor_n = "60 kg"\n'
    with pytest.raises(BadDocumentError) as caught:
        Prescription.from_toml(text)
    (problem,) = caught.value.problems
    assert (problem.field, problem.value) == ("load.floor_n", shown)


def test_a_strength_is_told_in_kilograms_first(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    profile = tmp_path / "a7.toml"
    profile.write_text(
        'lifter = "a7"\nexercise = "row"\ndate = 2026-11-20\nvelocity_at_zero_m_s = {mean = 1.5, sd = 0.1}\n'
        "velocity_at_1rm_m_s = {mean = 0.2, sd = 0.05}\none_rm_n = {mean = 700.0, sd = 30.0}\n"
    )
    assert app.run(["check", str(profile)]) == 0
    assert "1RM 71.4 ± 3.1 kg (700 ± 30 N)" in capsys.readouterr().out
    assert formatting.spread(700.0, 30.0, "N") == "700 ± 30 N"
