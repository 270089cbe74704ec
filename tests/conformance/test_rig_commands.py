"""`check-rig` and `identify` as commands, against virtual rigs in other processes, over a real Mosquitto."""

from __future__ import annotations

import asyncio
import io
import json
import math
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import aiomqtt
import pytest

from ebbset.console.app import run
from ebbset.console.exits import Exit
from ebbset.console.rig_commands.check_rig import BenchHands
from ebbset.controller.link.settings import BrokerSettings
from ebbset.simulators.plant.rig_parameters import RigParameters
from ebbset.simulators.rig.defects import Defect
from tests.support.brokers import Mosquitto
from tests.support.rig_family import examine

EBBSET = Path(sys.executable).parent / "ebbset"
PATIENCE_S = 150.0
ATTEMPTS = 3
"""A machine that runs neither process for a second lets the lease run out, which tells nothing of the routine."""


def heard(rig: str, topic: str, port: int) -> dict[str, Any]:
    """The first message on one of a rig's topics."""

    async def listen() -> dict[str, Any]:
        async with aiomqtt.Client("127.0.0.1", port) as client:
            await client.subscribe(f"ebbset/v1/{rig}/{topic}", qos=1)
            message: dict[str, Any] = json.loads((await anext(client.messages)).payload)
        return message

    return asyncio.run(asyncio.wait_for(listen(), PATIENCE_S))


@contextmanager
def virtual_rig(rig: str, port: int, *options: str) -> Iterator[None]:
    """A rig with nobody at it whose hands move by the bench topic; there once it is announced."""
    command = [str(EBBSET), "rig", "--rig", rig, "--port", str(port), "--nobody", "--hands", *options]
    process = subprocess.Popen(command, stderr=subprocess.DEVNULL)
    try:
        heard(rig, "rig/identity", port)
        yield
    finally:
        process.terminate()
        process.wait(PATIENCE_S)


def on_bench(command: str, rig: str, port: int, *options: str) -> subprocess.Popen[str]:
    where = ["--rig", rig, "--port", str(port), "--hands", "bench", "--nobody-under-load", "--json"]
    return subprocess.Popen(
        [str(EBBSET), command, *where, *options], stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True
    )


@pytest.mark.broker
def test_check_rig_and_identify_over_a_broker(
    broker: Mosquitto, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Half a minute each, nearly all of it waiting; so both at once, each on a rig of its own."""
    port, paper = broker.port, tmp_path / "report.txt"
    routine = ("--repeats", "2", "--speed", "0.3", "--speed", "0.9")
    with (
        virtual_rig("checked", port, "--defect", "no_will"),
        virtual_rig("identified", port),
        on_bench("check-rig", "checked", port, "--report", str(paper)) as checking,
    ):
        for _ in range(ATTEMPTS):
            with on_bench("identify", "identified", port, *routine) as identifying:
                told, complaints = identifying.communicate(timeout=PATIENCE_S)
            if not any(stood_still in complaints for stood_still in ("spent_nonce", "lease_expired")):
                break
        assert identifying.returncode == Exit.OK, complaints
        the_figures_are_those_of_the_rig(json.loads(told))
        left = heard("identified", "rig/frame", port)
        assert (left["nonce"], left["docked"]) == (None, True)

        asyncio.run(BenchHands("identified", BrokerSettings(port=port)).press_stop())
        where = ["--rig", "identified", "--port", str(port), "--hands", "bench", "--nobody-under-load"]
        assert run(["identify", *where]) == Exit.NO
        assert "the rig could not be identified: the rig refused command" in capsys.readouterr().err

        told, complaints = checking.communicate(timeout=PATIENCE_S)
    assert checking.returncode == Exit.NO, complaints
    the_checks_come_out_as_in_virtual_time(json.loads(told))
    assert "WRONG  will_says_offline" in paper.read_text()


def the_figures_are_those_of_the_rig(told: dict[str, Any]) -> None:
    truth = RigParameters()
    assert told["announced"]["simulated"] is True
    (cable,) = told["cables"]
    for name, true in (
        ("ramp_n_per_s", truth.max_ramp_n_per_s),
        ("coulomb_n", truth.coulomb_n),
        ("viscous_n_s_m", truth.viscous_n_s_m),
    ):
        assert abs(cable[name]["value"] - true) <= 3.0 * cable[name]["sd"], name
    # What the model does not explain is part of the stated deviation, and a process that waits for a processor adds to
    # it. How sharp a figure is in virtual time is held by `test_identification`; here it must tell some from none.
    assert cable["coulomb_n"]["sd"] < truth.coulomb_n
    # Two repeats are too few to tell the delay of the drive from friction under load; ten are enough for that.
    assert cable["bandwidth_hz"] is None
    assert (
        abs(cable["lag_s"]["value"] - 1.0 / (2.0 * math.pi * truth.torque_bandwidth_hz)) <= 3.0 * cable["lag_s"]["sd"]
    )


def the_checks_come_out_as_in_virtual_time(report: dict[str, Any]) -> None:
    """So what `test_check_rig` shows of each defect in memory holds over a broker too."""
    verdicts = {check["name"]: check["status"] for check in report["checks"]}
    assert [name for name, status in verdicts.items() if status == "failed"] == ["will_says_offline"]
    assert verdicts == {result.check.name: result.status.value for result in examine(Defect.NO_WILL).results}


def test_check_rig_says_what_it_lacks(capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(sys, "stdin", io.StringIO(""))
    for arguments, code, said in (
        ([], Exit.USAGE, "--nobody-under-load"),
        (["--port", "1", "--nobody-under-load"], Exit.UNREACHABLE, "127.0.0.1:1"),
    ):
        assert run(["check-rig", "--rig", "north", "--hands", "none", *arguments]) == code
        err = capsys.readouterr().err
        assert said in err
        assert "Traceback" not in err


def test_identify_says_what_it_lacks(capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(sys, "stdin", io.StringIO(""))
    for arguments, code, said in (
        (["--nobody-under-load", "--port", "1"], Exit.UNREACHABLE, "broker is 127.0.0.1:1"),
        (["--port", "1"], Exit.USAGE, "nobody_under_load is not confirmed"),
        (["--speed", "0.3"], Exit.USAGE, "--speed is only 0.3; allowed: at least two speeds"),
    ):
        assert run(["identify", *arguments]) == code
        assert said in capsys.readouterr().err
