"""A site with real processes over a real Mosquitto: light rigs, a killed and a suspended worker, changed settings."""

from __future__ import annotations

import asyncio
import json
import os
import signal
import urllib.request
from pathlib import Path
from typing import Any, Self

import pytest

from campaigns.site.light_rig import LightRig, Trouble
from campaigns.site.operator import SiteOperator
from campaigns.site.service import SiteService
from ebbset.controller.metrics import definitions as d
from ebbset.controller.recording.reader import read_recording
from ebbset.models.contract.prescription import Prescription
from tests.support.operators import PATIENCE_S
from tests.support.sessions import PATIENT

pytestmark = pytest.mark.broker
ORDER = Prescription.model_validate(
    {
        "name": "Site",
        "exercise": "bench_press",
        "load": {"start_n": 700.0, "floor_n": 250.0, "ramp_n_per_s": 2_000.0},
        "stop": {"max_pause_s": 100.0, "max_start_wait_s": 100.0, "max_duration_s": 600.0},
        "safety": PATIENT,
    }
).model_dump(mode="json")


class Running:
    """A site of two workers and what belongs to it."""

    def __init__(self, folder: Path, rigs: list[str]) -> None:
        self.service = SiteService(folder, rigs, workers=2)
        self.person = SiteOperator(self.service.port)
        self.rigs: dict[str, LightRig] = {}

    async def __aenter__(self) -> Self:
        await self.service.start()
        await self.person.connect()
        for name in self.service.rigs:
            await self.switch_on(name)
        return self

    async def __aexit__(self, *_why: object) -> None:
        code, _ = await self.service.stop()
        for rig in self.rigs.values():
            await rig.stop()
        self.person.close()
        assert code == 0, self.service.lines[-5:]

    async def switch_on(self, name: str) -> None:
        self.rigs[name] = LightRig(name, self.service.port, max_lease_ms=PATIENT["lease_ms"])
        await self.rigs[name].start()

    async def begin(self, name: str) -> str:
        nonce = await self.person.begin_set(name, ORDER, PATIENCE_S)
        assert await self.person.until(name, lambda r: r.counts["repetition"], PATIENCE_S)
        return nonce

    async def result(self, name: str, nonce: str) -> dict[str, Any]:
        assert await self.person.until(name, lambda r: nonce in r.results, PATIENCE_S)
        return self.person.rigs[name].results[nonce]

    async def said(self, event: str, count: int = 1, **members: Any) -> dict[str, Any]:
        assert await self.service.until(lambda: len(self.service.said(event, **members)) >= count, PATIENCE_S), event
        return self.service.said(event, **members)[-1]

    def health(self) -> tuple[int, dict[str, Any]]:
        try:
            with urllib.request.urlopen(f"http://127.0.0.1:{self.service.metrics_port}/health") as answer:
                return answer.status, json.loads(answer.read())
        except urllib.error.HTTPError as error:
            return error.code, json.loads(error.read())


async def test_a_worker_that_dies_or_hangs_costs_only_its_own_rigs_and_is_begun_again_unarmed(tmp_path: Path) -> None:
    async with Running(tmp_path, ["a", "b"]) as site:
        nonces = {name: await site.begin(name) for name in ("a", "b")}
        first = site.service.pid_of(0)
        os.kill(first, signal.SIGKILL)
        lost = await site.said("worker_lost", worker=0)
        assert (lost["cause"], lost["rigs"]) == ("died", ["a"])
        assert await until(lambda: not site.rigs["a"].loaded)
        assert site.rigs["a"].counts["lease_expired"] == 1
        await site.said("worker_begun", 2, worker=0)
        await site.said("earlier_run_broke_off", rig="a")
        assert await site.person.until("a", lambda r: r.state["state"] == "idle", PATIENCE_S)
        refused = await site.person.ask("a", "start", arming=nonces["a"])
        assert refused is not None
        assert not refused["accepted"]
        assert site.rigs["b"].loaded
        assert nonces["b"] not in site.person.rigs["b"].results
        # The other one hangs: the same, and it takes a worker that does not report for five seconds to know it.
        os.kill(site.service.pid_of(1), signal.SIGSTOP)
        assert (await site.said("worker_lost", worker=1))["cause"] == "hung"
        assert not site.rigs["b"].loaded
        await site.said("worker_begun", 2, worker=1)
        assert await until(lambda: site.health()[0] == 200)
        again = await site.begin("a")
        await site.person.ask("a", "stop")
        assert (await site.result("a", again))["reason"] == "stop_requested"
        assert await until(lambda: site.service.scraped.total(d.SETS_ENDED.name, rig="a") == 1)
        assert site.service.scraped.total(d.WORKER_RESTARTS.name, cause="died", worker="0") == 1
        assert site.service.scraped.total(d.WORKER_RESTARTS.name, cause="hung", worker="1") == 1
        assert site.service.scraped.total(d.BROKE_OFF.name, rig="a") == 1
    assert all("set" in line for line in site.service.lines if "rig" in line)
    assert not site.service.said("unstructured")


async def test_rigs_come_go_change_names_and_flood_without_touching_a_set_under_way(tmp_path: Path) -> None:
    async with Running(tmp_path, ["a", "b"]) as site:
        nonces = {name: await site.begin(name) for name in ("a", "b")}
        # `a` is renamed while a set is under way on it, and something else is added.
        site.service.rigs[:] = ["b", "hall", "c"]
        site.service.write_settings()
        read = await site.said("settings_read")
        assert (read["added"], read["removed"], read["changed"]) == (["c", "hall"], ["a"], [])
        await site.switch_on("c")
        third = await site.begin("c")
        assert site.rigs["a"].loaded
        assert not site.person.rigs["a"].results
        # Settings that cannot be used change nothing.
        site.service.write_settings("wrkers = 2\n")
        assert "wrkers is 2; allowed: no such field" in (await site.said("settings_refused"))["why"]
        assert site.rigs["a"].loaded
        # The set ends when the person says so; only then is the rig let go of.
        await site.person.ask("a", "stop")
        assert (await site.result("a", nonces["a"]))["reason"] == "stop_requested"
        assert await site.person.until("a", lambda r: r.state["state"] == "offline", PATIENCE_S)
        assert await until(lambda: set(site.health()[1]["rigs"]) == {"b", "hall", "c"})
        # A rig that floods loses its own messages only; `hall` shares a worker with one of the others.
        await site.switch_on("hall")
        await site.said("rig_announced", rig="hall")
        site.rigs["hall"].trouble = Trouble.FLOOD
        scraped = site.service.scraped
        assert await until(lambda: scraped.total(d.DROPPED.name, rig="hall", queue="telemetry_limit") > 1_000)
        assert scraped.total(d.DROPPED.name, queue="telemetry_limit", rig="b") == 0
        assert scraped.total(d.DROPPED.name, queue="telemetry_limit", rig="c") == 0
        assert site.rigs["b"].loaded
        assert site.rigs["c"].loaded
    # The orderly stop ended the sets that were still under way, as a person would have.
    for name, nonce in (("b", nonces["b"]), ("c", third)):
        assert site.person.rigs[name].results[nonce]["reason"] == "stop_requested"
    recordings = [read_recording(path) for path in site.service.recordings.glob("*.mcap")]
    assert len(recordings) == 3
    assert all(recording.whole for recording in recordings)


async def until(condition: Any) -> bool:
    """Wait for what announces itself to nobody: a load, a figure."""
    async with asyncio.timeout(PATIENCE_S):
        while not condition():  # noqa: ASYNC110 - see above
            await asyncio.sleep(0.05)
    return True
