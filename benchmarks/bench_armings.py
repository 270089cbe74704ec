"""What fifty armings in one moment cost the sets under way on the same worker: armings in turns, over all at once.

Light rigs (`campaigns.site.light_rig`) on a site with one worker: fifty that are armed in one moment, again and again,
and a few with a set under way, at which the delay from a frame to the command that cites it is measured. The figure of
a burst is its longest delay. The same is done, in turns, with a worker whose armings wait for nobody.
"""

from __future__ import annotations

import asyncio
import gc
import pathlib
import statistics
import sys
import tempfile
import time
from dataclasses import dataclass, field, replace
from typing import Final

from benchmarks.bench_site import MOST_LEFT_OUT, SAFETY, SETTLE_S, SITE, WORKER, Hall, hall
from benchmarks.claims import Claim
from campaigns.site.campaign import order_of
from tests.support.brokers import free_port, mosquitto

ARMED: Final = 50
EVERY: Final = 8
"""Each eighth rig has a set under way. Rigs send their frames one millisecond apart, so that these share the 50."""
BURSTS: Final = 6
TURNS: Final = 2
AFTER_S: Final = 0.1
"""A command that was due during a burst has come by then, or the burst was that much longer."""

AT_ONCE: Final = (
    """
import contextlib
from ebbset.controller.service.arming_turns import ArmingTurns
ArmingTurns.turn = lambda self: contextlib.nullcontext()
"""
    + WORKER
)


@dataclass
class Bursts:
    """Longest delay of each burst, and when the last rig was armed, s."""

    longest_s: list[float] = field(default_factory=list)
    took_s: list[float] = field(default_factory=list)


async def burst(found: Hall, arming: list[str], heard_s: list[float]) -> float:
    """Arm all of them in one moment; how long that took, s.

    Args:
        found: the hall.
        arming: names of the rigs.
        heard_s: emptied before it begins, so that it then holds the delays beside it.
    """
    order = order_of(500, SAFETY)
    heard_s.clear()
    began_s = time.perf_counter()
    answers = await asyncio.gather(
        *(found.person.ask(rig, "arm", cautions_shown=True, prescription=order) for rig in arming)
    )
    took_s = time.perf_counter() - began_s
    refused = [answer for answer in answers if answer is None or not answer["accepted"]]
    if refused:
        raise SystemExit(f"{len(refused)} rigs were not armed; the first was answered {refused[0]}")
    await asyncio.sleep(AFTER_S)
    return took_s


async def site(worker: str) -> Bursts:
    """Bursts at a site with one worker.

    Args:
        worker: its program.
    """
    total = ARMED + -(-ARMED // (EVERY - 1))
    names = [f"rig{k}" if k % EVERY else f"probe{k}" for k in range(total)]
    arming = [name for name in names if name.startswith("rig")][:ARMED]
    measured, left_out = Bursts(), 0
    with tempfile.TemporaryDirectory() as name, mosquitto(pathlib.Path(name)) as broker:
        settings = pathlib.Path(name) / "site.toml"
        settings.write_text(
            f"workers = 1\n[broker]\nport = {broker.port}\n[metrics]\nport = {free_port()}\n"
            + "".join(f"[rigs.{rig}]\n" for rig in names)
        )
        process = await asyncio.create_subprocess_exec(
            *(sys.executable, "-c", SITE, str(settings), worker),
            stdout=asyncio.subprocess.DEVNULL,
            stderr=asyncio.subprocess.DEVNULL,
        )
        try:
            async with hall(broker.port, names) as found:
                probes = {rig: found.rigs[rig] for rig in names if rig not in arming}
                heard_s: list[float] = []
                for probe in probes.values():
                    probe.heard = heard_s.append
                # The first burst is left out: recordings that have no set yet need no new file.
                while len(measured.took_s) <= BURSTS:
                    if left_out > MOST_LEFT_OUT:
                        raise SystemExit("the machine is too busy to measure a site: sets ended in most bursts")
                    await replace(found, rigs=probes).begin()
                    took_s = await burst(found, arming, heard_s)
                    if heard_s and all(probe.loaded for probe in probes.values()):
                        measured.took_s.append(took_s)
                        measured.longest_s.append(max(heard_s))
                    else:
                        left_out += 1
                    await asyncio.gather(*(found.person.ask(rig, "stop") for rig in arming))
                    await asyncio.sleep(SETTLE_S)
        finally:
            process.terminate()
            await process.wait()
    return Bursts(measured.longest_s[1:], measured.took_s[1:])


async def turns() -> list[tuple[Bursts, Bursts]]:
    """In turns and at once, beside each other."""
    # Else a full collection here would be taken for a delay of the worker.
    gc.collect()
    gc.freeze()
    return [(await site(WORKER), await site(AT_ONCE)) for _ in range(TURNS)]


def main() -> list[Claim]:
    done = asyncio.run(turns())
    pairs = [(statistics.median(one.longest_s), statistics.median(other.longest_s)) for one, other in done]
    in_turns_s, at_once_s = (statistics.median(values) for values in zip(*pairs, strict=True))
    took_s = [statistics.median(s for pair in done for s in pair[k].took_s) for k in (0, 1)]
    return [
        Claim(
            f"site: longest sample to command beside {ARMED} armings, in turns",
            statistics.median(one / other for one, other in pairs),
            "x",
            0.5,
            at_most=True,
            note=f"of that beside all at once: {in_turns_s * 1e3:.1f} ms against {at_once_s * 1e3:.1f} ms; "
            f"all were armed after {took_s[0]:.2f} s against {took_s[1]:.2f} s",
        )
    ]
