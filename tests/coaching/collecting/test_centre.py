"""Reports from a site to a centre with the configuration of examples/centre: two real Mosquittos, a real collector
process, a real PostgreSQL. Links are cut, programs killed, messages doubled and reordered; then rows are counted."""

from __future__ import annotations

import asyncio
import json
import os
import signal
import subprocess
import sys
from collections import Counter
from collections.abc import Iterator
from pathlib import Path
from random import Random

import aiomqtt
import pytest
from sqlalchemy import func, select

from campaigns.faults.network import Relay
from ebbset.coaching.history.databases import StoreError, reading
from ebbset.coaching.history.store import HistoryStore
from ebbset.coaching.history.tables import ReportedSet, ReportEntry, SiteHealth
from ebbset.console.exits import Exit
from tests.support.brokers import free_port
from tests.support.centre_brokers import EXAMPLES, ExampleBroker, site_broker
from tests.support.operators import PATIENCE_S
from tests.support.postgres import Postgres, postgres
from tests.support.site_messages import set_reports

pytestmark = pytest.mark.broker
SETS_A_PHASE = 4


class Centre:
    """The centre's broker, the link to it, the site's broker, the database and the collector."""

    def __init__(self, folder: Path, cluster: Postgres) -> None:
        self.cluster = cluster
        self.url = cluster.new_database()
        self.port, self.site_port = free_port(), free_port()
        self.link = Relay(self.port, port=free_port())
        passwords, access = folder / "passwords", folder / "access"
        for k, (name, word) in enumerate((("collector", "one"), ("hall", "two"))):
            made = ["mosquitto_passwd", *(["-c"] if k == 0 else []), "-b", str(passwords), name, word]
            subprocess.run(made, check=True, capture_output=True)
        access.write_text((EXAMPLES / "access").read_text())
        listener = f"{self.port} 127.0.0.1"
        places = {"listener": listener, "password_file": str(passwords), "acl_file": str(access)}
        self.broker = ExampleBroker(folder, "centre", places)
        self.site = site_broker(folder, self.site_port, self.link.port, "two")
        self.log_path = folder / "collector.log"
        self.log = self.log_path.open("ab")
        self.collector: subprocess.Popen[bytes] | None = None

    def collect(self) -> None:
        """Start `ebbset collect` as its users do."""
        program = Path(sys.executable).with_name("ebbset")
        self.collector = subprocess.Popen(
            [str(program), "collect", "--port", str(self.port), "--store", self.url],
            env={**os.environ, "EBBSET_MQTT_USERNAME": "collector", "EBBSET_MQTT_PASSWORD": "one"},
            stdout=subprocess.PIPE,
            stderr=self.log,
        )

    def end(self) -> None:
        if self.collector is not None:
            self.collector.kill()
            self.collector.communicate()
        self.site.stop()
        self.broker.stop()
        self.log.close()

    async def publish(self, messages: list[tuple[str, bytes]]) -> None:
        async with aiomqtt.Client("127.0.0.1", self.site_port) as client:
            for topic, payload in messages:
                await client.publish(topic, payload, qos=1)

    async def until_said(self, event: str, times: int = 1) -> None:
        """Wait until the collectors' log has this event so many times."""
        async with asyncio.timeout(PATIENCE_S):
            while self.log_path.read_text().count(f'"{event}"') < times:  # noqa: ASYNC110 - a file announces nothing
                await asyncio.sleep(0.1)

    def counted(self) -> tuple[int, int]:
        """Rows of reports and of sets."""
        with HistoryStore.open(self.url) as store, reading(store.engine) as connection:
            counts = [
                connection.execute(select(func.count()).select_from(t)).scalar() for t in (ReportEntry, ReportedSet)
            ]
        return counts[0] or 0, counts[1] or 0

    async def until(self, reports: int, sets: int) -> None:
        """Wait until so many rows are there."""
        async with asyncio.timeout(2 * PATIENCE_S):
            while await asyncio.to_thread(self.counted) != (reports, sets):  # noqa: ASYNC110 - rows announce nothing
                await asyncio.sleep(0.2)


@pytest.fixture
def cluster() -> Iterator[Postgres]:
    """A PostgreSQL that this test may stop."""
    with postgres() as running:
        yield running


def doubled(phase: int) -> list[tuple[str, bytes]]:
    """The reports of some sets, each twice, in no order."""
    messages = [one for k in range(SETS_A_PHASE) for one in set_reports(f"rig{k % 3}", f"phase{phase}set{k:04d}")]
    messages += messages
    Random(phase).shuffle(messages)
    return messages


async def test_nothing_is_lost_and_nothing_comes_twice_whatever_fails_on_the_way(
    tmp_path: Path, cluster: Postgres
) -> None:
    centre = Centre(tmp_path, cluster)
    sent: list[tuple[str, bytes]] = []

    async def publish(phase: int) -> None:
        messages = doubled(phase)
        sent.extend(messages)
        await centre.publish(messages)

    def done() -> tuple[int, int]:
        return len(set(sent)), len({payload for topic, payload in sent if topic.endswith("/result")})

    try:
        centre.broker.start()
        await centre.link.start()
        centre.site.start()
        centre.collect()
        # From its first connection on the broker keeps what arrives for the collector.
        await centre.until_said("collecting")
        await publish(0)
        await centre.until(*done())
        # The link is cut; meanwhile the site's broker is stopped and begun again.
        await centre.link.stop()
        await publish(1)
        centre.site.stop()
        centre.site.start()
        await publish(2)
        assert await asyncio.to_thread(centre.counted) == (len(set(doubled(0))), SETS_A_PHASE)
        await centre.link.start()
        await centre.until(*done())
        # The collector is killed while reports come, and stays away for the next.
        publishing = asyncio.create_task(publish(3))
        await asyncio.sleep(0.2)
        assert centre.collector is not None
        centre.collector.kill()
        centre.collector.communicate()
        await publishing
        centre.collect()
        # The one that was killed may have written everything, so the rows do not tell that this one is there.
        await centre.until_said("collecting", times=2)
        await centre.until(*done())
        # The database is stopped while reports come, and more come while it is away.
        publishing = asyncio.create_task(publish(4))
        await asyncio.sleep(0.2)
        cluster.stop()
        await publishing
        with pytest.raises(StoreError):
            await asyncio.to_thread(centre.counted)
        await publish(5)
        await centre.until_said("store_not_usable")
        cluster.start()
        await centre.until(*done())
        # Everything once more: nothing changes.
        again = list(sent)
        Random(9).shuffle(again)
        await centre.publish(again)
        await centre.publish([("ebbset-site/hall/health", json.dumps({"at_s": 7.0, "healthy": True}).encode())])
        async with asyncio.timeout(PATIENCE_S):
            # Health was sent last over the same bridge, so that all before it has arrived when it has.
            while not await asyncio.to_thread(health_of, centre.url):  # noqa: ASYNC110
                await asyncio.sleep(0.2)
        assert await asyncio.to_thread(centre.counted) == done()
        centre.collector.send_signal(signal.SIGTERM)
        told, _ = await asyncio.to_thread(centre.collector.communicate, timeout=PATIENCE_S)
        assert centre.collector.returncode == Exit.OK
        counts = {kind: int(count) for count, kind in (one.split() for one in told.decode().strip().split(", "))}
        assert (counts["refused"], counts["health"]) == (0, 1)
        # All of it came once more at the end; what this collector did not write itself, the one before it had.
        assert counts["known"] >= len(set(sent))
        assert counts["new"] >= len(set(doubled(5)))
    finally:
        await centre.link.stop()
        centre.end()
    kinds = Counter(topic.rpartition("/")[2] for topic, _ in set(sent))
    with HistoryStore.open(centre.url) as store:
        rows = store.dump()
    assert Counter(row[3] for row in rows["reports"]) == kinds
    assert {row[6] for row in rows["reports"]} == {payload.decode() for _, payload in sent}
    assert {row[1] for row in rows["reports"]} == {"hall"}
    assert "Traceback" not in centre.log_path.read_text()


def health_of(url: str) -> list[str]:
    with HistoryStore.open(url) as store, reading(store.engine) as connection:
        return list(connection.execute(select(SiteHealth.site)).scalars())
