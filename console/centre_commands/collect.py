"""``ebbset collect``: gather what sites report into a store, at a centre."""

from __future__ import annotations

import signal
from pathlib import Path
from typing import Any

import click

from ebbset.console.exits import Exit
from ebbset.console.history_commands.history import store_options, store_url
from ebbset.console.rig_commands.broker_options import CREDENTIALS_HELP, broker_settings, connection_options


@click.command(name="collect", epilog=CREDENTIALS_HELP)
@store_options
@click.option(
    "--name",
    default="ebbset-collect",
    show_default=True,
    help="Under which the broker keeps messages for this program; no two programs may use one.",
)
@connection_options
def command(home: Path, store: str | None, name: str, **values: Any) -> int:
    """Gather results, decisions, repetitions and health of sites into a store, until it is stopped.

    Sites' brokers pass on what their controllers report (docs/centre.md). Nothing is sent to a site. A report that
    comes twice, late or in another order leaves the same rows; while this program or the database is away, the broker
    keeps what arrives.

    \b
    Examples:
      ebbset collect --host broker.example --store postgresql://collector@db.example/ebbset
      ebbset collect                     # the broker on this machine, the store in the home folder

    Log lines go to standard error: readable at a terminal, JSON elsewhere.
    """
    from ebbset.coaching.collecting.collector import Collector
    from ebbset.coaching.history.store import HistoryStore
    from ebbset.console import logs

    logs.configure()
    broker = broker_settings(**values)
    with HistoryStore.open(store_url(home, store)) as opened:
        collector = Collector(broker, opened, name)
        for number in (signal.SIGINT, signal.SIGTERM):
            signal.signal(number, lambda _number, _frame: collector.stop())
        collector.run()
    click.echo(", ".join(f"{count} {kind}" for kind, count in sorted(collector.counts.items())) or "nothing came")
    return int(Exit.OK)
