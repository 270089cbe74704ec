"""The published contract: fresh, well formed by the standards' own schemas, and as strict as the models."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest
from jsonschema import Draft7Validator, Draft202012Validator, ValidationError

from ebbset.controller.link import contract_documents, contract_rules
from ebbset.controller.messages import codec
from ebbset.models.contract import wire
from ebbset.models.contract.wire import BadMessageError, Topic
from tests.support.sessions import Pair

FOLDER = Path(__file__).parents[3] / "contract"
ASYNCAPI_SCHEMA = Path(__file__).parents[2] / "data" / "asyncapi-3.0.0.json"

FRAME: dict[str, Any] = {
    "version": 1,
    "boot_id": "boot-0001",
    "seq": 7,
    "nonce": None,
    "docked": False,
    "applied_n": [400.0],
    "t_us": [1000, 2000],
    "cables": [{"position_m": [0.1, 0.2], "velocity_m_s": [0.5, 0.6], "force_n": [401.0, 399.0]}],
}


def published(name: str) -> Any:
    return json.loads((FOLDER / name).read_text(encoding="utf-8"))


def test_the_repository_holds_what_the_models_say() -> None:
    assert contract_documents.stale(FOLDER) == (), (
        "run: python -m ebbset.controller.link.contract_documents --write contract/"
    )


def test_a_stale_a_missing_and_a_foreign_file_are_each_reported(tmp_path: Path) -> None:
    assert contract_documents.main(["--write", str(tmp_path)]) == 0
    assert contract_documents.main(["--check", str(tmp_path)]) == 0
    (tmp_path / "rig_ack.schema.json").write_text("{}")
    (tmp_path / "rig_frame.schema.json").unlink()
    (tmp_path / "other.json").write_text("{}")
    assert contract_documents.stale(tmp_path) == (
        "other.json belongs to no message",
        "rig_ack.schema.json differs from what the models say",
        "rig_frame.schema.json is missing",
    )
    assert contract_documents.main(["--check", str(tmp_path)]) == 1


def test_the_document_is_valid_asyncapi_3() -> None:
    """Outside check: the JSON Schema that the AsyncAPI Initiative publishes for version 3.0.0 (Apache-2.0)."""
    validator = Draft7Validator(json.loads(ASYNCAPI_SCHEMA.read_text(encoding="utf-8")))
    document = published(contract_documents.DOCUMENT)
    assert [error.message for error in validator.iter_errors(document)] == []
    # The check can fail: a document without a version of its contract is none.
    del document["info"]["version"]
    assert not validator.is_valid(document)


def test_every_reference_leads_somewhere() -> None:
    document = published(contract_documents.DOCUMENT)

    def resolve(reference: str) -> Any:
        if reference.startswith("./"):
            return published(reference[2:])
        node = document
        for part in reference.removeprefix("#/").split("/"):
            node = node[part]
        return node

    def references(node: Any) -> list[str]:
        if isinstance(node, dict):
            own = [node["$ref"]] if isinstance(node.get("$ref"), str) else []
            return own + [found for value in node.values() for found in references(value)]
        return [found for value in node for found in references(value)] if isinstance(node, list) else []

    found = references(document)
    assert len(found) == 4 * len(Topic)
    assert all(resolve(reference) for reference in found)


def test_every_topic_is_described_once_with_its_sender() -> None:
    document = published(contract_documents.DOCUMENT)
    addresses = {channel["address"] for channel in document["channels"].values()}
    assert addresses == {topic.path("{rig}") for topic in Topic}
    received = {
        operation["channel"]["$ref"]
        for operation in document["operations"].values()
        if operation["action"] == "receive"
    }
    assert received == {f"#/channels/{line.name}" for line in contract_rules.LINES if line.topic in codec.HEARD}
    commands = document["operations"]["send_ctl_command"]["bindings"]["mqtt"]
    assert (commands["qos"], commands["retain"]) == (0, False), "a late or retained command would be a danger"


@pytest.mark.parametrize("line", contract_rules.LINES, ids=lambda line: line.name)
def test_every_schema_is_a_schema_of_its_draft(line: contract_rules.Line) -> None:
    meta_schema = Draft202012Validator(Draft202012Validator.META_SCHEMA)
    found = published(line.schema_file)
    assert found["$schema"] == Draft202012Validator.META_SCHEMA["$id"]
    assert [error.message for error in meta_schema.iter_errors(found)] == []
    # The check can fail: a type of no such name makes it no schema.
    assert not meta_schema.is_valid({**found, "type": "number of newtons"})


def test_everything_sent_in_a_set_fits_the_published_schemas(session: list[Pair]) -> None:
    validators = {line.topic: Draft202012Validator(published(line.schema_file)) for line in contract_rules.LINES}
    seen = set()
    for _, outputs in session:
        for output in outputs:
            topic, payload = codec.to_wire(output)
            validators[topic].validate(json.loads(payload))
            seen.add(topic)
    assert len(seen) == 6


@pytest.mark.parametrize(
    ("field", "value"),
    [
        ("version", 2),
        ("boot_id", "short"),
        ("seq", -1),
        ("docked", "yes"),
        ("applied_n", [-1.0]),
        ("applied_n", []),
        ("t_us", [-5]),
        ("cables", []),
    ],
)
def test_schema_and_models_refuse_alike(field: str, value: Any) -> None:
    validator = Draft202012Validator(published("rig_frame.schema.json"))
    validator.validate(FRAME)
    wire.decode(Topic.FRAME, json.dumps(FRAME))
    bad = {**FRAME, field: value}
    with pytest.raises(ValidationError):
        validator.validate(bad)
    with pytest.raises(BadMessageError):
        wire.decode(Topic.FRAME, json.dumps(bad))


def test_a_command_without_its_kind_fits_no_schema() -> None:
    validator = Draft202012Validator(published("ctl_command.schema.json"))
    command = {"version": 1, "nonce": "nonce-01", "seq": 1, "kind": "release"}
    validator.validate(command)
    del command["kind"]
    assert not validator.is_valid(command)


def test_the_examples_are_messages() -> None:
    for line in contract_rules.LINES:
        examples = contract_documents.EXAMPLES.get(line.topic, {})
        told = published(contract_documents.DOCUMENT)["components"]["messages"][line.name].get("examples", [])
        assert {example["name"]: example["payload"] for example in told} == examples
        for example in examples.values():
            Draft202012Validator(published(line.schema_file)).validate(example)
            wire.decode(line.topic, json.dumps(example))
    start = contract_documents.EXAMPLES[Topic.REQUEST]["start"]
    for name in ("ticket", "arming"):
        lacking = {key: value for key, value in start.items() if key != name}
        assert not Draft202012Validator(published("ops_request.schema.json")).is_valid(lacking), name
