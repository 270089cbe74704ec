"""``ebbset serve``: run the controller of one rig, or of all rigs of a site, until it is stopped."""

from __future__ import annotations

import asyncio
import contextlib
import signal
import sys
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
    help="TOML file with all settings below; it replaces all other options except --fact. One with a table of rigs "
    "serves all of them (docs/site.md).",
)
@broker_options
@click.option(
    "--recordings",
    type=click.Path(path_type=Path, file_okay=False),
    default=Path("recordings"),
    show_default=True,
    help="Folder for recordings, one file per set; created if missing.",
)
@click.option("--prescription", type=click.Path(path_type=Path), help="Used when an arm request has none.")
@click.option("--profile", type=click.Path(path_type=Path), help="Used when an arm request has none.")
@click.option(
    "--simulated-profile",
    is_flag=True,
    help="Arm a real rig with a profile made from simulated sets, which is refused otherwise.",
)
@click.option(
    "--fact",
    "facts",
    multiple=True,
    metavar="NAME=VALUE",
    callback=_facts,
    help="Fact to write into every recording, e.g. site=hall_2; repeat for further facts.",
)
def command(settings_file: Path | None, rig: str, facts: dict[str, str], **values: Any) -> int:
    """Run the controller for one rig: listen to it, regulate sets, record everything, until interrupted.

    Starting it arms nothing. A person arms and starts a set with `ebbset request`, from this machine or another. If you
    interrupt the controller during a set, it first stops the set and unloads the rig. Every set gets its own recording;
    if it cannot be written, the next set cannot be armed. If the rig announces itself as simulated, as `ebbset rig`
    does, recordings and reports say so.

    \b
    Examples:
      ebbset serve --rig north --prescription row.toml
      ebbset serve --settings north.toml
      ebbset serve --settings site.toml     # many rigs, metrics, health

    Log lines go to standard error: readable at a terminal, JSON elsewhere.
    """
    from ebbset.console import logs
    from ebbset.controller.link.settings import ServeSettings
    from ebbset.controller.recording.regular_files import read_document
    from ebbset.controller.service.documents import read_prescription, read_profile
    from ebbset.controller.service.serve import serve
    from ebbset.controller.site.site_settings import is_for_a_site

    logs.configure()
    if settings_file is not None and is_for_a_site(read_document(settings_file)):
        if facts:
            raise click.BadParameter("a site takes none; allowed: --fact with one rig", param_hint="--fact")
        return _serve_site(settings_file)
    if settings_file is not None:
        settings = ServeSettings.from_toml(read_document(settings_file), what=str(settings_file))
    else:
        files = {name: values.pop(name) for name in ("prescription", "profile")}
        own = {name: values.pop(name) for name in ("recordings", "simulated_profile")}
        settings = ServeSettings.of(rig=rig, broker=broker_settings(**values), **own, **files)
    # Read them here too, so that errors in a file appear before anything connects.
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


def _serve_site(settings_file: Path) -> int:
    """Supervise the workers of a site; the worker's program is a module of this package.

    Args:
        settings_file: with a table of rigs.
    """
    from ebbset.controller.site.supervisor import Supervisor

    supervisor = Supervisor(settings_file, (sys.executable, "-m", "ebbset.console.rig_commands.site_worker"))
    page: contextlib.AbstractContextManager[object] = contextlib.nullcontext()
    if supervisor.settings.metrics is not None:
        from ebbset.console.metrics.page import metrics_page

        page = metrics_page(supervisor.settings.metrics, lambda: supervisor.figures)

    async def until_stopped() -> int:
        stop = asyncio.Event()
        loop = asyncio.get_running_loop()
        for number in (signal.SIGINT, signal.SIGTERM):
            loop.add_signal_handler(number, stop.set)
        loop.add_signal_handler(signal.SIGHUP, supervisor.reload)
        return await supervisor.run(stop)

    with page:
        return int(Exit.OK if asyncio.run(until_stopped()) == 0 else Exit.DEFECT)
