"""Two versions of the contract that meet: what a receiver ignores, what it refuses, and a rig that speaks 1.0."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest
from jsonschema import Draft202012Validator

from ebbset.controller.link import contract_documents, contract_rules
from ebbset.controller.messages import codec
from ebbset.models.contract import wire
from ebbset.models.contract.wire import BadMessageCode, BadMessageError, Topic
from tests.support.brokers import Mosquitto
from tests.support.operators import armed, operator
from tests.support.served import hand_rig, serving, settings_for
from tests.support.sessions import PATIENT, auto_drop_order
from tests.support.wire_messages import FRAME, IDENTITY

CONTRACT_1_0 = Path(__file__).parents[2] / "data" / "contract-1.0"
ACK: dict[str, Any] = {
    "version": 1,
    "boot_id": "boot-0001",
    "nonce": "nonce-01",
    "command_seq": 3,
    "t_us": 7,
    "accepted": True,
    "applied_n": [0.0],
    "docked": True,
}
EVENT: dict[str, Any] = {"version": 1, "boot_id": "boot-0001", "seq": 1, "t_us": 7, "kind": "docked"}
REPETITION: dict[str, Any] = {
    "version": 1,
    "boot_id": "boot-0001",
    "seq": 1,
    "docked": False,
    "applied_n": [200.0],
    "t_start_us": 1,
    "t_end_us": 2,
    "outcome": "completed",
    "cables": [{"rom_m": 0.5, "mean_velocity_m_s": 0.4, "peak_velocity_m_s": 0.6}],
}
FROM_RIG = {
    Topic.IDENTITY: IDENTITY,
    Topic.FRAME: FRAME,
    Topic.REPETITION: REPETITION,
    Topic.EVENT: EVENT,
    Topic.ACK: ACK,
}
COMMANDS: tuple[dict[str, Any], ...] = (
    {"kind": "arm", "ceiling_n": [400.0], "floor_n": [100.0], "max_ramp_n_per_s": 300.0, "lease_ms": 600},
    {"kind": "load", "target_n": [400.0], "ramp_n_per_s": 300.0, "lease_ms": 600, "cites_t_us": 7},
    {"kind": "unload", "ramp_n_per_s": 300.0},
    {"kind": "release"},
)


def event_of(topic: Topic, message: dict[str, Any]) -> Any:
    return codec.event_from_wire(topic, json.dumps(message).encode(), now_us=42, rig=IDENTITY["rig"])


@pytest.mark.parametrize("topic", FROM_RIG, ids=lambda topic: topic.name.lower())
def test_what_a_later_rig_adds_is_ignored_and_told_by_the_kit(topic: Topic) -> None:
    message = FROM_RIG[topic]
    later = {**message, "torque_n_m": [1.0, 2.0]}
    if "cables" in later and isinstance(later["cables"], list):
        later["cables"] = [{**cable, "temperature_c": 40.0} for cable in later["cables"]]
    assert event_of(topic, later) == event_of(topic, message)
    assert wire.unknown_members(topic, json.dumps(message).encode()) == ()
    told = wire.unknown_members(topic, json.dumps(later).encode())
    assert told[-1] == "torque_n_m"
    assert ("cables[0].temperature_c" in told) is isinstance(later.get("cables"), list)


@pytest.mark.parametrize("command", COMMANDS, ids=lambda command: command["kind"])
def test_a_rig_refuses_a_command_with_a_member_that_it_does_not_know(command: dict[str, Any]) -> None:
    sound = {"version": 1, "nonce": "nonce-01", "seq": 2, **command}
    wire.decode(Topic.COMMAND, json.dumps(sound))
    with pytest.raises(BadMessageError, match="no such field"):
        wire.decode(Topic.COMMAND, json.dumps({**sound, "hold_s": 5}))


def test_a_controller_refuses_a_request_with_a_member_that_it_does_not_know() -> None:
    request = {"version": 1, "correlation_id": "c" * 8, "action": "stop", "operator": "coach", "later": True}
    with pytest.raises(BadMessageError, match="no such field"):
        wire.decode(Topic.REQUEST, json.dumps(request))


@pytest.mark.parametrize("topic", FROM_RIG, ids=lambda topic: topic.name.lower())
def test_another_major_version_is_refused(topic: Topic) -> None:
    with pytest.raises(BadMessageError) as refused:
        event_of(topic, {**FROM_RIG[topic], "version": 2})
    assert refused.value.code is BadMessageCode.UNKNOWN_VERSION
    assert wire.TOPIC_ROOT.endswith(f"/v{wire.CONTRACT_VERSION.partition('.')[0]}")


def test_a_watcher_takes_a_state_that_it_does_not_know_from_a_later_controller() -> None:
    state = {"version": 1, "t_host_us": 1, "state": "pausing", "mood": "calm"}
    assert wire.decode(Topic.STATE, json.dumps(state)).state == "pausing"


@pytest.mark.parametrize("topic", FROM_RIG, ids=lambda topic: topic.name.lower())
def test_a_message_of_a_rig_that_speaks_1_0_fits_both_schemas(topic: Topic) -> None:
    line = next(line for line in contract_rules.LINES if line.topic is topic)
    before = json.loads((CONTRACT_1_0 / line.schema_file).read_text())
    for schema in (before, contract_documents.schema(line)):
        Draft202012Validator(schema).validate(FROM_RIG[topic])
    assert "simulated" not in IDENTITY, "the member that came last is left out here"


@pytest.mark.broker
@pytest.mark.parametrize("telemetry", ["frames", "repetitions"])
async def test_a_rig_that_knows_only_the_schemas_of_1_0_serves_a_set(
    broker: Mosquitto, tmp_path: Path, telemetry: str
) -> None:
    """Commands and its own messages are validated against the schemas of 1.0 in the rig's own process."""
    rig = f"older-{telemetry}"
    async with (
        serving(settings_for(broker, tmp_path, rig)),
        hand_rig(broker.port, rig, telemetry, contract=CONTRACT_1_0) as seen,
        operator(broker.port, rig) as person,
    ):
        await person.until_state("idle")
        await person.until(lambda: len(person.of("rig/frame")) > 3 or telemetry == "repetitions")
        order = auto_drop_order(safety=PATIENT).model_dump(mode="json")
        await armed(person, order)
        await person.until(lambda: person.of("rig/ack"))
        assert (await person.ask("start"))["accepted"]
        await person.until(lambda: person.of("ctl/repetition"))
        await person.ask("stop")
        await person.until_state("ended")
    assert seen["refused"] == []
    assert max(seen["targets_n"]) == 400.0
    assert not seen["bound"]
