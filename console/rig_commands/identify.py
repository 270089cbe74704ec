"""``ebbset identify``: measure a rig's ramp, bandwidth and friction from the outside."""

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
from ebbset.console.progress import progress
from ebbset.console.rig_commands.broker_options import CREDENTIALS_HELP, broker_options, broker_settings
from ebbset.console.rig_commands.unattended_check import confirm_unattended, unattended_option

ROWS = (
    ("ramp", "ramp_n_per_s", "N/s", 0),
    ("delay of the drive", "lag_s", "s", 4),
    ("bandwidth of the drive", "bandwidth_hz", "Hz", 1),
    ("friction, Coulomb", "coulomb_n", "N", 1),
    ("friction, viscous", "viscous_n_s_m", "N per m/s", 1),
    ("offset of the force", "offset_n", "N", 1),
)
"""Label, field of the result, unit, decimals."""


@click.command(name="identify", epilog=CREDENTIALS_HELP)
@broker_options
@click.option(
    "--hands",
    type=click.Choice(["prompt", "bench"]),
    default="prompt",
    show_default=True,
    help="Who moves the handle out and back at the requested speeds: you, when prompted; or the bench topic of a "
    "virtual rig that was started with --nobody --hands.",
)
@click.option(
    "--repeats", type=click.IntRange(2, 50), default=10, show_default=True, help="How often to run each ramp."
)
@click.option(
    "--speed",
    "speeds_m_s",
    type=click.FloatRange(0.1, 1.5),
    multiple=True,
    default=(0.15, 0.3, 0.45, 0.6),
    show_default=True,
    help="Speed in m/s at which the handle moves out and back, twice; repeat for each further speed, at least two.",
)
@unattended_option
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
    """Measure how steeply a rig ramps, how late its drive follows, and how much friction it has.

    For people who build or tune a rig, or who want a virtual rig that behaves like it. It uses only the wire contract,
    so it works with any rig that reports force, real or virtual. A recording of a set would not do, because nothing in
    a set separates the drive from the lifter.

    First the handle rests in its dock and the load goes up and down, to half of the rig's maximum: NOBODY may be at
    the handle. Then a hand moves it out and back under a light load, a few times the rig's minimum. Keep the rig's own
    stop within reach. Run `ebbset check-rig` first, and stop the rig's controller. Takes two minutes with the defaults.
    Each figure comes with the standard deviation that the measurement implies; one that cannot be told is null in JSON,
    with the reason beside it.

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
            f"--speed is only {speeds_m_s[0]:g}; allowed: at least two speeds, to separate the two kinds of friction."
        )
    confirm_unattended(nobody_under_load)

    from ebbset.conformance.identification.identify import identify
    from ebbset.conformance.identification.quantities import NotIdentifiedError
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
            with contextlib.nullcontext() if hands == "prompt" else progress(f"measuring rig {rig}"):
                found = identify(access, repeats=repeats, speeds_m_s=speeds_m_s)
        except NotIdentifiedError as error:
            raise CommandError(f"the rig could not be identified: {error}", Exit.NO) from None
    if as_json:
        told = {
            "rig": rig,
            "announced": dataclasses.asdict(announced),
            "cables": [dataclasses.asdict(one) for one in found],
        }
        click.echo(json.dumps(told, indent=2, allow_nan=False))
    else:
        _show(rig, announced, found)
    return int(Exit.OK)


def _prompt(move: Any) -> None:
    """Prompt the person at the terminal, who presses Enter and begins to move."""
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
            if estimate is None:
                click.echo(f"  {label:<24}{'cannot be told':>14}{beside}")
                continue
            click.echo(f"  {label:<24}{estimate.value:>10.{places}f} ± {estimate.sd:.{places}f} {unit}{beside}")
        click.echo(f"  {'overshoot':<24}{one.overshoot:>10.0%} of a change of load".replace("%", " %"))
        click.echo(f"  {'noise of the force':<24}{one.force_noise_n:>10.1f} N, standard deviation")
        for remark in one.cannot_be_told:
            click.echo(f"  note: {remark}")
