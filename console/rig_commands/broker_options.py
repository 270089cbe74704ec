"""Options for broker and rig, shared by all commands that connect.

Credentials are never options: they come from the environment or from a file that only its owner can read.
"""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any, TypeVar

import click

from ebbset.console.exits import CommandError, Exit

F = TypeVar("F", bound=Callable[..., Any])

CREDENTIALS_HELP = """\b
The broker's user name and password come from EBBSET_MQTT_USERNAME and EBBSET_MQTT_PASSWORD in the environment, or
from the file that --credentials-file names, never from the command line."""


def _rig_name(_ctx: click.Context, _param: click.Parameter, value: str) -> str:
    """Check with the contract's own rule that the name can be part of a topic."""
    from pydantic import TypeAdapter, ValidationError

    from ebbset.models.contract.field_types import RigName
    from ebbset.models.contract.problems import problems_of

    try:
        return str(TypeAdapter(RigName).validate_python(value))
    except ValidationError as error:
        problem = problems_of(error)[0]
        raise click.BadParameter(f"{problem.value}; allowed: {problem.allowed}") from None


def broker_options(function: F) -> F:
    """Add ``--rig`` and the options of `connection_options`.

    The function receives ``rig``; the other values are for `broker_settings`.
    """
    return click.option(
        "--rig",
        default="rig1",
        show_default=True,
        callback=_rig_name,
        help="Name of the rig, as in its topics: a letter or digit, then also dot, hyphen and underscore.",
    )(connection_options(function))


def connection_options(function: F) -> F:
    """Add ``--host``, ``--port``, ``--protocol``, ``--tls/--no-tls``, ``--ca-file``, ``--credentials-file``.

    The values are for `broker_settings`.
    """
    for option in reversed(
        (
            click.option("--host", default="127.0.0.1", show_default=True, help="Host of the broker."),
            click.option("--port", type=int, help="Port of the broker; by default 8883 with TLS, 1883 without."),
            click.option(
                "--protocol",
                type=click.Choice(["3.1.1", "5"]),
                default="3.1.1",
                show_default=True,
                help="MQTT version.",
            ),
            click.option(
                "--tls/--no-tls",
                default=None,
                help="Use TLS; by default, for every broker that is not on this machine.",
            ),
            click.option(
                "--ca-file", type=click.Path(path_type=Path), help="Certificates to trust instead of the system's."
            ),
            click.option(
                "--credentials-file",
                type=click.Path(path_type=Path),
                help="TOML with username and password, readable by its owner only.",
            ),
        )
    ):
        function = option(function)
    return function


def broker_settings(**values: Any) -> Any:
    """Make `BrokerSettings` from the options; missing ones take their defaults.

    Args:
        values: values of the options, by name; None for one that was not given.

    Raises:
        CommandError: a value is not allowed.
    """
    from pydantic import ValidationError

    from ebbset.console.exits import as_command_error
    from ebbset.controller.link.settings import BrokerSettings
    from ebbset.models.contract.problems import BadDocumentError, problems_of

    try:
        return BrokerSettings.model_validate({key: value for key, value in values.items() if value is not None})
    except ValidationError as error:
        found = as_command_error(BadDocumentError("broker", problems_of(error)))
        raise CommandError(found.message, Exit.USAGE) from None
