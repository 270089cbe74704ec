"""``ebbset demo``: show everything at once, on this machine, in about a minute."""

from __future__ import annotations

import asyncio
import contextlib
import datetime
import signal
from collections.abc import AsyncIterator, Awaitable
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import click

from ebbset.console.exits import CommandError, Exit

if TYPE_CHECKING:
    from ebbset.console.live.demonstration import Outcome
    from ebbset.controller.link.settings import BrokerSettings
    from ebbset.models.contract.prescription import Prescription
    from ebbset.models.contract.profile import LifterProfile

ATTEMPTS: Final = 3
PAGE_PORT: Final = 8765
PAGE_ADDRESS: Final = f"http://127.0.0.1:{PAGE_PORT}/"
LOOK_S: Final = 300.0
"""How long the set waits for somebody to open the page."""
TOO_BUSY: Final = ("telemetry_lost", "lease_expired", "link_lost", "rig_lost", "rig_refused", None)
"""Reasons to end that come from this machine, not from the set."""


@click.command(name="demo")
@click.option(
    "--folder",
    type=click.Path(path_type=Path, file_okay=False),
    default=Path("recordings"),
    show_default=True,
    help="Folder for the recording, the page and the logs of the processes.",
)
@click.option("--page", "with_page", is_flag=True, help="Show the set in a browser too; it begins once one looks.")
def command(folder: Path, with_page: bool) -> int:
    """Run one whole set: MQTT broker, virtual rig, controller and operator, over real TCP on this machine.

    Takes about a minute, because the set runs in real time. You see the set live, then each repetition, each decision
    with its reason, why the set ended, and where to find the recording and the page. At the end the recording runs
    through the controller again, and every decision must be the same.

    With --page, the set can be watched in a browser, at the address that is shown; Ctrl-C ends the page afterwards.

    The rig and the lifter are simulated, and so is everything shown.
    """
    from ebbset.console.live import demonstration
    from ebbset.console.report.page import render
    from ebbset.console.report.prescription_text import prescription_lines
    from ebbset.console.report.sources import read_sources
    from ebbset.console.report.terminal_report import show
    from ebbset.console.terminal import Terminal
    from ebbset.controller.recording.replay import replay
    from ebbset.controller.recording.sources import open_recording
    from ebbset.controller.service.policy_registry import load_policies
    from ebbset.models.contract.cautions import as_text
    from ebbset.models.contract.prescription import Prescription
    from ebbset.models.contract.profile import LifterProfile

    console = Terminal()
    order_text, profile_text = demonstration.demo_files()
    order, profile = Prescription.from_toml(order_text), LifterProfile.from_toml(profile_text)
    console.print("Simulated throughout: rig, lifter, scenario and every figure. Nobody lifts.", style="italic")
    console.print("Broker, rig and controller are separate; they speak MQTT 3.1.1 over TCP on this machine.\n")
    for line in prescription_lines(order):
        console.print(f"  {line}", style="dim")
    console.print(f"\n{as_text(width=min(console.width, 100))}\n")
    console.print("The cautions are shown before every arming, and the recording says so.\n")
    console.print("Starting the processes; the first start on a machine compiles the simulator and takes longer.\n")
    for attempt in range(1, ATTEMPTS + 1):
        outcome = asyncio.run(
            in_browser(folder, console, order, profile)
            if with_page
            else demonstration.run(folder, console, prescription=order, profile=profile)
        )
        sources = read_sources([outcome.recording])
        reason = outcome.state.result.reason if outcome.state.result is not None else None
        if reason not in TOO_BUSY or attempt == ATTEMPTS:
            break
        console.print(
            f"This machine was too busy for a moment, so the set rightly ended ({reason}); the recording is "
            f"{outcome.recording}. Trying again.\n"
        )
    for source in sources:
        for item in source.sets:
            show(item, console)
    page = outcome.recording.with_suffix(".html")
    page.write_text(render(sources, made_at=datetime.datetime.now()), encoding="utf-8")
    console.print()
    console.print(f"Recording  {outcome.recording}")
    console.print(f"Page       {page}")
    report = replay(open_recording(outcome.recording), load_policies())
    if not report.reproduced:
        raise CommandError(f"the recording replays to different decisions: {report.difference}", Exit.NO)
    console.print(f"Replayed   {report.inputs} inputs led to the same {report.outputs} outputs again, bit for bit.")
    if not with_page:
        console.print(f"In a browser: ebbset demo --page, then open {PAGE_ADDRESS}")
    console.print(f"\nAgain: ebbset replay {outcome.recording}; ebbset report {outcome.recording}", style="dim")
    return int(Exit.OK)


async def in_browser(folder: Path, console: Any, order: Prescription, profile: LifterProfile) -> Outcome:
    """The same set with the page beside it; afterwards the page stays until somebody interrupts it.

    Args:
        folder: folder for recording, logs and the page's home.
        console: terminal that shows the live view.
        order: prescription to arm.
        profile: profile of the simulated lifter.
    """
    from ebbset.console.live import demonstration
    from ebbset.console.page.server import Page, access_for, bound

    stop = asyncio.Event()
    loop = asyncio.get_running_loop()
    home = folder / "page"
    access = access_for(
        "127.0.0.1", home=home, names=frozenset(), local_name="demonstration", certificate=None, key=None
    )

    @contextlib.asynccontextmanager
    async def page_beside(broker: BrokerSettings) -> AsyncIterator[Awaitable[None]]:
        page = Page(
            broker,
            home=home,
            store=f"sqlite:///{home / 'history.sqlite'}",
            access=access,
            recordings=folder,
            listening=bound("127.0.0.1", PAGE_PORT),
        )
        page.site.orders.know(order)
        serving = asyncio.create_task(page.run(stop))
        # The embedded broker loses a client that connects while another one subscribes, so one after the other.
        connected = asyncio.create_task(page.site.hub.until_connected())
        await asyncio.wait({connected, serving}, return_when=asyncio.FIRST_COMPLETED)
        connected.cancel()
        console.print(f"Open {page.address}rig/{demonstration.RIG}/lifter in a browser; the set begins when you look.")
        try:
            yield asyncio.wait_for(page.site.streams.looked_at(), LOOK_S)
            loop.add_signal_handler(signal.SIGINT, stop.set)
            console.print(f"The set is over. The page stays at {page.address} until you press Ctrl-C.")
            await stop.wait()
        finally:
            loop.remove_signal_handler(signal.SIGINT)
            stop.set()
            await asyncio.gather(serving, return_exceptions=True)

    return await demonstration.run(folder, console, prescription=order, profile=profile, beside=page_beside)
