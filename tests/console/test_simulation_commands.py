"""Commands that simulate: the same bytes for any number of workers, and answers in the exit code."""

from __future__ import annotations

import json
from functools import partial
from pathlib import Path

import pandas
import pytest

from ebbset.console.exits import Exit
from ebbset.controller.messages.actions import Output, RepetitionRecord
from ebbset.controller.messages.events import Event
from ebbset.models.contract.prescription import example
from ebbset.simulators.closed_loop.closed_loop import run_set
from ebbset.simulators.rig.virtual_rig import VirtualRigSettings
from ebbset.simulators.validation.comparison import CheckResult, ValidationReport, within
from tests.support.commands import ROW, run_command


def _keep(outputs: list[Output], _event: Event, made: tuple[Output, ...]) -> None:
    outputs.extend(made)


def test_a_weaker_side_can_be_asked_for_at_the_rig(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """The lifter whom the rig gets is slower on that side and on no other, in a set on two cables."""
    asked: list[VirtualRigSettings] = []

    async def only_settings(settings: VirtualRigSettings) -> None:
        asked.append(settings)

    monkeypatch.setattr("ebbset.simulators.rig.virtual_rig.run_virtual_rig", only_settings)
    for wanted in ("0.1", "-0.1"):
        assert run_command(capsys, "rig", "--cables", "2", "--asymmetry", wanted)[0] == Exit.OK
    order = example(exercise="bench_press", load={"start_n": 250.0, "floor_n": 60.0}, stop={"max_repetitions": 4})
    slower = []
    for settings in asked:
        assert settings.parameters.n_cables == 2
        outputs: list[Output] = []
        run_set(order, settings.lifter, settings.parameters, seed=1, recorder=partial(_keep, outputs))
        sides = [
            [o.mean_velocity_m_s for o in outputs if isinstance(o, RepetitionRecord) and o.cable == k] for k in (0, 1)
        ]
        slower.append(min((0, 1), key=lambda k: sum(sides[k][:3])))
    assert slower == [1, 0], "positive: the right side, cable 1, is the weaker"
    code, _, err = run_command(capsys, "rig", "--asymmetry", "0.1")
    assert (code, "--cables 2" in err) == (Exit.USAGE, True)
    assert run_command(capsys, "rig", "--cables", "2", "--asymmetry", "0.7")[0] == Exit.USAGE


def test_simulation_gives_the_same_bytes_for_any_number_of_workers(
    row: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    row.write_text(ROW.replace("40 kg", "66 kg") + "[stop]\nmax_duration_s = 30.0\n", encoding="utf-8")
    common = ["simulate", str(row), "--persons", "3", "--seed", "7", "--json"]
    code, first, _ = run_command(capsys, *common, "--workers", "1", "--table", str(tmp_path / "one.csv"))
    assert code == Exit.OK
    _, second, _ = run_command(capsys, *common, "--workers", "2", "--table", str(tmp_path / "two.csv"))
    assert first == second
    assert (tmp_path / "one.csv").read_bytes() == (tmp_path / "two.csv").read_bytes()
    told = json.loads(first)
    assert told["simulated"] is True
    assert sum(told["ended_by"].values()) == told["sets"] == 3
    # A second, plain computation on the table.
    rows = pandas.read_csv(tmp_path / "one.csv")
    assert told["measures"]["true_repetitions"]["mean"] == pytest.approx(rows["true_repetitions"].mean())
    assert told["measures"]["duration_s"]["sd"] == pytest.approx(rows["duration_s"].std())
    assert rows["start_n"].nunique() == 3


def test_an_exercise_that_the_simulator_does_not_know_is_refused(row: Path, capsys: pytest.CaptureFixture[str]) -> None:
    row.write_text(ROW.replace('"row"', '"pullover"\nexercise_is_new = true'), encoding="utf-8")
    code, _, err = run_command(capsys, "simulate", str(row))
    assert code == Exit.BAD_INPUT
    assert "exercise is 'pullover'; allowed for simulation: bench_press" in err


@pytest.mark.parametrize(("passed", "code"), [(True, Exit.OK), (None, Exit.OK), (False, Exit.NO)])
def test_a_figure_outside_what_is_published_is_a_no(
    passed: bool | None, code: Exit, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    row = CheckResult(1, "velocity at 1RM", "a source", "0.16 ± 0.04", "0.30", "+0.14", "follows", passed, "SD")
    found = ValidationReport((within(1, "other", "s", 1.0, 1.0, 0.1, "fitted", "w"), row), (), 12, 0)
    monkeypatch.setattr("ebbset.simulators.validation.validate.run", lambda **_asked: found)
    got, out, _ = run_command(capsys, "validate", "--short")
    assert got == code
    assert "a source" in out
    assert ("OUTSIDE" in out) == (passed is False)
    assert "0 figures from 0 studies were neither fitted nor in view" in out
    got, out, _ = run_command(capsys, "validate", "--short", "--json")
    assert got == code
    assert json.loads(out)["passed"] is (passed is not False)


def test_seeds_that_tuning_used_are_refused(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    seeds = tmp_path / "seeds.json"
    seeds.write_text('{"unseen": [3, 4], "tuning": [4]}', encoding="utf-8")
    code, out, err = run_command(capsys, "evaluate", "--seeds", str(seeds), "--json")
    assert (code, out) == (Exit.BAD_INPUT, "")
    assert "unseen holds [4], which tuning used" in err
