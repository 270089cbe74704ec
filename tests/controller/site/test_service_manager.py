"""What systemd is told, read at the other end of a socket as it opens one; and the unit, by systemd's own checker."""

from __future__ import annotations

import re
import shutil
import socket
import subprocess
from pathlib import Path

import pytest
from structlog.testing import capture_logs

from ebbset.controller.site.service_manager import ServiceManager

UNIT = Path(__file__).parents[3] / "examples" / "systemd" / "ebbset.service"


@pytest.mark.parametrize("abstract", [False, True])
def test_systemd_is_told_of_readiness_life_reload_and_end(tmp_path: Path, abstract: bool) -> None:
    address = f"@ebbset-test-{tmp_path.name}" if abstract else str(tmp_path / "notify")
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as systemd:
        systemd.bind("\0" + address[1:] if abstract else address)
        systemd.settimeout(10)
        manager = ServiceManager({"NOTIFY_SOCKET": address})
        manager.ready("3 of 3 rigs served")
        manager.alive("3 of 3 rigs served")
        manager.reloading()
        manager.stopping()
        told = [systemd.recv(4096).decode() for _ in range(4)]
    assert told[0] == "READY=1\nSTATUS=3 of 3 rigs served"
    assert told[1] == "WATCHDOG=1\nSTATUS=3 of 3 rigs served"
    assert re.fullmatch(r"RELOADING=1\nMONOTONIC_USEC=\d+", told[2])
    assert told[3] == "STOPPING=1"


def test_without_systemd_nothing_is_sent_and_a_socket_that_is_gone_is_only_logged(tmp_path: Path) -> None:
    with capture_logs() as logs:
        ServiceManager({}).ready("")
        assert logs == []
        ServiceManager({"NOTIFY_SOCKET": str(tmp_path / "gone")}).ready("")
    assert [log["event"] for log in logs] == ["service_manager_not_told"]


def test_a_systemd_that_does_not_read_holds_nothing_up(tmp_path: Path) -> None:
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as systemd:
        systemd.bind(str(tmp_path / "notify"))
        manager = ServiceManager({"NOTIFY_SOCKET": str(tmp_path / "notify")})
        for _ in range(2_000):  # more than any socket keeps
            manager.alive("")


@pytest.mark.skipif(shutil.which("systemd-analyze") is None, reason="systemd-analyze is not installed (apt: systemd)")
def test_the_unit_is_right_by_systemds_own_checker(tmp_path: Path) -> None:
    copy = tmp_path / UNIT.name
    copy.write_text(UNIT.read_text())
    done = subprocess.run(["systemd-analyze", "verify", str(copy)], capture_output=True, text=True, check=False)
    told = [line for line in (done.stdout + done.stderr).splitlines() if UNIT.name in line]
    assert (done.returncode, told) == (0, [])


def test_the_unit_gives_an_orderly_stop_its_time() -> None:
    from ebbset.controller.site.supervisor import LOOK_S, STOP_S

    unit = dict(re.findall(r"^(\w+)=(.*)$", UNIT.read_text(), re.MULTILINE))
    assert float(unit["TimeoutStopSec"]) > STOP_S + 5.0
    assert float(unit["WatchdogSec"]) > 20 * LOOK_S
    assert unit["Type"] == "notify"
