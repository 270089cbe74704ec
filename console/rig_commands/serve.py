"""``ebbset serve``: the controller of one rig, until it is stopped."""

from __future__ import annotations

import asyncio
import signal
from pathlib import Path
from typing import Any

import click

from ebbset.console.exits import Exit
from ebbset.console.rig_commands.broker_options import CREDENTIALS_HELP, broker_options, broker_settings


def _facts(_ctx: click.Context, _param: click.Parameter, values: tuple[str, ...]) -> dict[str, str]:
    facts = {}
    for value in values:
        name, sign, fact = value.partition("=")
        if not sign or not name.isidentifier():
            raise click.BadParameter(f"{value!r}; allowed: NAME=VALUE, the name in letters, digits and underscores")
        facts[name] = fact
    return facts


@click.command(name="serve", epilog=CREDENTIALS_HELP)
@click.option(
    "--settings",
    "settings_file",
    type=click.Path(path_type=Path),
    help="TOML with everything below; given, it takes the place of all other options but --fact.",
)
@broker_options
@click.option(
    "--recordings",
    type=click.Path(path_type=Path, file_okay=False),
    default=Path("recordings"),
    show_default=True,
    help="Folder that recordings go to, one file a set; made when missing.",
)
@click.option("--prescription", type=click.Path(path_type=Path), help="Used when an arm request brings none.")
@click.option("--profile", type=click.Path(path_type=Path), help="Used when an arm request brings none.")
@click.option(
    "--fact",
    "facts",
    multiple=True,
    metavar="NAME=VALUE",
    callback=_facts,
    help="Written into every recording, e.g. site=hall_2; may be given several times.",
)
def command(settings_file: Path | None, rig: str, facts: dict[str, str], **values: Any) -> int:
    """Run the controller for one rig: listen to it, regulate sets, record everything, until interrupted.

    Nothing is armed by starting it. A person arms and starts a set with `ebbset request`, from here or elsewhere. When
    it is interrupted during a set, the set is stopped and the rig unloaded first. Every set goes into a recording of
    its own; where one cannot be written, the next set cannot be armed. A rig that announces itself as simulated, as
    `ebbset rig` does, has recordings and reports that say so.

    \b
    Examples:
      ebbset serve --rig north --prescription row.toml
      ebbset serve --settings north.toml

    Log lines go to standard error: for people at a terminal, as JSON elsewhere.
    """
    from ebbset.console import logs
    from ebbset.controller.link.settings import ServeSettings
    from ebbset.controller.service.documents import read_prescription, read_profile, read_text
    from ebbset.controller.service.serve import serve

    logs.configure()
    if settings_file is not None:
        settings = ServeSettings.from_toml(read_text(settings_file), what=str(settings_file))
    else:
        files = {name: values.pop(name) for name in ("prescription", "profile")}
        recordings = values.pop("recordings")
        settings = ServeSettings.of(rig=rig, broker=broker_settings(**values), recordings=recordings, **files)
    # Read here too, for the errors that name every field, before anything is connected.
    if settings.prescription is not None:
        read_prescription(settings.prescription)
    if settings.profile is not None:
        read_profile(settings.profile)

    async def until_stopped() -> int:
        stop = asyncio.Event()
        loop = asyncio.get_running_loop()
        for number in (signal.SIGINT, signal.SIGTERM):
            loop.add_signal_handler(number, stop.set)
        return await serve(settings, stop=stop, facts=facts)

    return int(Exit.OK if asyncio.run(until_stopped()) == 0 else Exit.DEFECT)
