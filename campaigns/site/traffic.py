"""What a set and a rig cost a centre, in bytes, as measured; and what follows for 10, 1,000 and 100,000 rigs.

Reports of a kept recording's sets go through two real Mosquittos with the bridge of examples/centre, and bytes of TCP
are counted between them; a real PostgreSQL takes the reports, then the recordings, and says how large its tables are.
`as_markdown` is the table in docs/centre.md.

Run as ``python -m campaigns.site.traffic [--write docs/centre.md]``; takes about a minute.
"""

from __future__ import annotations

import argparse
import asyncio
import json
import lzma
import sys
import tempfile
from dataclasses import dataclass
from pathlib import Path
from typing import Final

import aiomqtt
from sqlalchemy import inspect, text

from campaigns.faults.network import Relay
from campaigns.site.campaign import order_of
from campaigns.site.light_rig import LightRig
from campaigns.site.operator import SiteOperator
from ebbset.coaching.collecting.site_reports import SUBSCRIPTIONS, read_report
from ebbset.coaching.history.databases import reading
from ebbset.coaching.history.store import HistoryStore
from ebbset.controller.link.settings import ServeSettings
from ebbset.controller.service.serve import Served
from ebbset.controller.site.health import EVERY_S
from tests.support.brokers import free_port, mosquitto
from tests.support.centre_brokers import running, site_broker
from tests.support.postgres import postgres
from tests.support.site_messages import SOURCE, set_messages, set_reports

SETS: Final = 200
"""In the database."""
SENT: Final = 20
"""Over the bridge."""
RIGS: Final = (10, 1_000, 100_000)
RIGS_A_SITE: Final = 12
SETS_A_DAY: Final = 40
"""Of one rig; common practice, no source: ten people with four sets each."""
DAYS_A_YEAR: Final = 300
BUSY_SHARE: Final = 0.15
"""Of a day's sets that fall into its busiest hour; our judgement."""
MARK: Final = "<!-- made by campaigns.site.traffic -->"


@dataclass(frozen=True, slots=True)
class Measured:
    """Bytes of one set with the reports that it has: on the wire, recorded, and in a database; and of health."""

    messages: int
    wire_bytes: float
    health_bytes: float
    recording_bytes: int
    packed_bytes: int
    reports_stored_bytes: float
    recording_stored_bytes: float
    rig_bytes_per_s: float


async def wire_bytes(folder: Path) -> tuple[float, float]:
    """Bytes over the bridge for one set, and for one report of a site's health, without the heads of TCP and IP."""
    with mosquitto(folder) as centre:
        link, port = Relay(centre.port), free_port()
        await link.start()
        with running(site_broker(folder, port, link.port, password="not asked for")):
            healthy = dict.fromkeys(("served", "link_up", "rig_online", "set_armed"), True)
            rigs, workers = {f"rig{k}": healthy for k in range(RIGS_A_SITE)}, {"0": {"up": True, "restarts": 0}}
            health = json.dumps({"at_s": 1.7e9, "healthy": True, "rigs": rigs, "workers": workers}).encode()
            reports = [message for k in range(SENT) for message in set_reports("north", f"measured{k:06d}")]
            found = [
                await passed_bytes(link, centre.port, port, batch)
                for batch in (reports, [("ebbset-site/hall/health", health)] * SENT)
            ]
        await link.stop()
    return found[0] / SENT, found[1] / SENT


async def passed_bytes(link: Relay, centre: int, site: int, batch: list[tuple[str, bytes]]) -> int:
    """Bytes that went over the bridge for these messages and their acknowledgements.

    Args:
        link: between the brokers.
        centre: port of the centre's broker.
        site: port of the site's broker.
        batch: topics and payloads.
    """
    async with aiomqtt.Client("127.0.0.1", centre) as reader, aiomqtt.Client("127.0.0.1", site) as out:
        await reader.subscribe([(topic, 1) for topic in SUBSCRIPTIONS])
        before, arrived = link.bytes_passed, aiter(reader.messages)
        await asyncio.gather(*[out.publish(topic, payload, qos=1, timeout=60.0) for topic, payload in batch])
        for _ in batch:
            await anext(arrived)
        await asyncio.sleep(1.0)  # for the last acknowledgement
        return link.bytes_passed - before


async def rig_bytes_per_s(folder: Path, seconds: float = 10.0) -> float:
    """Bytes of payload and topic from and to one rig with a set under way, per second, at its own broker."""
    with mosquitto(folder) as broker:
        settings = ServeSettings.of(rig="north", broker={"port": broker.port}, recordings=folder / "recordings")
        stop, total = asyncio.Event(), 0
        serving = asyncio.create_task(Served(settings).run(stop))
        rig, person = LightRig("north", broker.port), SiteOperator(broker.port)
        await rig.start()
        await person.connect()
        await person.begin_set("north", order_of(500), 60.0)
        async with aiomqtt.Client("127.0.0.1", broker.port) as client:
            await client.subscribe("ebbset/v1/north/#")
            end_s = asyncio.get_running_loop().time() + seconds
            async for message in client.messages:
                if asyncio.get_running_loop().time() > end_s:
                    break
                assert isinstance(message.payload, bytes)
                total += len(message.payload) + len(message.topic.value)
        await person.ask("north", "stop")
        stop.set()
        await serving
        await rig.stop()
        person.close()
    return total / seconds


def stored_bytes(folder: Path) -> tuple[float, float, int]:
    """Bytes in PostgreSQL, tables and indices, for a set's reports and for its recording; and of the recording."""
    whole = lzma.decompress(SOURCE.read_bytes())
    path = folder / "kept.mcap"
    path.write_bytes(whole)
    with postgres() as cluster, HistoryStore.open(cluster.new_database()) as store:
        empty = size_of(store)
        for k in range(SETS):
            messages = set_messages("hall", "north", f"measured{k:06d}")
            store.add_reports([read_report(topic, payload, 1.7e9 + k) for topic, payload in messages])
        reports = size_of(store)
        store.add_recording(path)
        copies = copies_of(store)
        return (reports - empty) / SETS, (size_of(store) - reports) / copies, len(whole)


def copies_of(store: HistoryStore) -> int:
    """Multiply the rows of the one set that was added, so that pages of the database are filled; how many there are."""
    with store.engine.begin() as connection:
        for name in ("sets", "repetitions", "decisions"):
            columns = [column["name"] for column in inspect(connection).get_columns(name)]
            chosen = ", ".join("nonce || n" if column == "nonce" else column for column in columns)
            what = f"{name} ({', '.join(columns)}) SELECT {chosen} FROM {name}, generate_series(2, {SETS}) n"
            connection.execute(text(f"INSERT INTO {what}"))
    return SETS


def size_of(store: HistoryStore) -> int:
    """Bytes of all tables and indices."""
    sizes = "SELECT sum(pg_total_relation_size(tablename::regclass)) FROM pg_tables WHERE schemaname = 'public'"
    with reading(store.engine) as connection:
        return int(connection.execute(text(sizes)).scalar() or 0)


def measure() -> Measured:
    """Everything, once."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        a_set, health = asyncio.run(wire_bytes(folder))
        reports, recording, recorded = stored_bytes(folder)
        rig = asyncio.run(rig_bytes_per_s(folder))
    return Measured(
        len(set_reports("north", "measured000000")),
        a_set,
        health,
        recorded,
        len(SOURCE.read_bytes()),
        reports,
        recording,
        rig,
    )


def as_markdown(m: Measured) -> str:
    """What was measured, and what follows from it.

    Args:
        m: of one set and one site.
    """
    one = (
        f"Measured: a set of 20 repetitions is {m.messages} reports, {m.wire_bytes / 1e3:.1f} kB over the bridge "
        f"(without the heads of\nTCP and TLS) and {m.reports_stored_bytes / 1e3:.0f} kB in PostgreSQL with indices. "
        f"Its recording is {m.recording_bytes / 1e3:,.0f} kB\n({m.packed_bytes / 1e3:,.0f} kB packed by xz), "
        f"and {m.recording_stored_bytes / 1e3:.0f} kB in PostgreSQL once it is added. "
        f"The health of a site of\n{RIGS_A_SITE} rigs is {m.health_bytes / 1e3:.1f} kB every {EVERY_S:g} s. "
        f"At the site's own broker a rig with a set under way is\n"
        f"{m.rig_bytes_per_s / 1e3:.1f} kB/s (frames of 5 at 100 Hz)."
    )
    rows = ["| | " + " | ".join(f"{rigs:,} rigs" for rigs in RIGS) + " |", "|---" * (len(RIGS) + 1) + "|"]
    lines: dict[str, list[str]] = {}
    for rigs in RIGS:
        sites, sets = -(-rigs // RIGS_A_SITE), rigs * SETS_A_DAY
        year, busy, health = sets * DAYS_A_YEAR, sets * BUSY_SHARE / 3_600, sites / EVERY_S
        stored, all_stored = m.reports_stored_bytes, m.reports_stored_bytes + m.recording_stored_bytes
        for name, figure in (
            ("sites", f"{sites:,}"),
            ("sets a year, million", f"{year / 1e6:,.2f}"),
            ("messages a second, busiest hour", f"{busy * m.messages + health:,.1f}"),
            ("to the centre, busiest hour, kbit/s", f"{8e-3 * (busy * m.wire_bytes + health * m.health_bytes):,.1f}"),
            ("reports that wait after a day, all links cut, MB", f"{sets * m.wire_bytes / 1e6:,.0f}"),
            ("database a year, reports, GB", f"{year * stored / 1e9:,.1f}"),
            ("database a year, recordings added too, GB", f"{year * all_stored / 1e9:,.1f}"),
            ("recordings a year, TB", f"{year * m.recording_bytes / 1e12:,.2f}"),
            ("the same packed by xz, TB", f"{year * m.packed_bytes / 1e12:,.2f}"),
            ("recordings to the centre, even over a day, Mbit/s", f"{8e-6 * sets * m.recording_bytes / 86_400:,.2f}"),
        ):
            lines.setdefault(name, []).append(figure)
    rows += ["| " + " | ".join((name, *cells)) + " |" for name, cells in lines.items()]
    return one + "\n\n" + "\n".join(rows) + "\n"


def main() -> int:
    """Measure, print, and write if asked to."""
    parser = argparse.ArgumentParser(prog="python -m campaigns.site.traffic", description="Bytes per set and rig.")
    parser.add_argument("--write", type=Path)
    options = parser.parse_args()
    table = as_markdown(measure())
    sys.stdout.write(table)
    if options.write is not None:
        before, _, rest = options.write.read_text().partition(MARK)
        _, _, after = rest.partition(MARK)
        options.write.write_text(f"{before}{MARK}\n{table}{MARK}{after}")
    return 0


if __name__ == "__main__":
    sys.exit(main())
