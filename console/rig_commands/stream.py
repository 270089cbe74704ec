"""``ebbset stream``: a rig's samples and a controller's decisions beside other instruments, as an observer."""

from __future__ import annotations

import asyncio
from typing import Any

import click

from ebbset.console.exits import Exit
from ebbset.console.rig_commands.broker_options import CREDENTIALS_HELP, broker_options, broker_settings


@click.command(name="stream", epilog=CREDENTIALS_HELP)
@broker_options
def command(rig: str, **values: Any) -> int:
    """Stream a rig's samples and decisions over the Lab Streaming Layer until it is stopped.

    A stream for each cable holds position, velocity, force and applied load, with units and the offset of the rig's
    clock in its description; a stream of markers holds stalls, decisions, repetitions and results. Whatever records
    streams (EMG, video, force plates) lines up with them. Controller and rig neither know nor need it, and a set goes
    on when it ends. Needs pip install 'ebbset[streams]'; docs/streams.md says what is in each stream.

    \b
    Examples:
      ebbset stream --rig north
      ebbset stream --rig north --host broker.lab --ca-file ca.pem
    """
    from ebbset.console.streams.observer import observe
    from ebbset.console.streams.outlets import LayerOutlets, layer_clock_s, markers_name, samples_name
    from ebbset.console.streams.stream_bridge import StreamBridge

    bridge = StreamBridge(rig, LayerOutlets(rig))

    def listening() -> None:
        click.echo(
            f"streaming {markers_name(rig)!r}, and {samples_name(rig, 0)!r} once the rig sends frames; Ctrl-C ends it"
        )

    try:
        asyncio.run(observe(broker_settings(**values), rig, bridge, layer_clock_s, listening=listening))
    except KeyboardInterrupt:
        if bridge.unreadable:
            click.echo(f"{bridge.unreadable} messages broke the contract and were left out", err=True)
    return int(Exit.OK)
