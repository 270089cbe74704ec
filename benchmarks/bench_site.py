"""What a further rig costs in one service, and whether rigs disturb each other: ratios measured in one run.

The load comes from light rigs (`campaigns.site.light_rig`), all with a set under way, in frames of 5 at 100 Hz. First
a process with one rig as `ebbset serve --rig` runs it, for its processor time. Then a site with one rig, and one with
fifty and as many workers as it begins by itself: processor time and memory of the difference, workers taken together;
the delay from a frame to the command that cites it, measured at two probe rigs; and that delay again while another rig
floods with 1,000 messages a second. All of it is done in turns, and each claim is the median of their ratios. A worker
sends probe rigs no ticks, so that each renewal of their leases follows a frame, and can be timed from it. Processor
time and memory are read from /proc (proc(5)), so this runs on Linux only.

Sets begin one after the other; `bench_armings` measures what fifty armings in one moment cost. Telemetry may be silent
for as long as a lease, since the load and the broker run on the same processors. What is measured is measured in
windows of some seconds. One in which a set ended is left out and told, since a set that has ended costs next to
nothing; then that set is begun again. Only the rig that floods may lose its own set: most of its frames are left out
with the flood.
"""

from __future__ import annotations

import asyncio
import contextlib
import gc
import os
import pathlib
import statistics
import sys
import tempfile
import time
from collections import Counter
from collections.abc import AsyncIterator, Iterable, Sequence
from dataclasses import dataclass, field
from typing import Any, Final

from benchmarks.claims import Claim
from campaigns.site.campaign import order_of
from campaigns.site.light_rig import LightRig, Trouble
from campaigns.site.operator import SiteOperator
from tests.support.brokers import free_port, mosquitto

RIGS: Final = 50
PROBES: Final = ("probe0", "probe1")
TURNS: Final = 2
WINDOW_S: Final = 5.0
WINDOWS: Final = 4
"""Of each kind and turn; twice as many with one rig, which has one probe, not two."""
MOST_LEFT_OUT: Final = 8
SETTLE_S: Final = 2.0
"""From the start of a set until its load stands and the recorded lifter moves."""
SAFETY: Final = {"lease_ms": 600, "telemetry_timeout_ms": 600}
COMMANDS_PER_S: Final = 6.0
"""Of a probe: its lease of 600 ms is renewed at the first frame after a quarter of it."""

WORKER = """
import asyncio
from ebbset.console.rig_commands.site_worker import loop_factory
from ebbset.controller.service import serve
from ebbset.controller.site.worker import run_worker
plain = serve.Served._tick_all
async def rare(self):
    while True:
        await asyncio.sleep(0.1 if self._unarmed.is_set() else 5.0)
        self.inbox.tick()
serve.Served._tick_all = lambda self: rare(self) if self.settings.rig.startswith("probe") else plain(self)
with asyncio.Runner(loop_factory=loop_factory()) as runner:
    runner.run(run_worker())
"""
SITE = """
import asyncio, pathlib, signal, sys
from ebbset.controller.site.supervisor import Supervisor
async def main():
    stop = asyncio.Event()
    asyncio.get_running_loop().add_signal_handler(signal.SIGTERM, stop.set)
    await Supervisor(pathlib.Path(sys.argv[1]), (sys.executable, "-c", sys.argv[2])).run(stop)
asyncio.run(main())
"""


@dataclass
class Measured:
    """Processor time, s per s; memory, bytes; delays from frame to command, s; windows left out."""

    costs: list[float] = field(default_factory=list)
    memory: int = 0
    delays_s: list[float] = field(default_factory=list)
    flooded_s: list[float] = field(default_factory=list)
    left_out: int = 0

    @property
    def processor(self) -> float:
        """Processor time of a window, s per s."""
        return statistics.median(self.costs)

    @staticmethod
    def p99(values: list[float]) -> float:
        return statistics.quantiles(values, n=100)[98]


def lasting_order() -> dict[str, Any]:
    """A set that lasts longer than the recorded lifter, who has twenty repetitions in a minute and then holds still."""
    told = order_of(500, SAFETY)
    told["stop"]["max_duration_s"] = 600.0
    told["budget"]["capacity_loss"] = 0.95
    told["stop"]["max_pause_s"] = 100.0
    return told


@dataclass
class Hall:
    """Light rigs, and the person who begins their sets."""

    person: SiteOperator
    rigs: dict[str, LightRig]

    async def begin(self) -> None:
        """Begin a set on each rig that has none under way."""
        ended = [name for name, rig in self.rigs.items() if not rig.loaded]
        for name in ended:
            await self.person.begin_set(name, lasting_order(), 60.0)
        if ended:
            await asyncio.sleep(SETTLE_S)

    async def measure(self, pids: Sequence[int], windows: int, flooding: LightRig | None = None) -> Measured:
        """Measure a process while all sets are under way.

        Args:
            pids: of the processes, taken together.
            windows: how many are wanted, and as many again while one rig floods.
            flooding: the rig that then does.
        """
        found, done = Measured(), Counter[bool]()
        probes = [self.rigs[name] for name in PROBES if name in self.rigs]
        while done[False] < windows or (flooding is not None and done[True] < windows):
            if found.left_out > MOST_LEFT_OUT:
                raise SystemExit("the machine is too busy to measure a site: sets ended in most windows")
            await self.begin()
            delays_s: list[float] = []
            for probe in probes:
                probe.heard = delays_s.append
            # In turns, since the recorded lifter moves for a minute only.
            flooded = flooding is not None and done[True] < done[False]
            if flooding is not None and flooded:
                flooding.trouble = Trouble.FLOOD
            cost = await cost_of(pids, WINDOW_S)
            if flooding is not None:
                flooding.trouble = Trouble.NONE
            if not all(rig.loaded for rig in self.rigs.values() if rig is not flooding or not flooded):
                found.left_out += 1
                continue
            done[flooded] += 1
            if flooded:
                found.flooded_s += delays_s
            else:
                found.costs.append(cost)
                found.delays_s += delays_s
        found.memory = sum(private_bytes(pid) for pid in pids)
        return found


@contextlib.asynccontextmanager
async def hall(port: int, names: list[str]) -> AsyncIterator[Hall]:
    """A hall with these rigs, on a broker that listens at a port."""
    person = SiteOperator(port)
    await person.connect()
    rigs = {name: LightRig(name, port) for name in names}
    try:
        for k, rig in enumerate(rigs.values()):
            await rig.start(k * 0.001)
        for name in names:
            await person.until(name, lambda reports: reports.state.get("state") == "idle", 120.0)
        yield Hall(person, rigs)
    finally:
        for rig in rigs.values():
            await rig.stop()
        person.close()


def processor_s(pid: int) -> float:
    """Processor time of a process so far: user and system time of all its threads."""
    fields = pathlib.Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()
    return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")


def private_bytes(pid: int) -> int:
    """Memory that belongs to a process alone."""
    lines = pathlib.Path(f"/proc/{pid}/smaps_rollup").read_text().splitlines()
    return sum(int(line.split()[1]) * 1024 for line in lines if line.startswith("Private_"))


def children(pid: int) -> list[int]:
    """Process ids of the children of a process."""
    return [int(word) for word in pathlib.Path(f"/proc/{pid}/task/{pid}/children").read_text().split()]


async def cost_of(pids: Sequence[int], seconds: float) -> float:
    """Processor time of processes per second, taken together."""
    before, began = sum(map(processor_s, pids)), time.perf_counter()
    await asyncio.sleep(seconds)
    return (sum(map(processor_s, pids)) - before) / (time.perf_counter() - began)


async def alone() -> Measured:
    """One rig in a process of its own."""
    with tempfile.TemporaryDirectory() as name, mosquitto(pathlib.Path(name)) as broker:
        program = str(pathlib.Path(sys.executable).with_name("ebbset"))
        where = ("--port", str(broker.port), "--recordings", f"{name}/recordings")
        process = await asyncio.create_subprocess_exec(
            *(program, "serve", "--rig", "alone", *where), stderr=asyncio.subprocess.DEVNULL
        )
        try:
            async with hall(broker.port, ["alone"]) as found:
                return await found.measure([process.pid], WINDOWS)
        finally:
            process.terminate()
            await process.wait()


async def site(names: list[str], windows: int, *, flood: bool = False) -> Measured:
    """A site with as many workers as it begins by itself; the last rig may flood."""
    with tempfile.TemporaryDirectory() as name, mosquitto(pathlib.Path(name)) as broker:
        settings = pathlib.Path(name) / "site.toml"
        settings.write_text(
            f"[broker]\nport = {broker.port}\n[metrics]\nport = {free_port()}\n"
            + "".join(f"[rigs.{rig}]\n" for rig in names)
        )
        process = await asyncio.create_subprocess_exec(
            *(sys.executable, "-c", SITE, str(settings), WORKER),
            stdout=asyncio.subprocess.DEVNULL,
            stderr=asyncio.subprocess.DEVNULL,
        )
        try:
            async with hall(broker.port, names) as found:
                flooding = found.rigs[names[-1]] if flood else None
                measured = await found.measure(children(process.pid), windows, flooding)
        finally:
            process.terminate()
            await process.wait()
    probes = sum(name in PROBES for name in names)
    least = int(0.6 * windows * WINDOW_S * COMMANDS_PER_S * probes)
    if len(measured.delays_s) < least or (flood and len(measured.flooded_s) < least):
        raise SystemExit(
            f"{len(measured.delays_s)} and {len(measured.flooded_s)} commands were timed; allowed: {least} or more"
        )
    return measured


@dataclass(frozen=True)
class Turn:
    """What was measured beside each other."""

    process: Measured
    one: Measured
    many: Measured

    @property
    def further(self) -> float:
        """Processor time of a further rig, s per s."""
        return (self.many.processor - self.one.processor) / (RIGS - 1)

    @property
    def memory_mb(self) -> float:
        """Memory of a further rig."""
        return (self.many.memory - self.one.memory) / (RIGS - 1) / 1e6

    @property
    def p99_ms(self) -> tuple[float, float, float]:
        """Delay with one rig, with many, and with many while one of them floods."""
        p99 = Measured.p99
        return p99(self.one.delays_s) * 1e3, p99(self.many.delays_s) * 1e3, p99(self.many.flooded_s) * 1e3


async def turns() -> list[Turn]:
    """All turns; the claims are medians of them."""
    # Else a full collection here would be taken for a delay of the worker.
    gc.collect()
    gc.freeze()
    names = [*PROBES, *(f"rig{k}" for k in range(RIGS - len(PROBES)))]
    return [
        Turn(await alone(), await site(names[:1], 2 * WINDOWS), await site(names, WINDOWS, flood=True))
        for _ in range(TURNS)
    ]


def claims(done: list[Turn]) -> list[Claim]:
    """The claims, from all turns.

    Args:
        done: the turns.
    """

    def middle(values: Iterable[float]) -> float:
        return statistics.median(values)

    one_ms, many_ms, flooded_ms = (middle(values) for values in zip(*(turn.p99_ms for turn in done), strict=True))
    further, process = middle(turn.further for turn in done), middle(turn.process.processor for turn in done)
    left_out = sum(one.left_out for turn in done for one in (turn.process, turn.one, turn.many))
    return [
        Claim(
            "site: processor time of a further rig, over a process of its own",
            middle(turn.further / turn.process.processor for turn in done),
            "x",
            0.4,
            at_most=True,
            note=f"{further:.2%} of a core against {process:.2%}",
        ),
        Claim(
            "site: memory of a further rig",
            middle(turn.memory_mb for turn in done),
            "MB",
            4.0,
            at_most=True,
            note=f"{RIGS} rigs against one; {left_out} windows left out",
        ),
        Claim(
            f"site: sample to command, p99, {RIGS} rigs over one",
            middle(turn.p99_ms[1] / turn.p99_ms[0] for turn in done),
            "x",
            2.0,
            at_most=True,
            note=f"{many_ms:.2f} ms against {one_ms:.2f} ms",
        ),
        Claim(
            "site: the same while another rig floods, over without",
            middle(turn.p99_ms[2] / turn.p99_ms[1] for turn in done),
            "x",
            1.5,
            at_most=True,
            note=f"{flooded_ms:.2f} ms against {many_ms:.2f} ms",
        ),
    ]


def main() -> list[Claim]:
    return claims(asyncio.run(turns()))
