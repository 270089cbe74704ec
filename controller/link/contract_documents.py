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
from pathlib import Path
from typing import Any, Final

import structlog

from ebbset.controller.link.contract_rules import INTRODUCTION, LINES, WORDS, Line
from ebbset.controller.link.settings import PLAIN_PORT, TLS_PORT
from ebbset.models.contract import wire
from ebbset.models.contract.constants import KEEPALIVE_S
from ebbset.models.contract.wire import CONTRACT_VERSION, TOPIC_ROOT, Topic

DOCUMENT: Final = "asyncapi.json"
_DRAFT: Final = "https://json-schema.org/draft/2020-12/schema"
_ASKED: Final = {"version": 1, "operator": "mara", "ticket": "9f3c21ab-1742"}
EXAMPLES: Final[dict[Topic, dict[str, dict[str, Any]]]] = {
    Topic.REQUEST: {
        "arm": {**_ASKED, "correlation_id": "b1946ac92492d234", "action": "arm", "cautions_shown": True},
        "start": {
            **_ASKED,
            "correlation_id": "7c6235cd2347c6235",
            "action": "start",
            "arming": "591785b794601e21",
        },
        "stop": {"version": 1, "operator": "mara", "correlation_id": "e5828c564f71fea3", "action": "stop"},
    },
    Topic.COMMAND: {
        "arm": {
            "version": 1,
            "kind": "arm",
            "nonce": "591785b794601e21",
            "seq": 1,
            "ceiling_n": [400.0],
            "floor_n": [120.0],
            "max_ramp_n_per_s": 300.0,
            "lease_ms": 600,
        },
        "load": {
            "version": 1,
            "kind": "load",
            "nonce": "591785b794601e21",
            "seq": 9,
            "target_n": [400.0],
            "ramp_n_per_s": 300.0,
            "lease_ms": 600,
            "cites_t_us": 81402113,
        },
    },
}
"""Messages to copy from, for those topics on which somebody acts."""
_log = structlog.get_logger(__name__)


def schema(line: Line) -> dict[str, Any]:
    """JSON Schema (2020-12) of one message."""
    made = wire.adapter(line.topic).json_schema()
    # OpenAPI's keyword for the member that tells the kinds of a union apart; JSON Schema has no such keyword.
    made.pop("discriminator", None)
    if line.sender == "controller":
        for part in (made, *made.get("$defs", {}).values()):
            if "properties" in part:
                part["required"] = list(part["properties"])
    for name, words in WORDS.get(line.topic, {}).items():
        made["properties"][name]["enum"] = [str(word) for word in words]
    return {"$schema": _DRAFT, "$id": line.schema_file, "title": line.title, **made}


def document() -> dict[str, Any]:
    """The AsyncAPI 3 document, from the controller's side: it receives from rig and operator and sends the rest."""
    return {
        "asyncapi": "3.0.0",
        "info": {
            "title": "ebbset wire contract",
            "version": f"{CONTRACT_VERSION}.0",
            "description": "\n\n".join(INTRODUCTION),
            "license": {"name": "Apache-2.0"},
        },
        "servers": {name: _server(name) for name in ("plain", "encrypted")},
        "defaultContentType": "application/json",
        "channels": {line.name: _channel(line) for line in LINES},
        "operations": {_operation_name(line): _operation(line) for line in LINES},
        "components": {"messages": {line.name: _message(line) for line in LINES}},
    }


def _server(name: str) -> dict[str, Any]:
    encrypted = name == "encrypted"
    return {
        "host": f"{{host}}:{TLS_PORT if encrypted else PLAIN_PORT}",
        "protocol": "secure-mqtt" if encrypted else "mqtt",
        "protocolVersion": "3.1.1",
        "description": "Any broker; MQTT 5 too. "
        + ("TLS with the broker's certificate verified." if encrypted else "For a broker on the same machine."),
        "variables": {"host": {"default": "127.0.0.1", "description": "Where the broker runs."}},
        "bindings": {"mqtt": {"cleanSession": True, "keepAlive": KEEPALIVE_S, "bindingVersion": "0.2.0"}},
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
    if line.topic in EXAMPLES:
        message["examples"] = [{"name": name, "payload": payload} for name, payload in EXAMPLES[line.topic].items()]
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
