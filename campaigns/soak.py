"""Soak test: many rigs, many sets, one broker and random faults; did memory stay flat, and was anything lost?

Eight virtual rigs with their controllers, each a process of its own, share one Mosquitto. Sets are armed and started
one after the other; now and then a link or a rig fails and is restored. Afterwards every recording is read: each
decision that was reported on the wire must be in one, and none may break an invariant. Each controller's memory at the
end is compared with that after the first quarter.

Run as ``python -m campaigns.soak [--rigs 8] [--sets 10] [--json FILE]``; exits 1 when a check fails.
"""

from __future__ import annotations

import argparse
import asyncio
import contextlib
import json
import sys
import tempfile
import time
from dataclasses import asdict, dataclass, field
from pathlib import Path
from typing import Any, Final

import aiomqtt
import numpy as np

from campaigns.faults.site import Site
from ebbset.controller.messages.actions import Decision
from ebbset.controller.recording.reader import read_recording
from ebbset.models.contract.prescription import Prescription
from ebbset.simulators.closed_loop.invariant_monitor import InvariantMonitor

GROWTH_ALLOWED_MB: Final = 8.0
SET_S: Final = 60.0
MENDING_S: Final = 10.0
FAULT_PART: Final = 0.35
ORDER: Final = Prescription.model_validate(
    {
        "name": "Soak",
        "exercise": "row",
        "load": {"start_n": 750.0, "floor_n": 300.0, "ramp_n_per_s": 1_500.0},
        "drop": {"policy": "fixed_fraction", "parameters": {"fraction": 0.25}},
        "stop": {"max_repetitions": 6, "max_drops": 2, "max_duration_s": 40.0, "max_pause_s": 4.0},
    }
)


@dataclass(slots=True)
class Tally:
    """Results of one rig. Memory in megabytes."""

    rig: str
    sets: int = 0
    faults: int = 0
    told: int = 0
    recorded: int = 0
    missing: int = 0
    endings: dict[str, int] = field(default_factory=dict)
    breaches: list[str] = field(default_factory=list)
    early_mb: float = 0.0
    late_mb: float = 0.0


def resident_mb(pid: int) -> float:
    """Resident memory of a process, megabytes; 0 if it is gone."""
    with contextlib.suppress(OSError, IndexError):
        return int(Path(f"/proc/{pid}/statm").read_text(encoding="ascii").split()[1]) * 4_096 / 1e6
    return 0.0


class SoakSite(Site):
    """A site with its own rig name that shares another site's broker."""

    async def start_broker(self) -> None:
        """Start nothing: the broker belongs to another site."""


async def soak_one(site: SoakSite, sets: int, rng: np.random.Generator) -> Tally:
    """Run all sets of one rig.

    Args:
        site: the rig's site.
        sets: how many.
        rng: of the faults.
    """
    tally = Tally(site.rig)
    await site.start()
    for number in range(sets):
        if number == max(sets // 4, 1):
            tally.early_mb = resident_mb(site.processes["controller"].pid)
        await _one_set(site, tally, rng)
    tally.late_mb = resident_mb(site.processes["controller"].pid)
    await site.stop()
    _read_recordings(site, tally)
    return tally


async def _one_set(site: SoakSite, tally: Tally, rng: np.random.Generator) -> None:
    since_s = time.monotonic()
    fault_after_s = float(rng.uniform(1.0, 12.0)) if rng.random() < FAULT_PART else None
    with contextlib.suppress(TimeoutError):
        await site.begin_set()

    async def over(within_s: float) -> bool:
        left_s = max(since_s + within_s - time.monotonic(), 0.0)
        return await site.until(lambda: site.of("result", since_s), timeout_s=left_s)

    if fault_after_s is not None and not await over(fault_after_s):
        tally.faults += 1
        await _break_something(site, rng)
    if not await over(SET_S):
        await site.ask("stop")
        await site.until(lambda: site.of("result", since_s), timeout_s=5.0)
    tally.sets += 1
    for result in site.of("result", since_s):
        tally.endings[result["reason"]] = tally.endings.get(result["reason"], 0) + 1
    # The links are restored, and the lifter goes back to the dock.
    site.controller_way.up_open.set()
    site.controller_way.down_open.set()
    site.rig_way.commands = "none"
    await site.until_truth(lambda: site.truth()[-1].docked, timeout_s=MENDING_S)


async def _break_something(site: SoakSite, rng: np.random.Generator) -> None:
    what = int(rng.integers(0, 6))
    if what == 0:
        site.controller_way.cut()
    elif what == 1:
        site.rig_way.cut()
    elif what == 2:
        site.controller_way.down_open.clear()
    elif what == 3:
        site.rig_way.commands = "delay"
    elif what == 4:
        site.inject("now reboot")
    else:
        site.rig_way.commands = "duplicate"


def _read_recordings(site: SoakSite, tally: Tally) -> None:
    told = {(d["nonce"], d["seq"], d["reason"]) for d in site.of("decision")}
    recorded: set[tuple[Any, ...]] = set()
    for path in site.recorded_sets():
        recording = read_recording(path)
        monitor = InvariantMonitor()
        for item in recording.handled:
            monitor.step(item.event, item.outputs)
            recorded |= {(d.nonce, d.seq, d.reason.value) for d in item.outputs if isinstance(d, Decision)}
        tally.breaches += [f"{path.name}: invariant {b.invariant}: {b.detail}" for b in monitor.breaches]
        if not recording.whole:
            tally.breaches.append(f"{path.name}: not whole: {'; '.join(recording.problems)}")
    tally.told, tally.recorded, tally.missing = len(told), len(recorded), len(told - recorded)


async def run_soak(rigs: int, sets: int, seed: int, folder: Path) -> list[Tally]:
    """Run all rigs side by side over one broker.

    Args:
        rigs: how many.
        sets: of each rig.
        seed: of the faults.
        folder: where files go.
    """
    broker = Site(folder)
    await broker.start_broker()
    seeds = np.random.SeedSequence(seed).spawn(rigs)
    sites: list[SoakSite] = []
    for number in range(rigs):
        own = folder / f"rig{number}"
        own.mkdir()
        sites.append(SoakSite(own, port=broker.port, rig=f"soak{number}", order=ORDER))
    try:
        jobs = (soak_one(site, sets, np.random.default_rng(s)) for site, s in zip(sites, seeds, strict=True))
        return list(await asyncio.gather(*jobs))
    finally:
        for site in (*sites, broker):
            await site.stop()


def as_table(tallies: list[Tally]) -> str:
    """The figures as a Markdown table with one row per rig."""
    heads = [
        "rig",
        "sets",
        "faults",
        "decisions reported",
        "missing",
        "memory at a quarter, MB",
        "at the end, MB",
        "endings",
    ]
    lines = ["| " + " | ".join(heads) + " |", "|---" * len(heads) + "|"]
    for t in tallies:
        endings = ", ".join(f"{reason} {count}" for reason, count in sorted(t.endings.items()))
        memory = (f"{t.early_mb:.1f}", f"{t.late_mb:.1f}")
        cells = (t.rig, str(t.sets), str(t.faults), str(t.told), str(t.missing), *memory, endings)
        lines.append("| " + " | ".join(cells) + " |")
    return "\n".join(lines)


def problems_of(tallies: list[Tally]) -> list[str]:
    """Every check that failed, in words."""
    problems = []
    for t in tallies:
        problems += t.breaches
        if t.missing:
            problems.append(f"{t.rig}: {t.missing} reported decisions are in no recording")
        if t.told == 0:
            problems.append(f"{t.rig}: no decision was reported")
        if t.late_mb - t.early_mb > GROWTH_ALLOWED_MB:
            problems.append(f"{t.rig}: memory grew from {t.early_mb:.1f} to {t.late_mb:.1f} MB")
    return problems


def main() -> int:
    """Run the soak; returns 0 when every check passed."""
    parser = argparse.ArgumentParser(prog="python -m campaigns.soak", description=__doc__)
    parser.add_argument("--rigs", type=int, default=8)
    parser.add_argument("--sets", type=int, default=10)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--json", type=Path)
    options = parser.parse_args()
    with tempfile.TemporaryDirectory(prefix="ebbset-soak-") as folder:
        began = time.monotonic()
        tallies = asyncio.run(run_soak(options.rigs, options.sets, options.seed, Path(folder)))
    problems = problems_of(tallies)
    sys.stdout.write(as_table(tallies) + "\n")
    sets = sum(t.sets for t in tallies)
    sys.stdout.write(
        f"\n{sets} sets in {time.monotonic() - began:.0f} s; {'; '.join(problems) or 'all checks passed'}\n"
    )
    if options.json is not None:
        options.json.write_text(json.dumps([asdict(t) for t in tallies], indent=2), encoding="utf-8")
    return 1 if problems else 0


if __name__ == "__main__":
    try:
        sys.exit(main())
    except aiomqtt.MqttError as error:
        sys.exit(f"the broker went away: {error}")
