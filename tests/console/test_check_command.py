"""`ebbset check` and the words of figures: field, value, what is allowed, and the unit."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from ebbset.console.exits import Exit
from ebbset.controller.estimation.profile_velocity import velocity_at_one_rm
from ebbset.models.contract import formatting
from ebbset.models.contract.prescription import Prescription
from ebbset.models.contract.profile import LifterProfile
from ebbset.models.contract.units import to_newtons
from tests.support.commands import PROFILE, ROW, run_command


def test_check_says_what_is_ordered(row: Path, capsys: pytest.CaptureFixture[str]) -> None:
    code, out, _ = run_command(capsys, "check", str(row))
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
    code, out, _ = run_command(capsys, "check", str(row))
    assert code == Exit.NO
    assert told in out
    assert "allowed: " in out


def test_check_holds_prescription_and_profile_against_each_other(
    row: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    row.write_text(ROW + "[stall]\nvelocity_m_s = 0.18\n", encoding="utf-8")
    profile = tmp_path / "a7.toml"
    profile.write_text(PROFILE, encoding="utf-8")
    code, out, _ = run_command(capsys, "check", "--json", str(row), str(profile))
    told = json.loads(out)
    assert code == Exit.OK
    assert [item["kind"] for item in told["files"]] == ["prescription", "profile"]
    assert told["files"][0]["digest"] == Prescription.from_toml(row.read_text(encoding="utf-8")).digest()
    slow = velocity_at_one_rm(LifterProfile.from_toml(PROFILE))
    assert any("0.18" in note and f"below {slow.mean - slow.sd:.2f} is safer" in note for note in told["notes"])
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
    code, out, _ = run_command(capsys, "check", "--json", str(row))
    notes = [note for note in json.loads(out)["notes"] if "max_pause_s" in note]
    assert code == Exit.OK
    assert [told in note for note in notes] == ([True] if told else [])


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
