"""Bad input is reported in plain words: the field, what it held, what is allowed; for every kind of error there can be.

Outside check: the kinds of error are those that pydantic's own documentation lists for each kind of schema
(docs.pydantic.dev, "Validation Errors"), found by walking the schemas that pydantic made of our models.
"""

from __future__ import annotations

import json
import math
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from pydantic import TypeAdapter, ValidationError

from ebbset.controller.link.settings import ServeSettings
from ebbset.controller.messages.codec import EVENT_KINDS, OUTPUT_KINDS, BadRecordError, from_json
from ebbset.controller.messages.events import RigAnnounced
from ebbset.models.contract import wire
from ebbset.models.contract.prescription import Prescription, example
from ebbset.models.contract.problems import WORDS, BadDocumentError, problems_of
from ebbset.models.contract.profile import LifterProfile
from ebbset.models.contract.wire import Topic
from ebbset.study.design import StudyFile

IDENTITY: dict[str, Any] = {
    "version": 1,
    "rig": "north",
    "boot_id": "boot-0001",
    "online": True,
    "cables": 1,
    "telemetry": "frames",
    "sample_rate_hz": 100.0,
    "has_force": True,
    "max_load_n": 900.0,
    "min_load_n": 20.0,
    "max_ramp_n_per_s": 900.0,
    "max_lease_ms": 1_000,
    "firmware": "1",
}
PROFILE: dict[str, Any] = {
    "lifter": "a7",
    "exercise": "row",
    "date": "2026-11-01",
    "velocity_at_zero_m_s": {"mean": 1.7, "sd": 0.1},
    "velocity_at_1rm_m_s": {"mean": 0.2, "sd": 0.05},
}
ORDER = example().model_dump(mode="json")
STUDY: dict[str, Any] = {
    "name": "s",
    "seed": 1,
    "design": "crossover",
    "start": "2026-12-01",
    "washout_days": 1,
    "conditions": [{"code": c, "label": c, "prescription": f"{c}.toml"} for c in ("A", "B")],
    "participants": [{"id": "p1"}, {"id": "p2"}],
}
FRAME: dict[str, Any] = {
    "version": 1,
    "boot_id": "boot-0001",
    "seq": 1,
    "docked": True,
    "applied_n": [0.0],
    "t_us": [1],
    "cables": [{"position_m": [0.0]}],
}


def order(**changes: Any) -> Callable[[], Any]:
    return lambda: Prescription.model_validate(ORDER | changes)


def load(**changes: Any) -> Callable[[], Any]:
    return order(load=ORDER["load"] | changes)


def profile(**changes: Any) -> Callable[[], Any]:
    return lambda: LifterProfile.model_validate(PROFILE | changes)


def settings(**changes: Any) -> Callable[[], Any]:
    return lambda: ServeSettings.model_validate({"rig": "north"} | changes)


def study(**changes: Any) -> Callable[[], Any]:
    return lambda: StudyFile.model_validate(STUDY | changes)


def sent(topic: Topic, message: Any, **changes: Any) -> Callable[[], Any]:
    text = message if isinstance(message, str) else json.dumps(message | changes)
    return lambda: wire.adapter(topic).validate_json(text, strict=True)


def identity(**changes: Any) -> Callable[[], Any]:
    return sent(Topic.IDENTITY, IDENTITY, **changes)


NAME = "letters, digits, underscore, dot and hyphen"
DATE = "a date such as 2026-12-01"
ARM = {"version": 1, "kind": "arm", "nonce": "nonce-0001", "seq": 1}
ANNOUNCED = TypeAdapter(tuple[RigAnnounced])
TABLE: tuple[tuple[str, Callable[[], Any], str], ...] = (
    (
        "missing",
        lambda: Prescription.model_validate({"name": "x"}),
        "exercise is missing; allowed: a value is required",
    ),
    ("missing", sent(Topic.IDENTITY, {"version": 1}), "rig is missing; allowed: a value is required"),
    (
        "extra_forbidden",
        load(foo=3),
        "load.foo is 3; allowed: no such field; docs/prescription.md lists the fields there are",
    ),
    (
        "extra_forbidden",
        sent(Topic.REQUEST, {"version": 1, "correlation_id": "c-000001", "action": "stop", "operator": "o", "mood": 1}),
        "mood is 1; allowed: no such field",
    ),
    ("extra_forbidden", profile(mood="fine"), "mood is 'fine'; allowed: no such field"),
    ("literal_error", order(version=2), "version is 2; allowed: 1"),
    ("literal_error", load(cables="both"), "load.cables is 'both'; allowed: 'coupled' or 'independent'"),
    (
        "enum",
        sent(Topic.REQUEST, {"version": 1, "correlation_id": "c-000001", "action": "jump", "operator": "o"}),
        "action is 'jump'; allowed: 'arm', 'start', 'stop' or 'release'",
    ),
    ("greater_than", load(start_n=0), "load.start_n is 0; allowed: a number above 0"),
    ("greater_than_equal", load(ramp_n_per_s=0.5), "load.ramp_n_per_s is 0.5; allowed: a number of at least 1"),
    ("less_than", order(budget={"capacity_loss": 1.5}), "budget.capacity_loss is 1.5; allowed: a number below 1"),
    ("less_than_equal", settings(broker={"port": 70_000}), "broker.port is 70000; allowed: a number of at most 65535"),
    ("finite_number", load(start_n=math.inf), "load.start_n is inf; allowed: a finite number"),
    (
        "finite_number",
        sent(Topic.FRAME, json.dumps(FRAME).replace("[0.0]", "[NaN]", 1)),
        "applied_n[0] is nan; allowed: a finite number",
    ),
    ("float_type", load(ramp_n_per_s=[1]), "load.ramp_n_per_s is [1]; allowed: a number"),
    ("float_parsing", load(ramp_n_per_s="fast"), "load.ramp_n_per_s is 'fast'; allowed: a number"),
    ("int_type", order(stop={"max_drops": [3]}), "stop.max_drops is [3]; allowed: a whole number"),
    ("int_parsing", order(stop={"max_drops": "few"}), "stop.max_drops is 'few'; allowed: a whole number"),
    ("int_from_float", order(stop={"max_drops": 1.5}), "stop.max_drops is 1.5; allowed: a whole number"),
    (
        "int_parsing_size",
        lambda: Prescription.model_validate(ORDER | {"stop": {"max_drops": "9" * 5_000}}),
        "a whole number of fewer digits",
    ),
    ("bool_type", identity(online="yes"), "online is 'yes'; allowed: true or false"),
    ("bool_parsing", settings(broker={"tls": "perhaps"}), "broker.tls is 'perhaps'; allowed: true or false"),
    ("string_type", order(name=3), "name is 3; allowed: text"),
    ("string_unicode", order(name=b"\xff"), "name is b'\\xff'; allowed: text in UTF-8"),
    ("string_too_short", order(name=""), "name is ''; allowed: text that is not empty"),
    ("string_too_short", identity(boot_id="b"), "boot_id is 'b'; allowed: text of at least 8 characters"),
    ("string_too_long", order(name="x" * 121), "allowed: text of at most 120 characters"),
    ("string_pattern_mismatch", order(exercise="bench press"), f"exercise is 'bench press'; allowed: {NAME}"),
    (
        "string_pattern_mismatch",
        identity(boot_id="boot 0001"),
        "boot_id is 'boot 0001'; allowed: letters, digits, underscore and hyphen",
    ),
    (
        "string_pattern_mismatch",
        study(conditions=[{**STUDY["conditions"][0], "code": "A-"}, STUDY["conditions"][1]]),
        "conditions[0].code is 'A-'; allowed: letters and digits, 1 to 8 of them",
    ),
    ("tuple_type", order(bouts=3), "bouts is 3; allowed: a list"),
    ("too_short", order(bouts=[]), "bouts is []; allowed: a list of at least 1, not 0"),
    (
        "too_long",
        sent(Topic.FRAME, FRAME, applied_n=[0.0] * 3),
        "applied_n is [0.0, 0.0, 0.0]; allowed: a list of at most 2, not 3",
    ),
    ("dict_type", order(drop={"parameters": 3}), "drop.parameters is 3; allowed: named fields"),
    ("model_type", order(load=3), "load is 3; allowed: named fields"),
    ("model_type", sent(Topic.IDENTITY, "[]"), "document is []; allowed: named fields"),
    ("dataclass_type", lambda: ANNOUNCED.validate_json("[3]"), "[0] is 3; allowed: named fields"),
    ("date_type", profile(date=[1]), f"date is [1]; allowed: {DATE}"),
    ("date_from_datetime_parsing", profile(date="soon"), f"date is 'soon'; allowed: {DATE}"),
    (
        "date_from_datetime_inexact",
        profile(date="2026-12-01T10:00"),
        "date is '2026-12-01T10:00'; allowed: a date without a time",
    ),
    (
        "date_parsing",
        lambda: TypeAdapter(LifterProfile).validate_json(json.dumps(PROFILE | {"date": "soon"}), strict=True),
        f"date is 'soon'; allowed: {DATE}",
    ),
    ("path_type", settings(recordings=3), "recordings is 3; allowed: the path of a file"),
    ("json_invalid", sent(Topic.IDENTITY, "{"), "allowed: JSON (EOF while parsing"),
    ("dict_type", sent(Topic.COMMAND, "[]"), "document is []; allowed: named fields"),
    ("union_tag_not_found", sent(Topic.COMMAND, {"version": 1}), "kind is missing; allowed: a value is required"),
    (
        "union_tag_invalid",
        sent(Topic.COMMAND, ARM, kind="jump"),
        "kind is 'jump'; allowed: one of 'arm', 'load', 'unload', 'release'",
    ),
    (
        "value_error",
        load(start_n="40 stone"),
        "load.start_n is '40 stone'; allowed: newtons as a number, or text such as '32 kg', '70 lb', '314 N'",
    ),
    ("value_error", load(floor_n=500.0), "load.floor_n is 51.0 kg (500 N); allowed: at most start_n = 40.8 kg (400 N)"),
    (
        "value_error",
        order(safety={"lease_ms": 200}),
        "safety.telemetry_timeout_ms is 250; allowed: at most lease_ms = 200",
    ),
    (
        "value_error",
        order(bouts=[{"load_n": 500.0}]),
        "bouts[0].load_n is 51.0 kg (500 N); allowed: from floor_n = 12.2 kg (120 N) to start_n = 40.8 kg (400 N)",
    ),
    (
        "value_error",
        order(bouts=[{}, {}]),
        "bouts[1].rest_before_s is 0; allowed: above 0, since a bout follows a rest",
    ),
    ("value_error", order(bouts=[{"rest_before_s": 3}]), "bouts[0].rest_before_s is 3; allowed: 0, since"),
    ("value_error", profile(one_rm_n={"mean": 0, "sd": 1}), "one_rm_n.mean is 0; allowed: from 1 to 20000"),
    ("value_error", profile(rom_m={"mean": 3, "sd": 1}), "rom_m.mean is 3; allowed: from 0.05 to 2.5"),
    (
        "value_error",
        profile(velocity_at_zero_m_s={"mean": 7, "sd": 1}),
        "velocity_at_zero_m_s.mean is 7; allowed: from 0.1 to 6",
    ),
    (
        "value_error",
        profile(velocity_at_1rm_m_s={"mean": 2, "sd": 1}),
        "velocity_at_1rm_m_s.mean is 2; allowed: at least 0.05 below",
    ),
    (
        "value_error",
        study(participants=[{"id": "p1"}, {"id": "p1"}]),
        "participants.id is 'p1' more than once; allowed: each of them once",
    ),
    (
        "value_error",
        study(reference_one_rm_n="90 kg"),
        "participants.one_rm_n is missing for 'p1'; allowed: one for everyone",
    ),
    (
        "value_error",
        sent(Topic.FRAME, FRAME, t_us=[1, 2]),
        "cables[0].position_m is 1 values long; allowed: 2, one for each t_us",
    ),
)


@pytest.mark.parametrize(("kind", "make", "said"), TABLE, ids=[f"{k}-{row[0]}" for k, row in enumerate(TABLE)])
def test_each_kind_of_error_names_field_value_and_what_is_allowed(
    kind: str, make: Callable[[], Any], said: str
) -> None:
    with pytest.raises(ValidationError) as caught:
        make()
    assert kind in {item["type"] for item in caught.value.errors()}
    told = [str(problem) for problem in problems_of(caught.value)]
    assert any(said in text if said.startswith(("allowed", "a whole")) else text.startswith(said) for text in told), (
        told
    )
    for text in told:
        assert "; allowed: " in text
        assert not any(
            word in text.lower() for word in ("input should", "valid ", "error,", "pydantic", "field required")
        )


# Kinds of schema in pydantic, and the kinds of error that its documentation names for each.
RAISED: dict[str, set[str]] = {
    "str": {"string_type", "string_unicode"},
    "int": {"int_type", "int_parsing", "int_from_float", "int_parsing_size"},
    "float": {"float_type", "float_parsing", "finite_number"},
    "bool": {"bool_type", "bool_parsing"},
    "literal": {"literal_error"},
    "enum": {"enum"},
    "tuple": {"tuple_type"},
    "dict": {"dict_type"},
    "date": {"date_type", "date_parsing", "date_from_datetime_parsing", "date_from_datetime_inexact"},
    "model": {"model_type"},
    "dataclass": {"dataclass_type"},
    "model-fields": {"missing", "extra_forbidden"},
    "dataclass-args": {"missing"},
    "tagged-union": {"dict_type", "union_tag_invalid", "union_tag_not_found"},
    "lax-or-strict": {"path_type"},
    "function-after": {"value_error"},
    "function-before": {"value_error"},
}
HARMLESS = {
    "no-info",
    "with-info",
    "default",
    "nullable",
    "union",
    "definitions",
    "definition-ref",
    "model-field",
    "dataclass-field",
    "none",
}
WITHIN_PATH = {"function-plain", "json-or-python", "is-instance"}
BOUNDS = {"gt": "greater_than", "ge": "greater_than_equal", "lt": "less_than", "le": "less_than_equal"}
LENGTHS = {
    ("str", "min_length"): "string_too_short",
    ("str", "max_length"): "string_too_long",
    ("str", "pattern"): "string_pattern_mismatch",
    ("tuple", "min_length"): "too_short",
    ("tuple", "max_length"): "too_long",
}


def nodes(schema: Any) -> Iterator[dict[str, Any]]:
    if isinstance(schema, dict):
        if isinstance(schema.get("type"), str):
            yield schema
        for key, value in schema.items():
            if key not in ("metadata", "serialization", "ref", "config", "expected", "members"):
                yield from nodes(value)
    elif isinstance(schema, list | tuple):
        for value in schema:
            yield from nodes(value)


def kinds_there_can_be() -> set[str]:
    adapters = [wire.adapter(topic) for topic in Topic]
    adapters += [TypeAdapter(model) for model in (Prescription, LifterProfile, ServeSettings, StudyFile)]
    adapters += [TypeAdapter(cls) for cls in (EVENT_KINDS | OUTPUT_KINDS).values()]
    kinds = {"json_invalid"}
    for adapter in adapters:
        for node in nodes(adapter.core_schema):
            name = node["type"]
            assert name in RAISED or name in HARMLESS or name in WITHIN_PATH, (
                f"{name}: a kind of schema not seen before"
            )
            kinds |= RAISED.get(name, set())
            kinds |= {error for bound, error in BOUNDS.items() if node.get(bound) is not None}
            kinds |= {error for (of, key), error in LENGTHS.items() if name == of and node.get(key) is not None}
    return kinds


def test_the_table_holds_every_kind_of_error_that_our_models_can_raise() -> None:
    can = kinds_there_can_be()
    assert len(can) > 30
    assert can == {kind for kind, _, _ in TABLE}
    assert set(WORDS) == can - {"value_error", "union_tag_invalid", "union_tag_not_found"}


def test_a_value_that_is_of_none_of_several_kinds_is_reported_once() -> None:
    with pytest.raises(ValidationError) as caught:
        order(drop={"parameters": {"fraction": [1], "step": {}}})()
    told = [str(problem) for problem in problems_of(caught.value)]
    assert told == [
        "drop.parameters.fraction is [1]; allowed: a number, text, or true or false",
        "drop.parameters.step is {}; allowed: a number, text, or true or false",
    ]


def test_a_list_with_one_wrong_entry_is_not_called_empty() -> None:
    with pytest.raises(ValidationError) as caught:
        order(bouts=[{"repetitions": 0}])()
    assert [str(problem) for problem in problems_of(caught.value)] == [
        "bouts[0].repetitions is 0; allowed: a number of at least 1"
    ]


@pytest.mark.parametrize("value", ["true", "[3]", "{}", "2026-12-01"])
def test_a_load_that_is_neither_number_nor_text_is_reported_like_any_other(value: str) -> None:
    text = f'name = "x"\nexercise = "row"\n[load]\nstart_n = {value}\nfloor_n = 3\n'
    with pytest.raises(BadDocumentError, match=r"prescription: load\.start_n is .*; allowed: (newtons as )?a number"):
        Prescription.from_toml(text)


def test_a_recorded_value_is_reported_by_its_field() -> None:
    with pytest.raises(BadRecordError, match=r"^tick: now_us is 'soon'; allowed: a whole number$"):
        from_json("tick", b'{"now_us":"soon"}')


def test_a_path_is_a_path() -> None:
    assert ServeSettings.model_validate({"rig": "r", "recordings": "x"}).recordings == Path("x")
