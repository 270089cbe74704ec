"""What a further rig costs in one service, and whether rigs disturb each other: ratios measured in one run.

The load comes from light rigs (`campaigns.site.light_rig`), all with a set under way, in frames of 5 at 100 Hz. First
a process with one rig as `ebbset serve --rig` runs it, for its processor time. Then a site of one worker with one rig,
and with fifty: processor time and memory of the difference; the delay from a frame to the command that cites it,
measured at two probe rigs; and that delay again while another rig floods with 1,000 messages a second. All of it is
done in turns, and each claim is the median of their ratios. The worker sends probe rigs no ticks, so that each renewal
of their leases follows a frame, and can be timed from it. Processor time and memory are read from /proc (proc(5)), so
this runs on Linux only.

Sets begin one after the other, since fifty armings in one moment keep a worker longer than telemetry may be silent; and
telemetry may be silent for as long as a lease, since the load and the broker run on the same processors.
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
from collections.abc import AsyncIterator, Iterable
from dataclasses import dataclass, field
from typing import Any, Final

from benchmarks.claims import Claim
from campaigns.site.campaign import order_of
from campaigns.site.light_rig import LightRig, Trouble
from campaigns.site.operator import SiteOperator
from tests.support.brokers import free_port, mosquitto

RIGS: Final = 50
PROBES: Final = ("probe0", "probe1")
TURNS: Final = 3
FURTHER_TRIES: Final = 2
"""Turns that are made again when the machine ended a set: such a set costs next to nothing."""
MEASURE_S: Final = 20.0
"""With the time that fifty sets take to begin, less than the minute in which the recorded lifter moves."""
ONE_S: Final = 2 * MEASURE_S
"""With one rig there is one probe, not two."""
SETTLE_S: Final = 3.0
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


class EndedEarlyError(Exception):
    """The machine ended a set, or kept the probes from being timed; says what came of it."""


@dataclass
class Measured:
    """Processor time, s per s; memory, bytes; delays from frame to command, s."""

    processor: float = 0.0
    memory: int = 0
    delays_s: list[float] = field(default_factory=list)
    flooded_s: list[float] = field(default_factory=list)

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


@contextlib.asynccontextmanager
async def lifting(port: int, names: list[str]) -> AsyncIterator[dict[str, LightRig]]:
    """Light rigs with sets under way."""
    person = SiteOperator(port)
    await person.connect()
    rigs = {name: LightRig(name, port) for name in names}
    try:
        for k, rig in enumerate(rigs.values()):
            await rig.start(k * 0.001)
        for name in names:
            await person.until(name, lambda reports: reports.state.get("state") == "idle", 120.0)
        for name in names:
            await person.begin_set(name, lasting_order(), 60.0)
        await asyncio.sleep(SETTLE_S)
        yield rigs
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


def only_child(pid: int) -> int:
    """Process id of the one child of a process."""
    return int(pathlib.Path(f"/proc/{pid}/task/{pid}/children").read_text())


async def cost_of(pid: int, seconds: float) -> float:
    """Processor time of a process per second."""
    before, began = processor_s(pid), time.perf_counter()
    await asyncio.sleep(seconds)
    return (processor_s(pid) - before) / (time.perf_counter() - began)


async def alone() -> float:
    """Processor time of one rig in a process of its own, per second."""
    with tempfile.TemporaryDirectory() as name, mosquitto(pathlib.Path(name)) as broker:
        program = pathlib.Path(sys.executable).with_name("ebbset")
        process = await asyncio.create_subprocess_exec(
            *(
                str(program),
                "serve",
                "--rig",
                "alone",
                "--port",
                str(broker.port),
                "--recordings",
                f"{name}/recordings",
            ),
            stderr=asyncio.subprocess.DEVNULL,
        )
        try:
            async with lifting(broker.port, ["alone"]) as rigs:
                cost = await cost_of(process.pid, MEASURE_S)
                if not rigs["alone"].loaded:
                    raise EndedEarlyError("the set of one rig alone has ended early")
                return cost
        finally:
            process.terminate()
            await process.wait()


async def site(rigs: int, seconds: float, *, flood: bool) -> Measured:
    """A site of one worker, the probes among its rigs."""
    names = [*PROBES, *(f"rig{k}" for k in range(rigs))][:rigs] if rigs > 1 else [PROBES[0]]
    found = Measured()
    with tempfile.TemporaryDirectory() as name, mosquitto(pathlib.Path(name)) as broker:
        settings = pathlib.Path(name) / "site.toml"
        settings.write_text(
            f"workers = 1\n[broker]\nport = {broker.port}\n[metrics]\nport = {free_port()}\n"
            + "".join(f"[rigs.{rig}]\n" for rig in names)
        )
        process = await asyncio.create_subprocess_exec(
            *(sys.executable, "-c", SITE, str(settings), WORKER),
            stdout=asyncio.subprocess.DEVNULL,
            stderr=asyncio.subprocess.DEVNULL,
        )
        try:
            async with lifting(broker.port, names) as light:
                worker = only_child(process.pid)
                probes = [light[probe] for probe in PROBES if probe in light]
                for probe in probes:
                    probe.heard = found.delays_s.append
                found.processor = await cost_of(worker, seconds)
                found.memory = private_bytes(worker)
                if flood:
                    light[names[-1]].trouble = Trouble.FLOOD
                    for probe in probes:
                        probe.heard = found.flooded_s.append
                    await asyncio.sleep(seconds)
                under_way = sum(rig.loaded for rig in light.values())
        finally:
            process.terminate()
            await process.wait()
    # A set that has ended costs next to nothing, so that figures would look better than they are.
    if under_way < len(names):
        raise EndedEarlyError(f"{under_way} of {len(names)} sets were under way at the end; allowed: all of them")
    least = int(0.6 * seconds * COMMANDS_PER_S * len(probes))
    if len(found.delays_s) < least or (flood and len(found.flooded_s) < least):
        raise EndedEarlyError(
            f"{len(found.delays_s)} and {len(found.flooded_s)} commands were timed; allowed: {least} or more"
        )
    return found


@dataclass(frozen=True)
class Turn:
    """What was measured beside each other."""

    process: float
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
    done: list[Turn] = []
    for left in reversed(range(TURNS + FURTHER_TRIES)):
        try:
            done.append(
                Turn(
                    await alone(),
                    await site(1, ONE_S, flood=False),
                    await site(RIGS, MEASURE_S, flood=True),
                )
            )
        except EndedEarlyError as error:
            print(f"site: made again: {error}", file=sys.stderr)
            if left + len(done) < TURNS:
                raise SystemExit("the machine is too busy to measure a site") from None
        if len(done) == TURNS:
            break
    return done


def claims(done: list[Turn]) -> list[Claim]:
    """The claims, from all turns.

    Args:
        done: the turns.
    """

    def middle(values: Iterable[float]) -> float:
        return statistics.median(values)

    one_ms, many_ms, flooded_ms = (middle(values) for values in zip(*(turn.p99_ms for turn in done), strict=True))
    further, process = middle(turn.further for turn in done), middle(turn.process for turn in done)
    return [
        Claim(
            "site: processor time of a further rig, over a process of its own",
            middle(turn.further / turn.process for turn in done),
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
            note=f"{RIGS} rigs against one",
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
