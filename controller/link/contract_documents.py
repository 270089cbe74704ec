"""The wire contract as documents: AsyncAPI 3 and one JSON Schema per message, generated from the models.

``python -m ebbset.controller.link.contract_documents --write contract/`` writes them; ``--check contract/`` exits
with 1 when they are stale. Messages to the controller are described as it accepts them, messages from it as it sends
them (every member always there). Rules that JSON Schema cannot state stand in words beside the message that they are
about. Never here: the models themselves (`models.contract`), MQTT.
"""

from __future__ import annotations

import argparse
import json
import sys
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

import structlog

from ebbset.models.contract import wire
from ebbset.models.contract.wire import TOPIC_ROOT, Topic

CONTRACT_VERSION: Final = "1.0.0"
DOCUMENT: Final = "asyncapi.json"
_DRAFT: Final = "https://json-schema.org/draft/2020-12/schema"
_log = structlog.get_logger(__name__)


@dataclass(frozen=True, slots=True)
class Line:
    """How one topic is used. ``sender`` is rig, operator or controller."""

    topic: Topic
    sender: str
    qos: int
    retain: bool
    title: str
    rules: tuple[str, ...]

    @property
    def name(self) -> str:
        """Name of channel and message, e.g. ``rig_frame``."""
        return self.topic.value.replace("/", "_")

    @property
    def schema_file(self) -> str:
        """File of the message's JSON Schema."""
        return f"{self.name}.schema.json"


LINES: Final = (
    Line(
        Topic.IDENTITY,
        "rig",
        1,
        True,
        "Who the rig is and what it can do",
        (
            "Sent at every start and after every reconnection, retained; `boot_id` is new at every boot.",
            "The rig's last will is the same message with `online` false, retained, at QoS 1.",
            "`rig` equals the name in the topic.",
        ),
    ),
    Line(
        Topic.FRAME,
        "rig",
        0,
        False,
        "Samples, several a message",
        (
            "Sent by a rig whose `telemetry` is `frames`, at least ten times a second, also when unloaded and docked.",
            "`seq` increases by one with each message; `t_us` increases strictly, within and between messages.",
            "Every column of a cable is as long as `t_us`; `applied_n` and `cables` have one entry per cable.",
            "Position increases while cable is paid out, which is the concentric; velocity is positive then.",
            f"A payload is at most {wire.MAX_PAYLOAD_BYTES} bytes; numbers are finite.",
        ),
    ),
    Line(
        Topic.REPETITION,
        "rig",
        1,
        False,
        "A repetition, from a rig that segments itself",
        (
            "Sent by a rig whose `telemetry` is `repetitions` at the end of each concentric, whatever its outcome.",
            "A concentric in which the handle stands still under load is reported once as `failed` (or `not_started`) "
            "while the lifter is still under the load: that report is what makes the load drop.",
            "`t_end_us` is not before `t_start_us`.",
        ),
    ),
    Line(
        Topic.EVENT,
        "rig",
        1,
        False,
        "Something happened at the rig",
        (
            "`docked` and `undocked` whenever the handle returns to the dock or leaves it.",
            "`emergency_stop`, `over_travel`, `over_speed` and `fault` after the rig has unloaded by itself.",
            "`lease_expired` after a lease has run out and the rig has unloaded by itself.",
        ),
    ),
    Line(
        Topic.ACK,
        "rig",
        1,
        False,
        "Answer to one command",
        (
            "One for every command, accepted or refused, with the time by the rig's clock.",
            "`refusal` is present exactly when `accepted` is false.",
            "Rig and broker turn Nagle's algorithm off (TCP_NODELAY; Mosquitto: `set_tcp_nodelay true`); otherwise "
            "small messages can wait about 40 ms for each other.",
            "If a rig sends no frames, its acknowledgements show that it is alive, and load commands cite them. The "
            "applied load that they report is compared with the load commanded, as soon as the ramp allows.",
        ),
    ),
    Line(
        Topic.COMMAND,
        "controller",
        0,
        False,
        "Commands",
        (
            "`arm` binds nonce, ceiling, floor, steepest ramp and lease, and applies no load; the rig refuses every "
            "other nonce until this one is released or its lease runs out. A nonce can be armed only once. The rig "
            "also refuses whatever exceeds its own limits.",
            "`load` holds `target_n` for one lease. The rig refuses: a foreign or spent nonce; a sequence number not "
            "above the last; `cites_t_us` older than the lease by its own clock, or in the future; a lease longer than "
            "armed; a target above the armed ceiling or its own maximum, or between zero and the armed floor; a rise "
            "while the handle is not docked; a ramp steeper than armed; a wrong number of cables.",
            "If the handle leaves the dock while a load is still coming on, the load rises no further: the rig unloads "
            "by itself, spends the nonce and reports `fault`. The controller ends the set, too.",
            "`unload` is obeyed whatever its nonce, sequence number or state; a later one never makes an unloading "
            "slower.",
            "`release` of the bound nonce unloads the rig and spends the nonce for good.",
            "When a lease runs out without an accepted renewal, the rig unloads by itself and spends the nonce.",
            "While its emergency stop is latched the rig refuses `arm` and `load`; only a person at the rig resets it, "
            "and a reset never brings a load back.",
            "Never retained; a rig ignores a retained command. On MQTT 5 it also expires at the broker.",
        ),
    ),
    Line(
        Topic.STATE,
        "controller",
        0,
        True,
        "State of the set",
        ("Sent on every change and twice a second, retained. The controller's last will says `offline`.",),
    ),
    Line(Topic.DECISION, "controller", 1, False, "One decision with everything it was based on", ()),
    Line(Topic.REPETITION_REPORT, "controller", 1, False, "One repetition as the controller saw it", ()),
    Line(Topic.RESULT, "controller", 1, False, "Outcome of the set", ("Sent once for every armed nonce.",)),
    Line(
        Topic.ANSWER,
        "controller",
        1,
        False,
        "Answer to one request",
        ("`correlation_id` is that of the request; a refusal gives a code and a sentence.",),
    ),
    Line(
        Topic.REQUEST,
        "operator",
        1,
        False,
        "A person's request",
        (
            "`arm` is refused unless `cautions_shown` is true.",
            "`stop` and `release` are obeyed in every state and take precedence over everything else.",
            "A retained request is ignored.",
        ),
    ),
)


def schema(line: Line) -> dict[str, Any]:
    """JSON Schema (2020-12) of one message."""
    made = wire.adapter(line.topic).json_schema()
    # OpenAPI's keyword for the member that tells the kinds of a union apart; JSON Schema has no such keyword.
    made.pop("discriminator", None)
    if line.sender == "controller":
        for part in (made, *made.get("$defs", {}).values()):
            if "properties" in part:
                part["required"] = list(part["properties"])
    return {"$schema": _DRAFT, "$id": line.schema_file, "title": line.title, **made}


def document() -> dict[str, Any]:
    """The AsyncAPI 3 document, from the controller's side: it receives from rig and operator and sends the rest."""
    return {
        "asyncapi": "3.0.0",
        "info": {
            "title": "ebbset wire contract",
            "version": CONTRACT_VERSION,
            "description": (
                "Load control of a connected resistance rig over MQTT 3.1.1 or 5. SI units; loads and forces in "
                "newtons at the handle, per cable; one or two cables. `t_us` is the rig's own clock in microseconds "
                "since it booted; no two clocks are assumed to agree. Everything that safety needs is in the "
                "payload. This software is not a safety function: the rig needs its own stop, limits and watchdog."
            ),
            "license": {"name": "Apache-2.0"},
        },
        "defaultContentType": "application/json",
        "channels": {line.name: _channel(line) for line in LINES},
        "operations": {_operation_name(line): _operation(line) for line in LINES},
        "components": {"messages": {line.name: _message(line) for line in LINES}},
    }


def _channel(line: Line) -> dict[str, Any]:
    return {
        "address": f"{TOPIC_ROOT}/{{rig}}/{line.topic.value}",
        "title": line.title,
        "description": f"Sent by the {line.sender}.",
        "parameters": {"rig": {"description": "Name of the rig: letters, digits, dot, dash, underscore."}},
        "messages": {line.name: {"$ref": f"#/components/messages/{line.name}"}},
    }


def _message(line: Line) -> dict[str, Any]:
    message: dict[str, Any] = {
        "name": line.name,
        "title": line.title,
        "contentType": "application/json",
        "payload": {
            "schemaFormat": "application/schema+json;version=draft-2020-12",
            "schema": {"$ref": f"./{line.schema_file}"},
        },
    }
    if line.rules:
        message["description"] = "\n".join(f"- {rule}" for rule in line.rules)
    return message


def _operation_name(line: Line) -> str:
    return f"{'send' if line.sender == 'controller' else 'receive'}_{line.name}"


def _operation(line: Line) -> dict[str, Any]:
    return {
        "action": "send" if line.sender == "controller" else "receive",
        "channel": {"$ref": f"#/channels/{line.name}"},
        "messages": [{"$ref": f"#/channels/{line.name}/messages/{line.name}"}],
        "bindings": {"mqtt": {"qos": line.qos, "retain": line.retain, "bindingVersion": "0.2.0"}},
    }


def files() -> dict[str, str]:
    """Text of every file of the contract, by file name."""
    made = {line.schema_file: schema(line) for line in LINES}
    made[DOCUMENT] = document()
    return {name: json.dumps(content, indent=2, ensure_ascii=False) + "\n" for name, content in made.items()}


def stale(folder: Path) -> tuple[str, ...]:
    """A sentence for every file of a folder that differs from what the models say; empty when none does."""
    expected = files()
    found = {path.name: path.read_text(encoding="utf-8") for path in folder.glob("*.json")} if folder.is_dir() else {}
    said = []
    for name in sorted(expected.keys() | found.keys()):
        if name not in found:
            said.append(f"{name} is missing")
        elif name not in expected:
            said.append(f"{name} belongs to no message")
        elif found[name] != expected[name]:
            said.append(f"{name} differs from what the models say")
    return tuple(said)


def write(folder: Path) -> None:
    """Write the contract into a folder, in place of the JSON files there.

    Raises:
        OSError: the folder cannot be written.
    """
    folder.mkdir(parents=True, exist_ok=True)
    for path in folder.glob("*.json"):
        path.unlink()
    for name, text in files().items():
        (folder / name).write_text(text, encoding="utf-8")


def main(arguments: Sequence[str] | None = None) -> int:
    """Command line of this module; returns the exit code."""
    parser = argparse.ArgumentParser(
        prog="python -m ebbset.controller.link.contract_documents", description="Write the wire contract."
    )
    action = parser.add_mutually_exclusive_group(required=True)
    action.add_argument("--write", type=Path, metavar="FOLDER", help="write AsyncAPI document and JSON Schemas there")
    action.add_argument("--check", type=Path, metavar="FOLDER", help="exit with 1 when that folder is stale")
    chosen = parser.parse_args(arguments)
    try:
        if chosen.write is not None:
            write(chosen.write)
            _log.info("contract_written", folder=str(chosen.write), files=len(files()))
            return 0
        said = stale(chosen.check)
    except OSError as error:
        _log.error("contract_unreadable", why=str(error))
        return 2
    for sentence in said:
        _log.error("contract_stale", what=sentence)
    return 1 if said else 0


if __name__ == "__main__":
    sys.exit(main())
