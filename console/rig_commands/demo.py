"""``ebbset demo``: show everything at once, on this machine, in about a minute."""

from __future__ import annotations

import asyncio
import datetime
from pathlib import Path
from typing import Final

import click

from ebbset.console.exits import CommandError, Exit

ATTEMPTS: Final = 3
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
def command(folder: Path) -> int:
    """Run one whole set: MQTT broker, virtual rig, controller and operator, over real TCP on this machine.

    Takes about a minute, because the set runs in real time. You see the set live, then each repetition, each decision
    with its reason, why the set ended, and where to find the recording and the page. At the end the recording runs
    through the controller again, and every decision must be the same.

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
        outcome = asyncio.run(demonstration.run(folder, console, prescription=order, profile=profile))
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
    console.print(f"\nAgain: ebbset replay {outcome.recording}; ebbset report {outcome.recording}", style="dim")
    return int(Exit.OK)
