"""Who may do what: the example broker as it stands in the repository, with TLS, passwords and access list.

Publishing and subscribing is done with the reference client (paho-mqtt) on the wire, so that the broker's answer is
seen as any program would see it. Sources: MQTT 5 reason codes 0x87 and 0x86 (OASIS MQTT 5.0, 2.4).
"""

from __future__ import annotations

import asyncio
import contextlib
import secrets
import shutil
import ssl
import subprocess
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import aiomqtt
import pytest

from ebbset.controller.link.settings import BrokerSettings, ServeSettings
from ebbset.models.contract.wire import Topic
from tests.support.brokers import MOSQUITTO, Mosquitto
from tests.support.operators import Operator
from tests.support.served import serving

pytestmark = pytest.mark.broker
EXAMPLE = Path(__file__).parents[3] / "examples" / "mosquitto"
NAMES = ("rig-north", "controller-north", "operator", "observer", "bench")
READ, WRITE = "read", "write"

# By hand from the issue of the access list, not from the file: rig, controller, operator, observer.
ALLOWED: dict[str, dict[str, set[str]]] = {
    "rig-north": {
        WRITE: {"rig/identity", "rig/frame", "rig/repetition", "rig/event", "rig/ack"},
        READ: {"ctl/command"},
    },
    "controller-north": {
        WRITE: {"ctl/command", "ctl/state", "ctl/decision", "ctl/repetition", "ctl/result", "ctl/answer"},
        READ: {"rig/identity", "rig/frame", "rig/repetition", "rig/event", "rig/ack", "ops/request"},
    },
    "operator": {
        WRITE: {"ops/request"},
        READ: {topic.value for topic in Topic} - {"ops/request"},
    },
    "observer": {WRITE: set(), READ: {topic.value for topic in Topic} - {"ops/request"}},
    "bench": {
        WRITE: {"ctl/command"},
        READ: {"rig/identity", "rig/frame", "rig/repetition", "rig/event", "rig/ack"},
    },
}


class Site(Mosquitto):
    """The example's configuration with only its folder, its port and its user moved."""

    passwords: dict[str, str]

    def start(self) -> None:
        site = self.folder / "site"
        subprocess.run(
            [str(EXAMPLE / "certificates.sh"), str(site), "localhost", "127.0.0.1"], check=True, capture_output=True
        )
        self.passwords = {name: secrets.token_hex(8) for name in NAMES}
        file = site / "passwords"
        file.write_text("".join(f"{name}:{password}\n" for name, password in self.passwords.items()))
        tool = shutil.which("mosquitto_passwd") or "mosquitto_passwd"
        subprocess.run([tool, "-U", str(file)], check=True)
        assert all(password not in file.read_text() for password in self.passwords.values())
        shutil.copy(EXAMPLE / "access.acl", site)
        text = (EXAMPLE / "mosquitto.conf").read_text()
        assert text.count("/etc/mosquitto/ebbset/") >= 5
        text = text.replace("/etc/mosquitto/ebbset/", f"{site}/").replace("listener 8883", f"listener {self.port}")
        config = self.folder / "example.conf"
        config.write_text(text + "user root\nlog_dest none\n")
        assert MOSQUITTO is not None
        self.process = subprocess.Popen([MOSQUITTO, "-c", str(config)])
        for _ in range(200):
            with contextlib.suppress(OSError), self.tls_socket():
                return
            assert self.process.poll() is None, "the example's configuration does not start"
            asyncio.run(asyncio.sleep(0.05))
        raise AssertionError("the broker does not answer")

    @property
    def ca_file(self) -> Path:
        return self.folder / "site" / "ca.crt"

    def tls_socket(self) -> ssl.SSLSocket:
        import socket

        context = ssl.create_default_context(cafile=self.ca_file)
        return context.wrap_socket(socket.create_connection(("127.0.0.1", self.port), 1), server_hostname="localhost")

    def settings(self, **changes: Any) -> BrokerSettings:
        values = {"host": "localhost", "port": self.port, "tls": True, "ca_file": self.ca_file, **changes}
        return BrokerSettings(**values)

    def client(self, name: str, **changes: Any) -> aiomqtt.Client:
        values: dict[str, Any] = {
            "hostname": "localhost",
            "port": self.port,
            "username": name,
            "password": self.passwords.get(name),
            "tls_context": ssl.create_default_context(cafile=self.ca_file),
            "protocol": aiomqtt.ProtocolVersion.V5,
            "timeout": 3,
            **changes,
        }
        return aiomqtt.Client(**values)


@pytest.fixture(scope="module")
def site(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Site]:
    broker = Site(tmp_path_factory.mktemp("site"))
    broker.start()
    try:
        yield broker
    finally:
        broker.stop()


@pytest.mark.parametrize("name", ALLOWED)
async def test_each_may_publish_only_what_its_role_says(site: Site, name: str) -> None:
    """A listener who may see everything that is delivered tells what the broker let through."""
    seen: set[str] = set()
    async with (
        site.client("operator") as operator,
        site.client("controller-north") as controller,
        site.client("rig-north") as rig,
        site.client(name) as client,
    ):
        listeners = (operator, controller, rig)
        for listener, topics in ((operator, "#"), (controller, "ops/request"), (rig, "ctl/command")):
            await listener.subscribe(f"ebbset/v1/north/{topics}", qos=1)

        async def listen(listener: aiomqtt.Client) -> None:
            async for message in listener.messages:
                if message.payload == b"probe":
                    seen.add(message.topic.value.removeprefix("ebbset/v1/north/"))

        tasks = [asyncio.create_task(listen(listener)) for listener in listeners]
        for topic in Topic:
            with contextlib.suppress(aiomqtt.MqttError):
                await client.publish(topic.path("north"), b"probe", qos=1)
        await asyncio.sleep(0.3)
        for task in tasks:
            task.cancel()
        await asyncio.gather(*tasks, return_exceptions=True)
    assert seen == ALLOWED[name][WRITE]


@pytest.mark.parametrize("name", ALLOWED)
async def test_each_hears_only_what_its_role_says(site: Site, name: str) -> None:
    heard: set[str] = set()
    async with site.client(name) as client:
        await client.subscribe("ebbset/v1/#", qos=1)
        for topic in Topic:
            with contextlib.suppress(aiomqtt.MqttError):
                await client.subscribe(topic.path("north"), qos=1)

        async def listen() -> None:
            async for message in client.messages:
                heard.add(message.topic.value.removeprefix("ebbset/v1/north/"))

        task = asyncio.create_task(listen())
        for sender in ("rig-north", "controller-north", "operator"):
            async with site.client(sender) as other:
                for topic in Topic:
                    with contextlib.suppress(aiomqtt.MqttError):
                        await other.publish(topic.path("north"), b"probe", qos=1)
        await asyncio.sleep(0.3)
        task.cancel()
        await asyncio.gather(task, return_exceptions=True)
    assert heard == ALLOWED[name][READ]


@pytest.mark.parametrize("topic", [*Topic])
async def test_a_rig_writes_and_hears_nothing_of_another_rig(site: Site, topic: Topic) -> None:
    heard: list[str] = []
    async with site.client("operator") as operator, site.client("rig-north") as rig:
        await operator.subscribe("ebbset/v1/south/#", qos=1)
        with contextlib.suppress(aiomqtt.MqttError):
            await rig.publish(topic.path("south"), b"probe", qos=1)

        async def listen() -> None:
            async for message in operator.messages:
                heard.append(message.topic.value)

        task = asyncio.create_task(listen())
        await asyncio.sleep(0.1)
        task.cancel()
        await asyncio.gather(task, return_exceptions=True)
    assert heard == []


async def test_nobody_gets_in_without_name_and_password(site: Site) -> None:
    for changes in ({"username": None, "password": None}, {"password": "wrong"}, {"username": "nobody"}):
        with pytest.raises(aiomqtt.MqttError):
            async with site.client("operator", **changes):
                pass


async def test_a_certificate_of_another_authority_or_name_is_refused(site: Site, tmp_path: Path) -> None:
    make = [str(EXAMPLE / "certificates.sh"), str(tmp_path), "localhost"]
    await asyncio.to_thread(subprocess.run, make, check=True, capture_output=True)
    context = site.settings(ca_file=tmp_path / "ca.crt").tls_context()
    with pytest.raises((aiomqtt.MqttError, ssl.SSLError)):
        async with site.client("operator", tls_context=context):
            pass
    # 127.0.0.2 is this machine too, but not a name of the certificate.
    with pytest.raises((aiomqtt.MqttError, ssl.SSLError)):
        async with site.client("operator", hostname="127.0.0.2", tls_context=site.settings().tls_context()):
            pass


async def test_plain_connections_are_not_spoken_to(site: Site) -> None:
    with pytest.raises(aiomqtt.MqttError):
        async with site.client("operator", tls_context=None):
            pass


def test_tls_with_verification_is_the_default_for_every_broker_but_this_machine() -> None:
    context = BrokerSettings(host="broker.gym.example").tls_context()
    assert context is not None
    assert context.verify_mode is ssl.CERT_REQUIRED
    assert context.check_hostname is True
    assert BrokerSettings(host="127.0.0.1").tls_context() is None
    assert BrokerSettings(host="127.0.0.1", tls=True).tls_context() is not None


async def test_a_controller_serves_over_the_example_broker_and_answers_an_operator(
    site: Site, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    secret = tmp_path / "controller.toml"
    secret.write_text(f'username = "controller-north"\npassword = "{site.passwords["controller-north"]}"\n')
    secret.chmod(0o600)
    monkeypatch.delenv("EBBSET_MQTT_USERNAME", raising=False)
    settings = ServeSettings(
        rig="north", recordings=tmp_path / "recordings", broker=site.settings(credentials_file=secret)
    )
    async with serving(settings), site.client("operator") as client:
        await client.subscribe("ebbset/v1/north/#", qos=1)
        person = Operator(client, "north")
        listening = asyncio.create_task(person.listen())
        await person.until_state("offline", "idle")
        answer = await person.ask("arm", cautions_shown=True)
        listening.cancel()
        await asyncio.gather(listening, return_exceptions=True)
    assert answer["accepted"] is False
    assert answer["code"] == "not_while_offline"
