"""Serving the page for real: where it may be bound, TLS with a login, what it asks of rigs, and an orderly end."""

from __future__ import annotations

import asyncio
import http.client
import json
import signal
import socket
import ssl
import subprocess
import sys
from pathlib import Path
from urllib.parse import urlencode

import pytest

from ebbset.console.exits import CommandError, Exit
from ebbset.console.page.access.people import Role, add_person
from ebbset.console.page.server import access_for, bound
from tests.support.brokers import Mosquitto, free_port
from tests.support.operators import operator
from tests.support.page_server import served_page
from tests.support.rig_messages import frame, identity, state

PASSWORD = "a long enough phrase"
ROOT = Path(__file__).parents[3]


@pytest.fixture(scope="module")
def certificate(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Path, Path]:
    """A certificate for localhost: authority, chain and key."""
    folder = tmp_path_factory.mktemp("certificate")
    made = ROOT / "examples" / "mosquitto" / "certificates.sh"
    subprocess.run(["sh", str(made), str(folder), "localhost", "127.0.0.1"], check=True, capture_output=True)
    return folder / "ca.crt", folder / "broker.crt", folder / "broker.key"


def guard(tmp_path: Path, bind: str, certificate: Path | None = None, key: Path | None = None, login: bool = False):  # type: ignore[no-untyped-def]
    return access_for(
        bind, home=tmp_path, names=frozenset(), local_name="x", certificate=certificate, key=key, login=login
    )


@pytest.mark.parametrize("bind", ["0.0.0.0", "::", "192.0.2.1", "page.gym.example", ""])
def test_elsewhere_tls_and_a_login_are_demanded(
    tmp_path: Path, bind: str, certificate: tuple[Path, Path, Path]
) -> None:
    _, chain, key = certificate
    with pytest.raises(
        CommandError, match=r"which others can reach; allowed: 127\.0\.0\.1 or ::1, or any address with"
    ):
        guard(tmp_path, bind)
    with pytest.raises(CommandError, match="lists nobody, so nobody could log in; allowed: at least one person"):
        guard(tmp_path, bind, chain, key)
    with pytest.raises(CommandError, match="--key is missing"):
        guard(tmp_path, bind, chain)
    add_person(tmp_path / "page-users.toml", "anna", Role.COACH, PASSWORD)
    with pytest.raises(CommandError, match="which others can reach"):
        guard(tmp_path, bind)
    assert guard(tmp_path, bind, chain, key).people is not None


@pytest.mark.parametrize("bind", ["127.0.0.1", "::1", "localhost", "127.0.0.53"])
def test_on_this_machine_no_login_is_needed_but_can_be_asked_for(tmp_path: Path, bind: str) -> None:
    assert guard(tmp_path, bind).people is None
    with pytest.raises(CommandError, match="lists nobody"):
        guard(tmp_path, bind, login=True)
    add_person(tmp_path / "page-users.toml", "anna", Role.COACH, PASSWORD)
    assert guard(tmp_path, bind, login=True).people is not None


def test_a_port_that_is_taken_and_an_address_of_another_machine_are_said() -> None:
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        taken.listen()
        port = taken.getsockname()[1]
        with pytest.raises(CommandError, match=rf"port {port}: .*allowed: an address of this machine and a port that"):
            bound("127.0.0.1", port)
    with pytest.raises(CommandError, match=r"bind is '192\.0\.2\.1', port 0"):
        bound("192.0.2.1", 0)


def test_a_certificate_that_cannot_be_used_is_said(tmp_path: Path) -> None:
    add_person(tmp_path / "page-users.toml", "anna", Role.COACH, PASSWORD)
    (tmp_path / "no.crt").write_text("no certificate")
    command = [
        sys.executable, "-c", "import sys; from ebbset.console.entry import main; sys.exit(main())", "page",
        "--home", str(tmp_path), "--bind", "0.0.0.0", "--page-port", "0",
        "--certificate", str(tmp_path / "no.crt"), "--key", str(tmp_path / "no.crt"),
    ]  # fmt: skip
    done = subprocess.run(command, capture_output=True, text=True, timeout=60, check=False)
    assert done.returncode == Exit.BAD_INPUT
    assert "allowed: a chain and its private key, both PEM" in done.stderr
    assert "Traceback" not in done.stderr


def test_over_tls_a_coach_logs_in_and_the_cookie_is_good_there_only(
    tmp_path: Path, certificate: tuple[Path, Path, Path]
) -> None:
    authority, chain, key = certificate
    add_person(tmp_path / "page-users.toml", "anna", Role.COACH, PASSWORD)
    context = ssl.create_default_context(cafile=authority)
    with served_page(tmp_path, free_port(), login=True, certificate=chain, key=key) as page:
        assert page.address.startswith("https://127.0.0.1:")
        port = int(page.address.rpartition(":")[2])
        connection = http.client.HTTPSConnection("localhost", port, context=context, timeout=60)
        connection.request("GET", "/login")
        form = connection.getresponse().read().decode()
        csrf = form.split('name="csrf" value="')[1].split('"')[0]
        kind = {"content-type": "application/x-www-form-urlencoded", "origin": f"https://localhost:{port}"}
        body = urlencode({"csrf": csrf, "name": "anna", "password": PASSWORD})
        connection.request("POST", "/login", body, kind)
        answer = connection.getresponse()
        answer.read()
        assert answer.status == 303
        cookie = str(answer.getheader("set-cookie")).partition(";")[0]
        connection.request("GET", "/", headers={"cookie": cookie})
        answer = connection.getresponse()
        assert answer.status == 200
        assert "Log out anna" in answer.read().decode()
        plain = http.client.HTTPConnection("localhost", port, timeout=60)
        plain.request("GET", "/login")
        with pytest.raises((OSError, http.client.HTTPException)):
            plain.getresponse()


def test_it_ends_in_order_while_a_browser_still_listens(tmp_path: Path) -> None:
    with served_page(tmp_path, free_port()) as page:
        port = int(page.address.rpartition(":")[2])
        connection = http.client.HTTPConnection("127.0.0.1", port, timeout=60)
        connection.request("GET", "/stream?view=room")
        answer = connection.getresponse()
        assert answer.status == 200
        assert answer.readline() == b"retry: 1000\n"
        answer.readline()
        assert json.loads(answer.readline().removeprefix(b"data: "))["rigs"] == {}
        page.close()
        answer.read()


def test_the_command_says_where_the_page_is_and_ends_when_interrupted(tmp_path: Path) -> None:
    command = [
        sys.executable, "-c", "import sys; from ebbset.console.entry import main; sys.exit(main())", "page",
        "--home", str(tmp_path / "home"), "--page-port", "0", "--port", str(free_port()),
    ]  # fmt: skip
    process = subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True)
    try:
        assert process.stdout is not None
        said = process.stdout.readline()
        assert said.startswith("The page is at http://127.0.0.1:")
        process.send_signal(signal.SIGINT)
        _, err = process.communicate(timeout=60)
        assert process.returncode == 0, err
        assert "Traceback" not in err
    finally:
        process.kill()


@pytest.mark.broker
async def test_a_stop_goes_out_at_once_and_again_until_the_broker_is_there(tmp_path: Path) -> None:
    broker = Mosquitto(tmp_path)
    with served_page(tmp_path, broker.port) as page:
        asked = await asyncio.to_thread(page.call, page.page.site.asks.stop("north", "anna"))
        assert not asked.sent
        assert "Not sent yet" in page.get(f"/rig/north/stopping?ask={asked.key}")[1]
        broker.start()
        try:
            async with operator(broker.port, "north") as person:
                told = await person.until(lambda: person.of("ops/request"))
                assert told[0]["action"] == "stop"
                assert told[0]["operator"] == "anna"
                for topic, payload in (identity("north"), state("north", "working", 50.0), frame("north", 7.0, 400.0)):
                    await person.publish(topic.removeprefix("ebbset/v1/north/"), payload, retain=True)
                await person.until(lambda: "north" in page.get("/")[1])
        finally:
            broker.stop()
