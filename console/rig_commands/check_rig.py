"""``ebbset check-rig``: check a rig against the wire contract, with nobody under the load."""

from __future__ import annotations

import asyncio
import contextlib
import json
import sys
from pathlib import Path
from typing import Any

import click

from ebbset.console.exits import CommandError, Exit
from ebbset.console.progress import progress
from ebbset.console.rig_commands.broker_options import CREDENTIALS_HELP, broker_options, broker_settings
from ebbset.console.rig_commands.unattended_check import confirm_unattended, unattended_option

PULL_PACE_M_S = 0.4


class PromptedHands:
    """A person at the rig who follows instructions on the terminal and presses Enter after each step."""

    async def _ask(self, text: str) -> None:
        click.echo(f"\n  NOW: {text}\n       Press Enter when it is done. ", nl=False, err=True)
        await asyncio.get_running_loop().run_in_executor(None, sys.stdin.readline)

    async def pull_out(self, to_m: float) -> None:
        """Pull and hold."""
        await self._ask(f"pull the empty handle(s) out by about {to_m:g} m in one or two seconds, and HOLD them there.")

    async def bring_back(self) -> None:
        """Back to the dock."""
        await self._ask("bring the handle(s) back into the dock and let go.")

    async def press_stop(self) -> None:
        """The stop."""
        await self._ask("press the rig's own emergency stop, hands off the handle.")

    async def reset_stop(self) -> None:
        """Its reset."""
        await self._ask("reset the emergency stop.")

    async def power_cycle(self) -> None:
        """Power off and on."""
        await self._ask("cut the rig's power, count to two and give it back (press Enter right away).")


class BenchHands:
    """The hands at a virtual rig started with ``--hands``, controlled over its bench topic.

    Args:
        rig: name of the rig.
        broker: settings of the broker.
    """

    def __init__(self, rig: str, broker: Any) -> None:
        self._rig = rig
        self._broker = broker

    async def _do(self, what: str, wait_s: float = 0.1, **values: float) -> None:
        from ebbset.conformance.rig_client import open_rig_client
        from ebbset.simulators.rig.rig_link import hands_topic

        async with open_rig_client(self._rig, self._broker, unload_on_exit=False) as client:
            payload = json.dumps({"do": what, **values}).encode()
            await client.client.publish(hands_topic(self._rig), payload, qos=1)
        await asyncio.sleep(wait_s)

    async def pull_out(self, to_m: float) -> None:
        """Pull and hold."""
        await self._do("move_handle", to_m / PULL_PACE_M_S + 0.5, to_m=to_m, speed_m_s=PULL_PACE_M_S)

    async def begin_move(self, to_m: float, speed_m_s: float) -> None:
        """Begin to move the handle, and return at once.

        Args:
            to_m: position to move to, m of cable from the dock.
            speed_m_s: speed, m/s.
        """
        await self._do("move_handle", 0.0, to_m=to_m, speed_m_s=speed_m_s)

    async def bring_back(self) -> None:
        """Back to the dock."""
        await self._do("move_handle", 1.0 / PULL_PACE_M_S, to_m=0.0, speed_m_s=PULL_PACE_M_S)
        await self._do("let_go", 0.3)

    async def press_stop(self) -> None:
        """The stop."""
        await self._do("press_emergency_stop", 0.0)

    async def reset_stop(self) -> None:
        """Its reset."""
        await self._do("reset_emergency_stop", 0.0)

    async def power_cycle(self) -> None:
        """Power off and on."""
        await self._do("reboot", 0.0)


@click.command(name="check-rig", epilog=CREDENTIALS_HELP)
@broker_options
@click.option(
    "--hands",
    type=click.Choice(["prompt", "bench", "none"]),
    default="prompt",
    show_default=True,
    help="Who moves the empty handle, presses the stop and switches the rig off: you, when prompted; the bench topic "
    "of a virtual rig; or nobody, which skips those checks.",
)
@click.option(
    "--load",
    "load_n",
    type=click.FloatRange(50, 500),
    default=120.0,
    show_default=True,
    help="Test load, newtons per cable; never more than half the rig's maximum.",
)
@unattended_option
@click.option("--report", "report_file", type=click.Path(path_type=Path), help="Also write the report to this file.")
@click.option("--json", "as_json", is_flag=True, help="One JSON object instead of text.")
def command(
    rig: str,
    hands: str,
    load_n: float,
    nobody_under_load: bool,
    report_file: Path | None,
    as_json: bool,
    **values: Any,
) -> int:
    """Check a rig, real or virtual, against the wire contract, and say in words what is wrong with it.

    More than fifty named checks cover announcement and will, schemas, sampling, clock, signs and units, ramps, a load
    that is held, refusals, lease, dock, emergency stop and reboot. Each says why it matters and how to fix a rig that
    fails it. The rig is loaded and unloaded many times: NOBODY may be at the handle. Stop the rig's controller first.
    Takes about a minute.

    \b
    Exit code 0 when every check passed, 1 when one failed or was skipped, 4 without a broker.

    \b
    Examples:
      ebbset check-rig --rig north
      ebbset check-rig --rig north --report north.txt
      ebbset rig --rig try --nobody --hands   and in another terminal
      ebbset check-rig --rig try --hands bench --nobody-under-load
    """
    confirm_unattended(nobody_under_load)

    import aiomqtt

    from ebbset.conformance.kit import check_rig
    from ebbset.console import logs

    logs.configure()
    broker = broker_settings(**values)
    at_rig: Any = None
    if hands != "none":
        at_rig = PromptedHands() if hands == "prompt" else BenchHands(rig, broker)
    try:
        # Where a person is prompted, the prompts are the progress, and a bar would write over them.
        with contextlib.nullcontext() if hands == "prompt" else progress(f"checking rig {rig}"):
            report = asyncio.run(check_rig(rig, broker, hands=at_rig, load_n=load_n))
    except (aiomqtt.MqttError, OSError) as error:
        where = f"{broker.host}:{broker.resolved_port}"
        raise CommandError(f"the broker at {where} cannot be used: {error}", Exit.UNREACHABLE) from None
    if report_file is not None:
        report_file.write_text(report.as_text() + "\n", encoding="utf-8")
    if as_json:
        click.echo(json.dumps(report.as_json(), indent=2, ensure_ascii=False))
    else:
        click.echo(report.as_text())
    return int(Exit.OK if report.conforms else Exit.NO)
