"""``ebbset identify``: a rig's ramp, bandwidth and friction, found from the outside."""

from __future__ import annotations

import asyncio
import contextlib
import dataclasses
import json
import sys
from collections.abc import Callable
from typing import Any

import click

from ebbset.console.exits import CommandError, Exit
from ebbset.console.rig_commands.broker_options import CREDENTIALS_HELP, broker_options, broker_settings
from ebbset.console.rig_commands.unattended_check import confirm_unattended

ROWS = (
    ("ramp", "ramp_n_per_s", "N/s", 0),
    ("delay of the drive", "lag_s", "s", 4),
    ("bandwidth of the drive", "bandwidth_hz", "Hz", 1),
    ("friction, Coulomb", "coulomb_n", "N", 1),
    ("friction, viscous", "viscous_n_s_m", "N per m/s", 1),
    ("offset of the force", "offset_n", "N", 1),
)
"""What people read, field of the result, unit, decimals."""


@click.command(name="identify", epilog=CREDENTIALS_HELP)
@broker_options
@click.option(
    "--hands",
    type=click.Choice(["prompt", "bench"]),
    default="prompt",
    show_default=True,
    help="Who moves the handle out and back at the speeds asked for: you, when asked; or the bench topic of a virtual "
    "rig that was started with --nobody --hands.",
)
@click.option(
    "--repeats", type=click.IntRange(2, 50), default=10, show_default=True, help="How often each ramp is run."
)
@click.option(
    "--speed",
    "speeds_m_s",
    type=click.FloatRange(0.1, 1.5),
    multiple=True,
    default=(0.15, 0.3, 0.45, 0.6),
    show_default=True,
    help="Speed in m/s at which the handle is moved, out and back twice; again for each further speed, two at least.",
)
@click.option(
    "--nobody-under-load",
    is_flag=True,
    help="Say that nobody is at the handle unless asked to move it; without it you are asked.",
)
@click.option("--json", "as_json", is_flag=True, help="One JSON object instead of text.")
def command(
    rig: str,
    hands: str,
    repeats: int,
    speeds_m_s: tuple[float, ...],
    nobody_under_load: bool,
    as_json: bool,
    **values: Any,
) -> int:
    """Find out what a rig is: how steeply it ramps, how late its drive follows, how much friction it has.

    For whoever builds or tunes a rig, or wants a virtual one that behaves like it. Only the wire contract is used, so
    it runs on any rig that reports force, real or virtual; a recording of a set would not do, since nothing in a set
    tells the drive from the lifter.

    First the handle rests in its dock and the load goes up and down, to half of the rig's maximum: NOBODY may be at
    the handle. Then a hand moves it out and back under a light load, a few times as heavy as the rig's least. Keep
    the rig's own stop within reach. Stop the rig's controller first; run `ebbset check-rig` before. Takes a minute and
    a half at the defaults. Each figure comes with the standard deviation that the measurement implies.

    \b
    Exit code 0 when the rig was identified, 1 when it could not be, 4 without a broker or an announcement.

    \b
    Examples:
      ebbset identify --rig north
      ebbset rig --rig try --nobody --hands   and in another terminal
      ebbset identify --rig try --hands bench --nobody-under-load
    """
    if len(set(speeds_m_s)) < 2:
        raise click.UsageError(
            f"--speed is {speeds_m_s[0]:g} alone; allowed: two speeds or more, to tell frictions apart."
        )
    confirm_unattended(nobody_under_load)

    from ebbset.conformance.identification import NotIdentifiedError, identify
    from ebbset.conformance.rig_access import MqttAccess
    from ebbset.console import logs

    logs.configure()
    broker = broker_settings(**values)
    access = MqttAccess(broker, rig, ask=_prompt if hands == "prompt" else _bench(rig, broker))
    with contextlib.ExitStack() as stack:
        try:
            stack.enter_context(access)
        except NotIdentifiedError as error:
            raise CommandError(f"rig {rig}: {error}", Exit.UNREACHABLE) from None
        try:
            announced = access.facts
            found = identify(access, repeats=repeats, speeds_m_s=speeds_m_s)
        except NotIdentifiedError as error:
            raise CommandError(f"the rig could not be identified: {error}", Exit.NO) from None
    if as_json:
        told = {
            "rig": rig,
            "announced": dataclasses.asdict(announced),
            "cables": [dataclasses.asdict(one) for one in found],
        }
        click.echo(json.dumps(told, indent=2))
    else:
        _show(rig, announced, found)
    return int(Exit.OK)


def _prompt(move: Any) -> None:
    """Ask the person at the terminal; they begin to move as they press Enter."""
    if move.to_m <= 0.0:
        text = "bring the handle(s) back into the dock, let go, and press Enter."
    else:
        text = (
            f"take the handle(s), press Enter, and at once move to {move.to_m:g} m of cable, steadily at about "
            f"{move.speed_m_s:g} m/s."
        )
    click.echo(f"\n  NOW: {text} ", nl=False, err=True)
    sys.stdin.readline()


def _bench(rig: str, broker: Any) -> Callable[[Any], None]:
    from ebbset.console.rig_commands.check_rig import BenchHands

    hands = BenchHands(rig, broker)

    def ask(move: Any) -> None:
        if move.to_m <= 0.0:
            asyncio.run(hands.bring_back())
        else:
            asyncio.run(hands.begin_move(move.to_m, move.speed_m_s))

    return ask


def _show(rig: str, announced: Any, found: Any) -> None:
    for k, one in enumerate(found):
        click.echo(f"{rig}{' (simulated)' if announced.simulated else ''}, cable {k}; mean ± standard deviation")
        for label, name, unit, places in ROWS:
            estimate = getattr(one, name)
            beside = f"   announced {announced.max_ramp_n_per_s:.0f} N/s" if name == "ramp_n_per_s" else ""
            click.echo(f"  {label:<24}{estimate.value:>10.{places}f} ± {estimate.sd:.{places}f} {unit}{beside}")
        click.echo(f"  {'overshoot':<24}{one.overshoot:>10.0%} of a change of load".replace("%", " %"))
        click.echo(f"  {'noise of the force':<24}{one.force_noise_n:>10.1f} N, standard deviation")
