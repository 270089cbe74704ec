"""`make site`: sets on many light rigs for minutes, faults among them, and everything counted at both ends.

Every rig does one set after the other. Meanwhile rigs are cut off, rebooted, stopped, silent, late, lying or flooding;
a worker is killed and another one suspended; rigs are added, renamed and removed; the settings are broken once. Then:

* every set that was armed has ended with a result on the wire, or its worker was lost;
* every result and decision on the wire is in a recording, and no recording breaks an invariant;
* a history store that is filled from the recordings, twice over, holds each set once, with the reason that was told;
* the metrics count what the wire showed;
* rigs of a lost worker were without load within a lease, and the other workers' sets went on;
* no set ended by a fault of rig or link that nobody injected.

Run as ``python -m campaigns.site [--rigs 50] [--minutes 10] [--workers 2] [--short] [--json FILE]``; exits 1 when a
check fails. A machine that does not run these programs for a quarter of a second ends sets by itself; such moments are
counted.
"""

from __future__ import annotations

import asyncio
import functools
import os
import signal
import time
from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Final

import numpy as np

from campaigns.site.light_rig import LightRig, Trouble
from campaigns.site.operator import RigReports, SiteOperator
from campaigns.site.service import SiteService
from ebbset.controller.metrics import definitions as d
from ebbset.controller.site.assignment import assigned
from ebbset.models.contract.prescription import Prescription

SAFETY: Final = {"lease_ms": 600, "telemetry_timeout_ms": 250}
"""As the prescription has them when they are left out."""
LATE_S: Final = 0.25
"""A frame of time and the granularity of a busy machine, on top of a lease."""
FAULT_LASTS_S: Final = 3.0
FAULTY_FOR_S: Final = 12.0
"""A fault of a rig explains its ends for so long: while it lasts, and until the rig is back."""
STALL_S: Final = 0.2
"""Moments for which the machine did not run this program are noted from here on; telemetry may be silent for 0.25 s."""
WHOLE_AGAIN_S: Final = 120.0
NATURAL: Final = frozenset({"repetitions_done", "budget_spent", "drops_spent", "floor_failed", "duration_spent"})
"""Reasons that need no fault. Nobody asks to stop here, so a set that was stopped was disturbed."""
LENGTHS: Final = (3, 6, 12)


def order_of(repetitions: int, safety: Mapping[str, int] = SAFETY) -> dict[str, Any]:
    """A prescription that the recorded lifter can do, as requests bear it.

    Args:
        repetitions: after which it ends.
        safety: its section of this name.
    """
    return Prescription.model_validate(
        {
            "name": "Site",
            "exercise": "bench_press",
            "load": {"start_n": 700.0, "floor_n": 250.0, "ramp_n_per_s": 2_000.0},
            "stop": {"max_repetitions": repetitions, "max_duration_s": 90.0},
            "safety": safety,
        }
    ).model_dump(mode="json")


@dataclass(slots=True)
class SiteTally:
    """What was done and seen."""

    rigs: int = 0
    workers: int = 0
    sets: int = 0
    not_begun: int = 0
    faults: Counter[str] = field(default_factory=Counter)
    endings: Counter[str] = field(default_factory=Counter)
    unloaded_s: list[float] = field(default_factory=list)
    stalls: list[float] = field(default_factory=list)
    problems: list[str] = field(default_factory=list)
    facts: dict[str, Any] = field(default_factory=dict)


class SiteRun:
    """One run of the campaign.

    Args:
        service: not started yet.
        seconds: of sets.
        rng: of faults and sets.
        safety: of every prescription.
    """

    def __init__(
        self, service: SiteService, seconds: float, rng: np.random.Generator, safety: Mapping[str, int] = SAFETY
    ) -> None:
        self.service = service
        self.seconds = seconds
        self.rng = rng
        self.safety = safety
        self.lease_s = safety["lease_ms"] / 1_000
        self.person = SiteOperator(service.port)
        self.rigs: dict[str, LightRig] = {}
        self.tally = SiteTally(rigs=len(service.rigs), workers=service.workers)
        self.faulty_until_s: dict[str, float] = {}
        self.armed: dict[str, str] = {}
        self.lost_with_worker: set[str] = set()
        self.workers_of = assigned(service.rigs, service.workers, {})
        self.retired: set[str] = set()
        self.unexplained: list[tuple[str, str, str]] = []
        self._end_s = 0.0
        self._stalled_until_s = 0.0
        self._lifting: dict[str, asyncio.Task[None]] = {}

    # --- running ----------------------------------------------------------------------------------------------------

    async def run(self) -> None:
        """Everything up to the orderly stop; what was counted is in `tally`."""
        try:
            await self.service.start()
            await self.person.connect()
            self._end_s = time.monotonic() + self.seconds
            for name in self.service.rigs:
                await self.add_rig(name)
            helpers = [asyncio.create_task(self._watch_own_time()), asyncio.create_task(self._trouble())]
            await asyncio.sleep(max(self._end_s - time.monotonic(), 0.0))
            await asyncio.gather(*helpers[1:])
            await asyncio.gather(*self._lifting.values())
            helpers[0].cancel()
            await self._until_whole()
            await asyncio.sleep(2.0)  # for the last reports and scrapes, which nobody announces
        finally:
            code, took_s = await self.service.stop()
            for rig in self.rigs.values():
                await rig.stop()
            self.person.close()
        self.tally.facts |= {"exit code": code, "seconds to stop": round(took_s, 2)}
        if code != 0:
            self.tally.problems.append(f"the service ended with {code} after {took_s:.1f} s; expected 0")

    async def _until_whole(self) -> None:
        """Wait until every rig is served and online again, whatever happened before."""
        wanted, last = len(self.service.rigs), self.service.scraped.last
        end_s = time.monotonic() + WHOLE_AGAIN_S
        while time.monotonic() < end_s:
            online = sum(value for (name, _), value in last.items() if name == d.RIG_ONLINE.name)
            if last.get((d.RIGS_SERVED.name, ())) == wanted <= online:
                return
            await asyncio.sleep(0.1)
        self.tally.problems.append(f"the site is not whole {WHOLE_AGAIN_S:g} s after the last set")

    async def add_rig(self, name: str) -> None:
        """A rig is switched on, and somebody does one set after the other on it."""
        self.rigs[name] = rig = LightRig(name, self.service.port, max_lease_ms=self.safety["lease_ms"])
        await rig.start(len(self.rigs) % 50 * 0.001)
        self._lifting[name] = asyncio.create_task(self._lift(name))

    async def _lift(self, name: str) -> None:
        number = list(self.rigs).index(name)
        rng = np.random.default_rng([number, 15])
        await asyncio.sleep(float(rng.uniform(0.0, 3.0)))  # not everybody begins at once
        while time.monotonic() < self._end_s and name not in self.retired:
            order = order_of(int(rng.choice(LENGTHS)), self.safety)
            try:
                nonce = await self.person.begin_set(name, order, timeout_s=45.0)
            except TimeoutError:
                self.tally.not_begun += name not in self.retired and not self._is_explained(name)
                continue
            self.tally.sets += 1
            self.armed[nonce] = name
            if not await self.person.until(name, functools.partial(self._is_over, nonce), 120.0):
                self.tally.problems.append(f"{name}: set {nonce} had no result after 120 s")
            result = self.person.rigs[name].results.get(nonce)
            if result is not None and result["reason"] not in NATURAL and not self._is_explained(name):
                self.unexplained.append((name, nonce, result["reason"]))
            await asyncio.sleep(float(rng.uniform(0.3, 1.0)))

    def _is_over(self, nonce: str, reports: RigReports) -> bool:
        return nonce in reports.results or nonce in self.lost_with_worker

    def _is_faulty(self, name: str) -> bool:
        return time.monotonic() < self.faulty_until_s.get(name, 0.0)

    def _is_explained(self, name: str) -> bool:
        return self._is_faulty(name) or time.monotonic() < self._stalled_until_s

    async def _watch_own_time(self) -> None:
        """Note when this program was not run for long enough to end a set."""
        while True:
            before_s = time.monotonic()
            await asyncio.sleep(0.02)
            late_s = time.monotonic() - before_s - 0.02
            if late_s > STALL_S:
                self.tally.stalls.append(round(late_s, 3))
            if late_s > self.safety["telemetry_timeout_ms"] / 1_000 - 0.05:
                self._stalled_until_s = time.monotonic() + FAULTY_FOR_S

    # --- trouble ----------------------------------------------------------------------------------------------------

    async def _trouble(self) -> None:
        """Faults of rigs all the time; of workers and settings at set times."""
        began_s, length_s = time.monotonic(), self.seconds
        plan = [
            (0.15, self._rename_a_rig),
            (0.25, self._kill_a_worker),
            (0.40, self._break_settings),
            (0.50, self._add_a_rig),
            (0.60, self._suspend_a_worker),
            (0.80, self._remove_a_rig),
        ]
        while time.monotonic() < self._end_s - 5.0:
            if plan and time.monotonic() > began_s + plan[0][0] * length_s:
                await plan.pop(0)[1]()
            await self._rig_fault()
            await asyncio.sleep(float(self.rng.uniform(0.5, 1.5)) * 100.0 / len(self.rigs))
        for _, late in plan:
            await late()

    async def _rig_fault(self) -> None:
        free = [name for name in self.rigs if not self._is_faulty(name) and name not in self.retired]
        if len(free) < len(self.rigs) // 2:
            return
        name = str(self.rng.choice(free))
        what = str(self.rng.choice(["cut", "reboot", "stop", "silence", "lag", "lie", "flood"]))
        self.tally.faults[f"rig: {what}"] += 1
        self.faulty_until_s[name] = time.monotonic() + FAULTY_FOR_S
        rig = self.rigs[name]
        if what == "cut":
            rig.cut()
        elif what == "reboot":
            rig.reboot()
        elif what == "stop":
            rig.press_stop()
        else:
            rig.trouble = Trouble(what)
            asyncio.get_running_loop().call_later(FAULT_LASTS_S, setattr, rig, "trouble", Trouble.NONE)

    async def _kill_a_worker(self) -> None:
        await self._lose_worker(0, signal.SIGKILL)

    async def _suspend_a_worker(self) -> None:
        await self._lose_worker(self.service.workers - 1, signal.SIGSTOP)

    async def _lose_worker(self, worker: int, how: signal.Signals) -> None:
        """Kill or suspend a worker: its rigs must be without load within a lease, and the others' sets go on."""
        self.tally.faults[f"worker: {how.name}"] += 1
        mine = [name for name, owner in self.workers_of.items() if owner == worker and name in self.rigs]
        before = len(self.service.said("worker_lost"))
        os.kill(self.service.pid_of(worker), how)
        at_s = time.monotonic()
        for name in mine:
            self.faulty_until_s[name] = at_s + 60.0
        pending = [name for name in mine if self.rigs[name].loaded]
        while pending and time.monotonic() < at_s + 10.0:
            await asyncio.sleep(0.01)
            pending = [name for name in pending if self.rigs[name].loaded]
        took_s = time.monotonic() - at_s
        self.tally.unloaded_s.append(round(took_s, 3))
        if took_s > self.lease_s + LATE_S + max(self.tally.stalls, default=0.0):
            self.tally.problems.append(
                f"rigs of a lost worker were loaded for {took_s:.2f} s; allowed {self.lease_s:g} s"
            )
        if not await self.service.until(lambda: len(self.service.said("worker_lost")) > before, 30.0):
            self.tally.problems.append(f"worker {worker} met {how.name} and nobody said so")
        for nonce, name in self.armed.items():
            if name in mine and nonce not in self.person.rigs[name].results:
                self.lost_with_worker.add(nonce)
                self.person.rigs[name].changed.set()

    async def _rename_a_rig(self) -> None:
        await self._remove_a_rig()
        await self._add_a_rig()

    async def _add_a_rig(self) -> None:
        self.tally.faults["settings: rig added"] += 1
        name = f"new{len(self.rigs)}"
        self.service.rigs.append(name)
        self.workers_of |= assigned(self.service.rigs, self.service.workers, self.workers_of)
        self.service.write_settings()
        await self._read_again()
        await self.add_rig(name)

    async def _remove_a_rig(self) -> None:
        """The set under way on it must end as it would have; nothing more is armed."""
        self.tally.faults["settings: rig removed"] += 1
        name = min(self.service.rigs, key=self._is_faulty)
        self.retired.add(name)
        self.service.rigs.remove(name)
        self.service.write_settings()
        await self._read_again()

    async def _break_settings(self) -> None:
        self.tally.faults["settings: broken"] += 1
        self.service.write_settings("wrkers = 3\n")
        if not await self.service.until(lambda: self.service.said("settings_refused"), 30.0):
            self.tally.problems.append("broken settings were not refused")
        self.service.write_settings()
        await self._read_again()

    async def _read_again(self) -> None:
        before = len(self.service.said("settings_read"))
        if not await self.service.until(lambda: len(self.service.said("settings_read")) > before, 30.0):
            self.tally.problems.append("changed settings were not read")


async def run_site(
    folder: Path, rigs: int, workers: int, seconds: float, seed: int, safety: Mapping[str, int] = SAFETY
) -> SiteRun:
    """Run the campaign up to the stop of the service; counting at both ends is `campaigns.site.accounts`.

    Args:
        folder: where files go.
        rigs: how many.
        workers: how many worker processes.
        seconds: of sets.
        seed: of faults and sets.
        safety: of every prescription.
    """
    service = SiteService(folder, [f"rig{k}" for k in range(rigs)], workers)
    run = SiteRun(service, seconds, np.random.default_rng(seed), safety)
    await run.run()
    return run
