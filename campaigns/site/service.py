"""The service under test: broker, settings file, `ebbset serve` as its users run it, and its metrics over time.

Never here: rigs, people, faults, judgement.
"""

from __future__ import annotations

import asyncio
import json
import signal
import sys
import time
from collections import Counter
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Final

from prometheus_client.parser import text_string_to_metric_families

from campaigns.faults.sightings import scrape
from campaigns.faults.site import Site
from tests.support.brokers import free_port

READY_S: Final = 120.0
SCRAPE_S: Final = 1.0
STOP_S: Final = 25.0
"""What systemd gives in examples/systemd."""
Sample = tuple[str, tuple[tuple[str, str], ...]]


@dataclass(slots=True)
class ScrapedTotals:
    """Counters added up over scrapes, across the restarts that put them back to zero; gauges as last seen."""

    totals: Counter[Sample] = field(default_factory=Counter)
    last: dict[Sample, float] = field(default_factory=dict)
    scrapes: int = 0

    def take(self, text: str) -> None:
        """Add one scrape; an empty one, of a service that does not answer, is left out."""
        if not text:
            return
        self.scrapes += 1
        for family in text_string_to_metric_families(text):
            for sample in family.samples:
                key = sample.name, tuple(sorted(sample.labels.items()))
                before = self.last.get(key, 0.0)
                self.totals[key] += sample.value - before if sample.value >= before else sample.value  # type: ignore[assignment]
                self.last[key] = sample.value

    def total(self, name: str, **labels: str) -> float:
        """The total of all samples with these labels.

        Args:
            name: of the metric.
            labels: values that some labels have.
        """
        wanted = labels.items()
        return sum(
            value for (found, told), value in self.totals.items() if found == name and wanted <= dict(told).items()
        )


@dataclass(slots=True)
class SiteService:
    """A broker and `ebbset serve` with many rigs. All files lie in ``folder``."""

    folder: Path
    rigs: list[str]
    workers: int
    metrics_port: int = field(default_factory=free_port)
    scraped: ScrapedTotals = field(default_factory=ScrapedTotals)
    process: asyncio.subprocess.Process | None = None
    lines: list[dict[str, Any]] = field(default_factory=list)
    _broker: Site = field(init=False)
    _news: asyncio.Event = field(default_factory=asyncio.Event)
    _tasks: list[asyncio.Task[None]] = field(default_factory=list)

    def __post_init__(self) -> None:
        self._broker = Site(self.folder)

    @property
    def port(self) -> int:
        """Of the broker."""
        return self._broker.port

    @property
    def settings(self) -> Path:
        """The settings file."""
        return self.folder / "site.toml"

    @property
    def recordings(self) -> Path:
        """Where all rigs are recorded."""
        return self.folder / "recordings"

    def write_settings(self, more: str = "") -> None:
        """Write the settings for the rigs of now, as an editor would: a new file in the place of the old one.

        Args:
            more: lines before the rigs.
        """
        text = f"workers = {self.workers}\n{more}[broker]\nport = {self.port}\n[metrics]\nport = {self.metrics_port}\n"
        new = self.settings.with_suffix(".new")
        new.write_text(text + "".join(f'[rigs."{rig}"]\n' for rig in self.rigs), encoding="utf-8")
        new.replace(self.settings)

    async def start(self) -> None:
        """Broker and service; returns when every rig is served.

        Raises:
            TimeoutError: that took too long.
        """
        await self._broker.start_broker()
        self.write_settings()
        program = Path(sys.executable).with_name("ebbset")
        self.process = await asyncio.create_subprocess_exec(
            *(str(program), "serve", "--settings", str(self.settings)), stderr=asyncio.subprocess.PIPE, limit=2**20
        )
        self._tasks = [asyncio.create_task(self._read_log()), asyncio.create_task(self._scrape())]
        if not await self.until(lambda: self.said("site_ready"), READY_S):
            raise TimeoutError(f"the site is not ready after {READY_S:g} s; its last lines: {self.lines[-3:]}")

    def said(self, event: str, **members: Any) -> list[dict[str, Any]]:
        """Log lines about one thing.

        Args:
            event: its name.
            members: values that the line has.
        """
        return [line for line in self.lines if line.get("event") == event and members.items() <= line.items()]

    def pid_of(self, worker: int) -> int:
        """Process id of a worker, as last logged."""
        return int(self.said("worker_begun", worker=worker)[-1]["pid"])

    async def until(self, condition: Any, timeout_s: float) -> bool:
        """Wait until a condition over the log holds; whether it did in time.

        Args:
            condition: looked at after every line.
            timeout_s: how long to wait, seconds.
        """
        try:
            async with asyncio.timeout(timeout_s):
                while not condition():
                    self._news.clear()
                    await self._news.wait()
        except TimeoutError:
            return bool(condition())
        return True

    async def stop(self) -> tuple[int | None, float]:
        """Ask the service to stop; its exit code, None when it had to be killed, and the seconds it took."""
        began_s = time.monotonic()
        code: int | None = None
        if self.process is not None:
            for text in await scrape([self.metrics_port]):
                self.scraped.take(text)
            if self.process.returncode is None:
                self.process.send_signal(signal.SIGTERM)
            try:
                code = await asyncio.wait_for(self.process.wait(), STOP_S)
            except TimeoutError:
                self.process.kill()
                await self.process.wait()
        took_s = time.monotonic() - began_s
        for task in self._tasks[1:]:
            task.cancel()
        await asyncio.gather(*self._tasks, return_exceptions=True)
        await self._broker.stop()
        return code, took_s

    async def _read_log(self) -> None:
        assert self.process is not None
        assert self.process.stderr is not None
        with (self.folder / "service.log").open("ab") as log:
            while line := await self.process.stderr.readline():
                log.write(line)
                try:
                    self.lines.append(json.loads(line))
                except ValueError:
                    self.lines.append({"event": "unstructured", "text": line.decode(errors="replace")})
                self._news.set()

    async def _scrape(self) -> None:
        while True:
            await asyncio.sleep(SCRAPE_S)
            for text in await scrape([self.metrics_port]):
                self.scraped.take(text)
