"""The command line: every error is one sentence and an exit code, help costs nothing, figures keep their units."""

from __future__ import annotations

import importlib
import io
import json
import os
import subprocess
import sys
import tomllib
from functools import partial
from pathlib import Path

import click
import pandas
import pytest
from rich.console import Console

from ebbset.console import app
from ebbset.console.exits import MEANINGS, CommandError, Exit
from ebbset.console.live.live_view import LiveState, picture
from ebbset.controller.messages.actions import Output, RepetitionRecord
from ebbset.controller.messages.events import Event
from ebbset.models.contract import formatting
from ebbset.models.contract.cautions import CAUTIONS, CONFIRMATION
from ebbset.models.contract.prescription import Prescription, example
from ebbset.models.contract.units import to_newtons
from ebbset.models.contract.wire import Topic
from ebbset.simulators.closed_loop.closed_loop import run_set
from ebbset.simulators.rig.virtual_rig import VirtualRigSettings
from ebbset.simulators.validation.comparison import CheckResult, ValidationReport, within
from ebbset.study.study_file import Mark

ROW = """
name = "Row"
exercise = "row"
[load]
start_n = "40 kg"
floor_n = "20 kg"
"""
PROFILE = """
lifter = "A7"
exercise = "row"
date = 2026-11-20
velocity_at_zero_m_s = {mean = 1.5, sd = 0.1}
velocity_at_1rm_m_s = {mean = 0.2, sd = 0.05}
one_rm_n = {mean = 300.0, sd = 20.0}
"""


def _python(code: str, **environ: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, timeout=60, env={**os.environ, **environ}
    )


def _main(*arguments: str, **environ: str) -> subprocess.CompletedProcess[str]:
    code = f"import sys; sys.argv = ['ebbset', *{arguments!r}]\nfrom ebbset.console.entry import main\nsys.exit(main())"
    return _python(code, **environ)


def _keep(outputs: list[Output], _event: Event, made: tuple[Output, ...]) -> None:
    outputs.extend(made)


def _run(capsys: pytest.CaptureFixture[str], *arguments: str) -> tuple[int, str, str]:
    code = app.run(arguments)
    captured = capsys.readouterr()
    assert "Traceback" not in captured.out + captured.err
    return code, captured.out, captured.err


@pytest.fixture
def row(tmp_path: Path) -> Path:
    path = tmp_path / "row.toml"
    path.write_text(ROW, encoding="utf-8")
    return path


# --- the program ------------------------------------------------------------------------------------------------


def test_the_help_page_imports_nothing_heavy() -> None:
    done = _python(
        "import sys; sys.argv = ['ebbset', '--help']\n"
        "from ebbset.console.entry import main\n"
        "code = main()\n"
        "heavy = {'numpy', 'pydantic', 'rich', 'aiomqtt', 'numba', 'jinja2', 'matplotlib', 'amqtt', 'scipy'}\n"
        "sys.stderr.write(','.join(sorted(heavy & set(sys.modules))))\n"
        "sys.exit(code)"
    )
    assert (done.returncode, done.stderr) == (0, "")
    for name in app.COMMANDS:
        assert f"\n  {name} " in done.stdout


@pytest.mark.parametrize("name", list(app.COMMANDS))
def test_every_command_of_the_table_is_there_and_explains_itself(name: str, capsys: pytest.CaptureFixture[str]) -> None:
    command = importlib.import_module(f"ebbset.console.{app.COMMANDS[name][0]}").command
    assert isinstance(command, click.Command)
    assert command.name == name
    code, out, _ = _run(capsys, name, "--help")
    assert code == 0
    assert len(out.splitlines()) > 8


def _all_parameters(command: click.Command) -> list[click.Parameter]:
    inner = (
        [p for c in command.commands.values() for p in _all_parameters(c)] if isinstance(command, click.Group) else []
    )
    return [*command.params, *inner]


def test_no_credential_can_be_given_on_the_command_line() -> None:
    names = {
        option.lower()
        for module, _ in app.COMMANDS.values()
        for parameter in _all_parameters(importlib.import_module(f"ebbset.console.{module}").command)
        for option in (*parameter.opts, *parameter.secondary_opts)
    }
    assert "--credentials-file" in names
    assert not [name for name in names if any(word in name for word in ("password", "token", "secret", "username"))]


def test_the_base_install_says_what_to_install() -> None:
    done = _python(
        "import sys\n"
        "class NoClick:\n"
        "    def find_spec(self, name, path=None, target=None):\n"
        "        if name.partition('.')[0] == 'click':\n"
        "            raise ModuleNotFoundError(\"No module named 'click'\", name='click')\n"
        "sys.meta_path.insert(0, NoClick())\n"
        "from ebbset.console.entry import main\n"
        "sys.exit(main())"
    )
    assert done.returncode == Exit.MISSING_EXTRA
    assert "ebbset[console]" in done.stderr
    assert "Traceback" not in done.stderr


@pytest.mark.parametrize(("module", "extra"), [("pyarrow.parquet", "study"), ("numba", "sim"), ("rich", "console")])
def test_a_missing_part_is_named_with_the_extra_that_holds_it(module: str, extra: str) -> None:
    found = app.explain(ModuleNotFoundError("gone", name=module))
    assert found.exit_code == Exit.MISSING_EXTRA
    assert f"ebbset[{extra}]" in found.message


def test_shell_completion_knows_the_commands() -> None:
    done = _main(_EBBSET_COMPLETE="bash_complete", COMP_WORDS="ebbset re", COMP_CWORD="1")
    found = {line.partition(",")[2] for line in done.stdout.splitlines()}
    assert found == {"request", "report", "replay"}


def test_every_exit_code_is_explained_in_the_help(capsys: pytest.CaptureFixture[str]) -> None:
    _, out, _ = _run(capsys, "--help")
    assert set(MEANINGS) == set(Exit)
    for code, meaning in MEANINGS.items():
        assert f"{int(code):>3}  {meaning}" in out


def test_what_nobody_foresaw_becomes_one_sentence_and_a_file(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str], row: Path
) -> None:
    def broken(_path: Path) -> None:
        raise RuntimeError("a wheel fell off")

    monkeypatch.setattr("ebbset.console.commands.check.read_either", broken)
    code, out, err = _run(capsys, "check", str(row))
    assert (code, out) == (Exit.DEFECT, "")
    told = Path(err.split()[-1])
    assert "a wheel fell off" in err
    assert "RuntimeError: a wheel fell off" in told.read_text(encoding="utf-8")
    told.unlink()


@pytest.mark.parametrize(
    ("arguments", "code"),
    [
        (["chek"], Exit.USAGE),
        (["check"], Exit.USAGE),
        (["check", "nowhere.toml"], Exit.BAD_INPUT),
        (["report", "nowhere.mcap"], Exit.BAD_INPUT),
        (["replay", "nowhere.mcap"], Exit.BAD_INPUT),
        (["serve", "--prescription", "nowhere.toml"], Exit.BAD_INPUT),
        (["serve", "--port", "70000"], Exit.USAGE),
        (["serve", "--fact", "nothing"], Exit.USAGE),
        *[
            ([*command, "--rig", "a/b"], Exit.USAGE)
            for command in (["serve"], ["rig"], ["request", "stop"], ["check-rig"])
        ],
        (["serve", "--rig", ""], Exit.USAGE),
        (["rig", "--defect", "no_such_defect"], Exit.USAGE),
        (["request", "stop", "--port", "1"], Exit.UNREACHABLE),
        (["request", "arm", "--port", "1"], Exit.USAGE),
        (["request", "arm", "--port", "1", "--cautions-shown"], Exit.UNREACHABLE),
    ],
)
def test_bad_command_lines_and_absent_things_end_in_one_message(
    arguments: list[str], code: Exit, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(sys, "stdin", io.StringIO(""))
    got, out, err = _run(capsys, *arguments)
    assert got == code
    assert out == ""
    assert err.count("Error:") == 1


class _Terminal(io.StringIO):
    """Standard input as it is at a terminal."""

    def isatty(self) -> bool:
        return True


@pytest.mark.parametrize(("typed", "code"), [("n\n", Exit.NO), ("", Exit.INTERRUPTED), ("y\n", Exit.UNREACHABLE)])
def test_the_cautions_are_shown_and_confirmed_before_arming(
    typed: str, code: Exit, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(sys, "stdin", _Terminal(typed))
    got, out, err = _run(capsys, "request", "arm", "--port", "1")
    assert got == code
    shown = " ".join(out.split())
    for caution in CAUTIONS:
        assert " ".join(caution.split()) in shown
    assert CONFIRMATION in out
    assert ("no connection to the broker at 127.0.0.1:1" in err) == (code == Exit.UNREACHABLE)


def test_settings_that_cannot_be_used_are_reported_field_by_field(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    settings = tmp_path / "north.toml"
    settings.write_text('rig = "no/rth"\nspeed = 3\n[broker]\nport = 70000\n', encoding="utf-8")
    code, _, err = _run(capsys, "serve", "--settings", str(settings))
    assert code == Exit.BAD_INPUT
    assert "3 problems" in err
    for line in ("rig is 'no/rth'; allowed: ", "speed is 3; allowed: ", "broker.port is 70000; allowed: "):
        assert f"\n  {line}" in err


# --- check ------------------------------------------------------------------------------------------------------


def test_check_says_what_is_ordered(row: Path, capsys: pytest.CaptureFixture[str]) -> None:
    code, out, _ = _run(capsys, "check", str(row))
    assert code == Exit.OK
    assert "start 40.0 kg, floor 20.0 kg" in out
    assert "drop policy fixed_fraction" in out


@pytest.mark.parametrize(
    ("change", "told"),
    [
        (('"20 kg"', '"50 kg"'), "floor_n"),
        (('"40 kg"', '"40 stone"'), "load.start_n is '40 stone'"),
        (('name = "Row"', 'name = "Row"\nfoo = 1'), "foo is 1"),
        (('exercise = "row"', ""), "exercise is missing"),
        (("[load]", "[drop]\npolicy = 'nobody'\n[load]"), "drop.policy is 'nobody'; allowed: one of fixed_fraction"),
        (("[load]", "[drop]\nparameters = {fraction = 3}\n[load]"), "drop.parameters.fraction is 3; allowed: a number"),
        (("[load]", "[load"), "TOML 1.0"),
    ],
)
def test_check_names_field_value_and_what_is_allowed(
    change: tuple[str, str], told: str, row: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    row.write_text(ROW.replace(*change), encoding="utf-8")
    code, out, _ = _run(capsys, "check", str(row))
    assert code == Exit.NO
    assert told in out
    assert "allowed: " in out


def test_check_holds_prescription_and_profile_against_each_other(
    row: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    row.write_text(ROW + "[stall]\nvelocity_m_s = 0.18\n", encoding="utf-8")
    profile = tmp_path / "a7.toml"
    profile.write_text(PROFILE, encoding="utf-8")
    code, out, _ = _run(capsys, "check", "--json", str(row), str(profile))
    told = json.loads(out)
    assert code == Exit.OK
    assert [item["kind"] for item in told["files"]] == ["prescription", "profile"]
    assert told["files"][0]["digest"] == Prescription.from_toml(row.read_text(encoding="utf-8")).digest()
    assert any("0.18" in note and "below 0.15 is safer" in note for note in told["notes"])
    assert any("start load 40.0 kg is above the 1RM" in note for note in told["notes"])


@pytest.mark.parametrize(
    ("sections", "told"),
    [
        ("[stall]\ngrind_s = 9.0\n", "stall.still_limit_s and stall.grind_s together are 11 s"),
        (
            '[stall]\nrule = "dwell"\ndwell_s = 1.5\nstart_patience_s = 1.0\n[stop]\nmax_pause_s = 1.0\n',
            "stall.dwell_s and stall.grind_s",
        ),
        ("[stall]\nstart_patience_s = 9.0\n", "stall.start_patience_s is 9, above stop.max_pause_s = 8"),
        ("[stall]\nstart_patience_s = 8.0\ngrind_s = 6.0\n", ""),
    ],
)
def test_check_says_when_a_stall_takes_longer_to_judge_than_the_pause_that_is_allowed(
    sections: str, told: str, row: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    row.write_text(ROW + sections, encoding="utf-8")
    code, out, _ = _run(capsys, "check", "--json", str(row))
    notes = [note for note in json.loads(out)["notes"] if "max_pause_s" in note]
    assert code == Exit.OK
    assert [told in note for note in notes] == ([True] if told else [])


# --- units and words --------------------------------------------------------------------------------------------


def test_pounds_and_kilograms_at_the_surface() -> None:
    # NIST SP 811 (2008), appendix B.8: 1 lbf = 4.448 222 N, 1 kgf = 9.806 65 N.
    assert formatting.load(100 * 4.448222, "lb") == "100.0 lb"
    assert formatting.load(100 * 9.80665, "kg") == "100.0 kg"
    assert formatting.loads((to_newtons(30, "kg"), to_newtons(28, "kg")), "kg") == "30.0 | 28.0 kg"
    assert formatting.loads((0.0, 0.0), "kg") == "unloaded"
    assert formatting.load(None, "lb") == formatting.NONE


@pytest.mark.parametrize(
    ("name", "value", "told"),
    [
        ("velocity_m_s", 0.041, "velocity 0.04 m/s"),
        ("force_n", 392.266, "force 40.0 kg"),
        ("capacity_loss", 0.4, "capacity loss 40 %"),
        ("dwell_s", 0.35, "dwell 0.35 s"),
        ("ramp_n_per_s", 300.0, "ramp 300 N/s"),
        ("telemetry_timeout_ms", 250.0, "telemetry timeout 250 ms"),
        ("drops", 3.0, "drops 3"),
        ("position_fraction", None, f"position in the ROM {formatting.NONE}"),
    ],
)
def test_a_number_of_a_decision_carries_its_unit(name: str, value: float | None, told: str) -> None:
    assert formatting.quantity(name, value, "kg") == told


# --- live view --------------------------------------------------------------------------------------------------


def _text(state: LiveState, width: int = 110) -> str:
    console = Console(width=width, file=io.StringIO(), record=True)
    console.print(picture(state))
    return console.export_text()


def test_the_live_view_shows_what_messages_say_and_survives_those_that_say_nothing() -> None:
    state = LiveState(start_n=400.0, floor_n=200.0)
    assert "nothing heard from the controller yet" in _text(state)
    state.take(Topic.FRAME, b"no json")
    state.take(
        Topic.STATE,
        json.dumps(
            {"t_host_us": 1, "state": "working", "prescription": "Row", "budget_spent": 0.2, "budget_limit": 0.4}
        ).encode(),
    )
    frame = {
        "boot_id": "boot0001",
        "seq": 1,
        "docked": False,
        "applied_n": [392.266],
        "t_us": [1, 2],
        "cables": [{"position_m": [0.1, 0.2], "velocity_m_s": [0.31, 0.42]}],
    }
    state.take(Topic.FRAME, json.dumps(frame).encode())
    shown = _text(state)
    assert "Row" in shown
    assert "40.0 kg" in shown
    assert "+0.42 m/s" in shown
    assert "20 %" in shown
    assert "budget 40 %" in shown
    mark = Mark("0" * 64, "p01", 1, frozenset({"load", "budget"}))
    order = Prescription.model_validate({**tomllib.loads(ROW), "notes": mark.text(), "units": "lb"})
    blind = LiveState.of(order)
    assert blind.unit == "lb"
    assert blind.floor_n == pytest.approx(20 * 9.80665)
    state.hidden = blind.hidden
    blinded = _text(state)
    assert "40.0 kg" not in blinded
    assert "budget" not in blinded
    assert "+0.42 m/s" in blinded


@pytest.mark.parametrize("width", [40, 60, 80, 120])
@pytest.mark.parametrize("applied_n", [(0.0,), (392.266,), (1960.0, 1960.0)])
def test_the_live_view_is_whole_at_any_width(width: int, applied_n: tuple[float, ...]) -> None:
    state = LiveState(start_n=2_000.0, floor_n=200.0, applied_n=applied_n, velocity_m_s=-0.2)
    state.velocities.extend([0.5] * 60)
    report = {"t_host_us": 1, "state": "working", "prescription": "Row", "budget_spent": 0.2, "budget_limit": 0.4}
    state.take(Topic.STATE, json.dumps(report).encode())
    lines = _text(state, width).splitlines()
    assert max(map(len, lines)) <= width
    rows = {line[:13].strip(): line for line in lines if line[13:15] == "  "}
    assert set(rows) >= {"load", "velocity", "repetitions", "capacity lost"}
    assert "…" not in "".join(lines)
    assert formatting.loads(applied_n, "kg") in rows["load"]
    assert "20 %" in rows["capacity lost"]
    # Half of the budget is gone: as much of the bar, whatever its length.
    filled, empty = rows["capacity lost"].count("━"), rows["capacity lost"].count("─")
    assert abs(filled - empty) <= 1
    assert filled + empty == rows["velocity"].count("▄") <= 44
    if width >= 80:
        assert rows["capacity lost"].rstrip().endswith(" budget 40 %")
        assert filled + empty >= 35


def test_a_simulated_rig_is_called_so_while_one_watches() -> None:
    state = LiveState()
    identity = {"rig": "r", "boot_id": "boot0001", "online": True, "cables": 1, "telemetry": "frames"}
    identity |= {"sample_rate_hz": 100, "has_force": True, "max_load_n": 900, "min_load_n": 20}
    identity |= {"max_ramp_n_per_s": 900, "max_lease_ms": 1_000, "firmware": "1"}
    state.take(Topic.IDENTITY, json.dumps(identity).encode())
    assert "simulated" not in _text(state)
    state.take(Topic.IDENTITY, json.dumps({**identity, "simulated": True}).encode())
    assert "simulated" in _text(state)


# --- the virtual rig ---------------------------------------------------------------------------------------------


def test_a_weaker_side_can_be_asked_for_at_the_rig(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """The lifter whom the rig gets is slower on that side and on no other, in a set on two cables."""
    asked: list[VirtualRigSettings] = []

    async def only_settings(settings: VirtualRigSettings) -> None:
        asked.append(settings)

    monkeypatch.setattr("ebbset.simulators.rig.virtual_rig.run_virtual_rig", only_settings)
    for wanted in ("0.1", "-0.1"):
        assert _run(capsys, "rig", "--cables", "2", "--asymmetry", wanted)[0] == Exit.OK
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
    code, _, err = _run(capsys, "rig", "--asymmetry", "0.1")
    assert (code, "--cables 2" in err) == (Exit.USAGE, True)
    assert _run(capsys, "rig", "--cables", "2", "--asymmetry", "0.7")[0] == Exit.USAGE


# --- simulate and workers ---------------------------------------------------------------------------------------


def test_simulation_gives_the_same_bytes_for_any_number_of_workers(
    row: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    row.write_text(ROW.replace("40 kg", "66 kg") + "[stop]\nmax_duration_s = 30.0\n", encoding="utf-8")
    common = ["simulate", str(row), "--persons", "3", "--seed", "7", "--json"]
    code, first, _ = _run(capsys, *common, "--workers", "1", "--table", str(tmp_path / "one.csv"))
    assert code == Exit.OK
    _, second, _ = _run(capsys, *common, "--workers", "2", "--table", str(tmp_path / "two.csv"))
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
    row.write_text(ROW.replace('"row"', '"pullover"'), encoding="utf-8")
    code, _, err = _run(capsys, "simulate", str(row))
    assert code == Exit.BAD_INPUT
    assert "exercise is 'pullover'; allowed for simulation: bench_press" in err


# --- validate and evaluate: the answer is in the exit code too --------------------------------------------------


@pytest.mark.parametrize(("passed", "code"), [(True, Exit.OK), (None, Exit.OK), (False, Exit.NO)])
def test_a_figure_outside_what_is_published_is_a_no(
    passed: bool | None, code: Exit, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    row = CheckResult(1, "velocity at 1RM", "a source", "0.16 ± 0.04", "0.30", "+0.14", "unseen", passed)
    found = ValidationReport((within(1, "other", "s", 1.0, 1.0, 0.1, "fitted"), row), (), 12, 0)
    monkeypatch.setattr("ebbset.simulators.validation.validate.run", lambda **_asked: found)
    got, out, _ = _run(capsys, "validate", "--short")
    assert got == code
    assert "a source" in out
    assert ("FAIL" in out) == (passed is False)
    got, out, _ = _run(capsys, "validate", "--short", "--json")
    assert got == code
    assert json.loads(out)["passed"] is (passed is not False)


def test_seeds_that_tuning_used_are_refused(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    seeds = tmp_path / "seeds.json"
    seeds.write_text('{"unseen": [3, 4], "tuning": [4]}', encoding="utf-8")
    code, out, err = _run(capsys, "evaluate", "--seeds", str(seeds), "--json")
    assert (code, out) == (Exit.BAD_INPUT, "")
    assert "unseen holds [4], which tuning used" in err


def test_errors_keep_their_code_through_groups_of_exceptions() -> None:
    inner = CommandError("no broker", Exit.UNREACHABLE)
    assert app.explain(ExceptionGroup("several", [inner])) is inner
