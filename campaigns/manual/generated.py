"""Pages of the manual that are made from the code each time it is built, so that they can't be stale."""

from __future__ import annotations

import importlib
from collections.abc import Iterator, Mapping
from typing import Any

import click

from ebbset._reference import GROUPS, home_of
from ebbset.console.app import COMMANDS, cli
from ebbset.controller.link.contract_documents import document, schema
from ebbset.controller.link.contract_rules import LINES


def pages() -> Mapping[str, str]:
    """All of them: address in the manual -> Markdown."""
    return {
        "reference/commands.md": "\n".join(_commands()),
        "reference/contract.md": "\n".join(_contract()),
        "reference/python.md": "\n".join(_python()),
    }


def _commands() -> Iterator[str]:
    yield "# Commands\n"
    yield "What each command says of itself with `--help`.\n"
    yield from _help("ebbset", cli, 2)
    for name, (module, _) in COMMANDS.items():
        command = importlib.import_module(f"ebbset.console.{module}").command
        yield from _help(f"ebbset {name}", command, 2)


def _help(path: str, command: click.Command, level: int) -> Iterator[str]:
    context = click.Context(command, info_name=path, max_content_width=100, terminal_width=100)
    yield f"\n{'#' * level} `{path}`\n"
    yield f"```text\n{command.get_help(context)}\n```"
    if isinstance(command, click.Group) and command is not cli:
        for name in command.list_commands(context):
            inner = command.get_command(context, name)
            if inner is not None:
                yield from _help(f"{path} {name}", inner, level + 1)


def _contract() -> Iterator[str]:
    told = document()
    yield f"# The wire contract, {told['info']['version']}\n"
    yield told["info"]["description"]
    yield "\nFor programs: [AsyncAPI document and JSON Schemas](../contract/asyncapi.json).\n"
    for line in LINES:
        yield f"\n## `{line.topic.value}`: {line.title}\n"
        yield f"Sent by the {line.sender} to `{told['channels'][line.name]['address']}`.\n"
        yield from _fields(schema(line))


def _fields(content: dict[str, Any]) -> Iterator[str]:
    if "description" in content:
        yield f"{content['description']}\n"
    if "properties" in content:
        yield from _table(content)
    for name, part in content.get("$defs", {}).items():
        if "properties" in part:
            yield f"\n**{part.get('title', name)}.** {part.get('description', '')}\n"
            yield from _table(part)


def _table(content: dict[str, Any]) -> Iterator[str]:
    required = content.get("required", ())
    yield "| member | type | required | meaning |"
    yield "|---|---|---|---|"
    for name, field in content["properties"].items():
        meaning = " ".join(str(field.get("description", "")).split()).replace("|", "\\|")
        yield f"| `{name}` | {_type(field)} | {'yes' if name in required else ''} | {meaning} |"


def _type(field: dict[str, Any]) -> str:
    if "$ref" in field:
        return str(field["$ref"]).rsplit("/", 1)[1]
    if "anyOf" in field:
        return " or ".join(_type(one) for one in field["anyOf"])
    if "const" in field:
        return f"`{field['const']}`"
    if field.get("type") == "array":
        return f"list of {_type(field['items'])}" if isinstance(field.get("items"), dict) else "list"
    return str(field.get("type", "any"))


def _python() -> Iterator[str]:
    yield "# Python\n"
    yield "The [public names](../api.md), with units and errors, from the code's own documentation."
    for heading, (_, names) in GROUPS.items():
        yield f"\n## {heading}\n"
        for name in names:
            yield f"::: {home_of(name)}\n"
