"""Prescriptions, profiles, units and wire messages: what is accepted, what is refused, and in which words."""

from __future__ import annotations

import datetime
import json
import tomllib
from typing import Any

import pytest
import tomlkit
from hypothesis import given, settings
from hypothesis import strategies as st
from pydantic import BaseModel

from ebbset.models.contract import controller_messages, field_types
from ebbset.models.contract.prescription import Bout, Prescription, example
from ebbset.models.contract.problems import BadDocumentError
from ebbset.models.contract.profile import LifterProfile, Uncertain
from ebbset.models.contract.units import from_newtons, parse_load, to_newtons
from ebbset.models.contract.wire import BadMessageCode, BadMessageError, Topic, decode
from ebbset.models.physiology.load_velocity import GENERIC_LINES, generic_line

# --- units: ISO 80000-4 standard gravity 9.80665 m/s²; international pound 0.45359237 kg exactly (1959 agreement) -----


def test_units_are_the_standards() -> None:
    assert to_newtons(1.0, "kg") == 9.80665
    assert to_newtons(1.0, "lb") == pytest.approx(4.4482216152605, rel=1e-15)  # pound-force, NIST SP 811 app. B.8
    assert from_newtons(to_newtons(62.5, "lb"), "lb") == pytest.approx(62.5)


@pytest.mark.parametrize("text", ["forty", "40", "40 stone", "-3 kg", "", "4e400 kg"])
def test_a_load_in_words_nobody_uses_is_refused(text: str) -> None:
    with pytest.raises(ValueError, match="allowed"):
        parse_load(text)


# --- prescription ----------------------------------------------------------------------------------------------------

fractions = st.floats(min_value=0.01, max_value=0.99)
prescriptions = st.builds(
    lambda start, part, ramp, name, budget, drops, bouts, fraction: Prescription.model_validate(
        {
            "name": name,
            "exercise": "row",
            "load": {"start_n": start, "floor_n": start * part, "ramp_n_per_s": ramp},
            "drop": {"policy": "fixed_fraction", "parameters": {"fraction": fraction}},
            "budget": {"capacity_loss": budget},
            "stop": {"max_drops": drops},
            "bouts": [Bout(), *(Bout(rest_before_s=rest, load_n=start) for rest in bouts)],
        }
    ),
    st.floats(min_value=1, max_value=5_000),
    fractions,
    st.floats(min_value=1, max_value=5_000),
    st.text(st.characters(exclude_categories=("C", "Zl", "Zp")), min_size=1, max_size=40),
    st.none() | fractions,
    st.none() | st.integers(min_value=0, max_value=50),
    st.lists(st.floats(min_value=1, max_value=600), max_size=3),
    fractions,
)


@given(prescriptions)
@settings(max_examples=150, deadline=None)
def test_a_prescription_written_as_toml_reads_back_equal(prescription: Prescription) -> None:
    text = prescription.to_toml()
    assert Prescription.from_toml(text) == prescription
    assert tomlkit.parse(text).unwrap() == tomllib.loads(text)  # a second, independent TOML parser agrees
    assert Prescription.from_toml(text).digest() == prescription.digest()


@pytest.mark.parametrize(
    ("toml", "field", "allowed"),
    [
        (
            'name="a"\nexercise="row"\n[load]\nstart_n=100\nfloor_n=200',
            "load.floor_n",
            "at most start_n = 10.2 kg (100 N)",
        ),
        ('name="a"\nexercise="row"\n[load]\nstart_n=-5\nfloor_n=2', "load.start_n", "a number above 0"),
        ('name="a"\nexercise="row"\n[load]\nstart_n=nan\nfloor_n=2', "load.start_n", "finite"),
        ('name="a"\nexercise="row"\n[load]\nstart_n=inf\nfloor_n=2', "load.start_n", "finite"),
        ('name="a"\nexercise="row"\n[load]\nstart_n="10 stone"\nfloor_n=2', "load.start_n", "32 kg"),
        ('name="a"\nexercise="row"\n[load]\nfloor_n=2', "load.start_n", "required"),
        ('name="a"\nexercise="row"\nrest=3\n[load]\nstart_n=9\nfloor_n=2', "rest", "no such field"),
        ('version=2\nname="a"\nexercise="row"\n[load]\nstart_n=9\nfloor_n=2', "version", "1"),
        (
            'name="a"\nexercise="row"\n[load]\nstart_n=9\nfloor_n=2\n[[bouts]]\n[[bouts]]',
            "bouts[1].rest_before_s",
            "above 0, since a bout follows a rest",
        ),
        ("name = ", "line 1", "TOML 1.0"),
    ],
)
def test_a_bad_prescription_names_field_value_and_what_is_allowed(toml: str, field: str, allowed: str) -> None:
    with pytest.raises(BadDocumentError) as caught:
        Prescription.from_toml(toml, what="morning.toml")
    problems = caught.value.problems
    assert [problem.field for problem in problems] == [field]
    assert allowed in problems[0].allowed
    assert str(problems[0]).count("allowed:") == 1
    assert str(caught.value).startswith("morning.toml: ")


def test_every_problem_is_reported_not_only_the_first() -> None:
    with pytest.raises(BadDocumentError) as caught:
        Prescription.from_toml('name=""\nexercise="row"\n[load]\nstart_n=0\nfloor_n="x"')
    assert {problem.field for problem in caught.value.problems} == {"name", "load.start_n", "load.floor_n"}


# --- profile ---------------------------------------------------------------------------------------------------------


def profile(**changes: Any) -> LifterProfile:
    base: dict[str, Any] = {
        "lifter": "p-17",
        "exercise": "row",
        "date": datetime.date(2026, 3, 1),
        "one_rm_n": {"mean": 600.0, "sd": 20.0},
        "velocity_at_zero_m_s": {"mean": 1.9, "sd": 0.1},
        "velocity_at_1rm_m_s": {"mean": 0.5, "sd": 0.05},
        "rom_m": {"mean": 0.5, "sd": 0.02},
    }
    return LifterProfile.model_validate({**base, **changes})


def test_a_profile_written_as_toml_reads_back_equal() -> None:
    one = profile()
    assert LifterProfile.from_toml(one.to_toml()) == one
    assert LifterProfile.from_toml(profile(one_rm_n=None, rom_m=None).to_toml()).one_rm_n is None


@pytest.mark.parametrize(
    ("changes", "word"),
    [
        ({"velocity_at_1rm_m_s": Uncertain(mean=2.0, sd=0.1)}, "velocity_at_1rm_m_s.mean"),
        ({"one_rm_n": Uncertain(mean=-1.0, sd=0.1)}, "one_rm_n.mean"),
        ({"rom_m": Uncertain(mean=9.0, sd=0.1)}, "rom_m.mean"),
        ({"lifter": "a name with spaces"}, "pattern"),
    ],
)
def test_a_profile_that_cannot_be_is_refused(changes: dict[str, Any], word: str) -> None:
    with pytest.raises(ValueError, match=word):
        profile(**changes)


# --- generic load-velocity lines against published values ------------------------------------------------------------


@pytest.mark.parametrize(
    ("exercise", "low", "high"),
    [
        # González-Badillo & Sánchez-Medina 2010, 10.1055/s-0030-1248333: 0.16 ± 0.04
        ("bench_press", 0.12, 0.20),
        # Conceição et al. 2016, 10.1080/02640414.2015.1090010: 0.21 ± 0.06
        ("leg_press", 0.15, 0.27),
        # Hernández-Belmonte et al., PMID 34079168: about 0.19
        ("shoulder_press", 0.17, 0.21),
    ],
)
def test_generic_velocity_at_1rm_is_inside_the_published_spread(exercise: str, low: float, high: float) -> None:
    assert low <= generic_line(exercise).velocity_m_s(1.0) <= high


def test_leg_press_slope_is_the_published_one() -> None:
    """Conceição et al. 2016: 0.0169 to 0.0175 m/s per %1RM (95 % CI)."""
    line = generic_line("leg_press")
    assert 0.0169 <= (line.velocity_m_s(0.5) - line.velocity_m_s(0.6)) / 10 <= 0.0175


def test_bench_press_line_runs_through_the_table() -> None:
    """MPV table of the 2010 bench-press study, from memory, so with a wide tolerance: 0.08 m/s from 40 to 100 %."""
    table = {40: 1.15, 50: 0.96, 60: 0.79, 70: 0.62, 80: 0.47, 90: 0.32, 100: 0.18}
    line = generic_line("bench_press")
    assert max(abs(line.velocity_m_s(load / 100) - v) for load, v in table.items()) <= 0.08


@given(st.sampled_from(sorted(GENERIC_LINES)), st.floats(min_value=0.1, max_value=1.0))
def test_relative_load_undoes_velocity(exercise: str, relative: float) -> None:
    line = generic_line(exercise)
    assert line.relative_load(line.velocity_m_s(relative)) == pytest.approx(relative, abs=1e-12)


# --- wire ------------------------------------------------------------------------------------------------------------


def frame(**changes: Any) -> bytes:
    base: dict[str, Any] = {
        "version": 1,
        "boot_id": "boot-0001",
        "seq": 4,
        "nonce": None,
        "docked": False,
        "applied_n": [100.0],
        "t_us": [10, 20],
        "cables": [{"position_m": [0.1, 0.2], "velocity_m_s": [0.5, 0.5], "force_n": [100, 101]}],
    }
    return json.dumps({**base, **changes}).encode()


def test_a_good_frame_decodes() -> None:
    message = decode(Topic.FRAME, frame())
    assert message.cables[0].position_m == (0.1, 0.2)
    assert message.t_us == (10, 20)


@pytest.mark.parametrize(
    ("payload", "code", "word"),
    [
        (frame(version=7), BadMessageCode.UNKNOWN_VERSION, "version is 7"),
        (frame(applied_n=[float("nan")]), BadMessageCode.NOT_FINITE, "applied_n[0]"),
        (frame(applied_n=[float("inf")]), BadMessageCode.NOT_FINITE, "applied_n[0]"),
        (frame(applied_n=[-3.0]), BadMessageCode.INVALID_FIELD, "applied_n[0] is -3.0"),
        (frame(t_us=[20, 10]), BadMessageCode.INVALID_FIELD, "strictly increasing"),
        (frame(t_us=[10, 20, 30]), BadMessageCode.INVALID_FIELD, "one for each t_us"),
        (frame(cables=[]), BadMessageCode.INVALID_FIELD, "cables"),
        (frame(seq="four"), BadMessageCode.INVALID_FIELD, "seq"),
        (b'{"version": 1}', BadMessageCode.MISSING_FIELD, "boot_id is missing"),
        (b"not json", BadMessageCode.NOT_JSON, "JSON"),
        (b"\xff\xfe\x00", BadMessageCode.NOT_JSON, ""),
        (b"[" * 60_000, BadMessageCode.NOT_JSON, ""),
        (b" " * 1_000_000, BadMessageCode.TOO_LARGE, "1000000 bytes"),
    ],
)
def test_bad_frames_are_refused_with_code_and_words(payload: bytes, code: BadMessageCode, word: str) -> None:
    with pytest.raises(BadMessageError) as caught:
        decode(Topic.FRAME, payload)
    assert caught.value.code is code
    assert word in str(caught.value)


def outcome(topic: Topic, payload: bytes | str) -> object:
    try:
        return decode(topic, payload)
    except BadMessageError as error:
        return error


@given(st.sampled_from(list(Topic)), st.binary(max_size=400))
def test_whatever_arrives_is_a_message_or_a_bad_message(topic: Topic, payload: bytes) -> None:
    assert isinstance(outcome(topic, payload), BaseModel | BadMessageError)


json_values = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=8),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=8), inner, max_size=3),
    max_leaves=5,
)


@given(st.sampled_from(list(Topic)), st.dictionaries(st.sampled_from(["version", "kind", "seq", "t_us"]), json_values))
def test_json_of_any_shape_is_a_message_or_a_bad_message(topic: Topic, value: dict[str, Any]) -> None:
    assert isinstance(outcome(topic, json.dumps(value)), BaseModel | BadMessageError)


def test_an_ack_is_a_refusal_exactly_when_it_is_not_accepted() -> None:
    base = {
        "boot_id": "boot-0001",
        "nonce": "nonce-01",
        "command_seq": 1,
        "t_us": 5,
        "applied_n": [0.0],
        "docked": True,
    }
    for accepted, refusal in ((True, "above_ceiling"), (False, None)):
        with pytest.raises(BadMessageError, match="refusal"):
            decode(Topic.ACK, json.dumps({**base, "accepted": accepted, "refusal": refusal}))


def test_commands_are_distinguished_by_kind() -> None:
    unload = {"kind": "unload", "nonce": "nonce-01", "seq": 3, "ramp_n_per_s": 300.0}
    assert isinstance(decode(Topic.COMMAND, json.dumps(unload)), controller_messages.UnloadCommand)
    with pytest.raises(BadMessageError, match="cites_t_us is missing"):
        decode(
            Topic.COMMAND,
            json.dumps({**unload, "kind": "load", "target_n": [1.0], "lease_ms": 500}),
        )


def test_no_wire_message_holds_a_field_without_a_unit_or_a_plain_meaning() -> None:
    """A figure's name ends in its unit, unless it is a count, a fraction or a number without one."""
    unitless = {"seq", "command_seq", "version", "cables", "bout", "bouts", "repetitions", "drops", "index", "step"}
    unitless |= {"repetition", "cable", "refused_inputs", "guard_refusals", "budget_spent", "budget_sd", "budget_limit"}
    unitless |= {f"{name}{end}" for name in ("budget_spent", "repetitions_in_reserve") for end in ("", "_low", "_high")}
    units = ("_n", "_m", "_m_s", "_us", "_ms", "_s", "_hz", "_n_per_s")
    looked_at = 0
    for message in field_types.Message.__subclasses__():
        for name, field in message.model_fields.items():
            kinds = str(field.annotation)
            numeric = "float" in kinds or "int" in kinds
            if numeric and not (isinstance(field.annotation, type) and issubclass(field.annotation, BaseModel)):
                looked_at += 1
                assert name in unitless or name.endswith(units), f"{message.__name__}.{name}"
    assert looked_at > 40


def test_the_example_prescription_is_valid() -> None:
    assert example().bout_load_n(0) == 400.0
