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
from collections.abc import Iterable, Iterator
from pathlib import Path
from typing import Any

import aiomqtt
import pytest

from ebbset.controller.link.settings import BrokerSettings, ServeSettings
from ebbset.models.contract.wire import Topic
from tests.support.brokers import LOGGING, Mosquitto, run_broker
from tests.support.operators import PATIENCE_S, Operator
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
        config.write_text("\n".join([text, "user root", *LOGGING]) + "\n")
        self.process = run_broker(config)

    @property
    def ca_file(self) -> Path:
        return self.folder / "site" / "ca.crt"

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


async def topics_until_end(client: aiomqtt.Client) -> set[str]:
    """Topics of the probes that arrive before the end mark.

    The broker has queued a message for every listener before it acknowledges it (QoS 1) and keeps the order of each
    listener's queue, so that no probe acknowledged before the end mark was sent can arrive after it.
    """
    heard: set[str] = set()
    async with asyncio.timeout(PATIENCE_S):
        async for message in client.messages:
            if message.payload == b"end":
                return heard
            heard.add(message.topic.value.removeprefix("ebbset/v1/"))
    raise AssertionError("the connection ended before the end mark came")


async def probe(client: aiomqtt.Client, rig: str, topics: Iterable[Topic]) -> None:
    """Publish to topics whether or not that is allowed, each until the broker has answered."""
    for topic in topics:
        with contextlib.suppress(aiomqtt.MqttError):
            await client.publish(topic.path(rig), b"probe", qos=1)


def on_north(topics: set[str]) -> set[str]:
    return {f"north/{topic}" for topic in topics}


@pytest.mark.parametrize("name", ALLOWED)
async def test_each_may_publish_only_what_its_role_says(site: Site, name: str) -> None:
    """Three listeners who between them hear every topic tell what the broker let through."""
    async with (
        site.client("operator") as operator,
        site.client("controller-north") as controller,
        site.client("rig-north") as rig,
        site.client(name) as client,
    ):
        for listener, topics in ((operator, "#"), (controller, "ops/request"), (rig, "ctl/command")):
            await listener.subscribe(f"ebbset/v1/north/{topics}", qos=1)
        await probe(client, "north", Topic)
        # The command ends what the operator and the rig hear, the request what the controller hears.
        await controller.publish(Topic.COMMAND.path("north"), b"end", qos=1)
        await operator.publish(Topic.REQUEST.path("north"), b"end", qos=1)
        heard = await asyncio.gather(*(topics_until_end(listener) for listener in (operator, controller, rig)))
    assert set().union(*heard) == on_north(ALLOWED[name][WRITE])


@pytest.mark.parametrize("name", ALLOWED)
async def test_each_hears_only_what_its_role_says(site: Site, name: str) -> None:
    async with site.client(name) as client:
        await client.subscribe("ebbset/v1/#", qos=1)
        for topic in Topic:
            with contextlib.suppress(aiomqtt.MqttError):
                await client.subscribe(topic.path("north"), qos=1)
        for sender in ("rig-north", "controller-north", "operator"):
            async with site.client(sender) as other:
                await probe(other, "north", Topic)
        # Everybody hears either the commands or the rig's events.
        async with site.client("controller-north") as controller, site.client("rig-north") as rig:
            await controller.publish(Topic.COMMAND.path("north"), b"end", qos=1)
            await rig.publish(Topic.EVENT.path("north"), b"end", qos=1)
        heard = await topics_until_end(client)
    assert heard == on_north(ALLOWED[name][READ])


@pytest.mark.parametrize("topic", [*Topic])
async def test_a_rig_writes_and_hears_nothing_of_another_rig(site: Site, topic: Topic) -> None:
    async with (
        site.client("operator") as operator,
        site.client("bench") as bench,
        site.client("controller-north") as controller,
        site.client("rig-north") as rig,
    ):
        for listener in (operator, rig):
            for name in ("south", "north"):
                await listener.subscribe(f"ebbset/v1/{name}/#", qos=1)
        await probe(rig, "south", [topic])
        written = asyncio.create_task(topics_until_end(operator))
        # The bench and the operator may write to another rig; the rig in the north must not hear it.
        await controller.publish(Topic.COMMAND.path("north"), b"end", qos=1)
        assert await written == set()
        await probe(bench, "south", [topic])
        await probe(operator, "south", [topic])
        await controller.publish(Topic.COMMAND.path("north"), b"end", qos=1)
        assert await topics_until_end(rig) == set()


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
