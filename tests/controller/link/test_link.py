"""The link: mailboxes that put stops first, a fresh un-armed start after every loss, TLS and who may connect."""

from __future__ import annotations

import asyncio
import itertools
import json
import signal
import subprocess
import sys
from pathlib import Path
from typing import Any

import aiomqtt
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.reasoncodes import ReasonCode
from structlog.testing import capture_logs

from ebbset.controller.link.inbox import (
    BAD_AT_ONCE,
    BOUNDS,
    MAX_WAIT_US,
    REQUEST_BYTES,
    REQUESTS_AT_ONCE,
    REQUESTS_PER_S,
    Inbox,
    Stream,
)
from ebbset.controller.link.mqtt_link import Link
from ebbset.controller.link.settings import (
    PASSWORD_VARIABLE,
    USERNAME_VARIABLE,
    BrokerSettings,
    ServeSettings,
)
from ebbset.controller.messages import codec
from ebbset.controller.messages.actions import SendArm, SendLoad
from ebbset.controller.messages.events import (
    BadInput,
    LinkDown,
    LinkUp,
    Requested,
    RigAnnounced,
    RigReported,
    Samples,
    Tick,
)
from ebbset.controller.recording.reader import read_recording
from ebbset.controller.regulation.set_controller import SetController
from ebbset.models.contract.operator_messages import RequestAction
from ebbset.models.contract.problems import BadDocumentError
from ebbset.models.contract.wire import MAX_PAYLOAD_BYTES
from tests.support.brokers import Mosquitto, mosquitto
from tests.support.kinematic_rig import POLICIES
from tests.support.operators import PATIENCE_S, arm_and_start, operator
from tests.support.served import hand_rig, serving, settings_for, until
from tests.support.sessions import PATIENT, auto_drop_order
from tests.support.wire_messages import FRAME, IDENTITY

ROOT = "ebbset/v1/bench/"


class Clock:
    def __init__(self) -> None:
        self.us = 1_000_000

    def __call__(self) -> int:
        return self.us


@pytest.fixture
def clock() -> Clock:
    return Clock()


@pytest.fixture
def inbox(clock: Clock) -> Inbox:
    return Inbox("bench", clock)


def put(inbox: Inbox, topic: str, message: Any, *, retained: bool = False) -> None:
    inbox.message(ROOT + topic, json.dumps(message).encode(), retained=retained)


def put_frame(inbox: Inbox, seq: int) -> None:
    put(inbox, "rig/frame", {**FRAME, "seq": seq})


def request(action: str) -> dict[str, Any]:
    needed = {"ticket": "0123abcd-1", "arming": "nonce-0001"}
    return {"correlation_id": f"ask-{action}-01", "action": action, "operator": "coach", **needed}


def report(kind: str) -> dict[str, Any]:
    return {"boot_id": "boot-0001", "seq": 1, "t_us": 1, "kind": kind}


async def all_of(inbox: Inbox) -> list[Any]:
    found = []
    while True:
        try:
            found.append(await asyncio.wait_for(inbox.get(), 0.01))
        except TimeoutError:
            return found


async def test_stops_come_before_everything_and_telemetry_last(inbox: Inbox) -> None:
    put_frame(inbox, 1)
    inbox.message(ROOT + "rig/frame/more", b"{}", retained=False)
    put(inbox, "rig/event", report("docked"))
    put(inbox, "rig/identity", IDENTITY, retained=True)
    put(inbox, "rig/event", report("emergency_stop"))
    put(inbox, "ops/request", request("stop"))
    put(inbox, "ops/request", request("start"))
    inbox.tick()
    inbox.link(LinkUp(now_us=1))
    found = await all_of(inbox)
    assert isinstance(found[0], LinkUp)
    assert isinstance(found[1], RigReported)
    assert found[1].kind == "emergency_stop"
    assert isinstance(found[2], Requested)
    assert found[2].action == "stop"
    assert [type(event) for event in found[3:]] == [Requested, RigAnnounced, RigReported, BadInput, Samples, Tick]


async def test_a_flood_of_telemetry_or_requests_never_costs_a_stop(inbox: Inbox) -> None:
    for seq in range(500):
        put_frame(inbox, seq)
        put(inbox, "ops/request", request("start"))
        put(inbox, "rig/event", report("docked"))
        inbox.message(ROOT + "ops/request", b"nonsense", retained=False)
    put(inbox, "ops/request", request("stop"))
    first = await inbox.get()
    assert isinstance(first, Requested)
    assert first.action == "stop"
    rest = await all_of(inbox)
    assert len(rest) == sum(BOUNDS[s] for s in (Stream.TELEMETRY, Stream.EVENT)) + REQUESTS_AT_ONCE + BAD_AT_ONCE
    assert inbox.dropped["telemetry_full"] == 500 - BOUNDS[Stream.TELEMETRY]
    inbox.tick()
    told = [event for event in await all_of(inbox) if isinstance(event, BadInput)]
    # The stop, too, came beyond what is taken of requests; it counts as one and is handled nevertheless.
    assert [(event.topic, event.code, event.detail.split()[0]) for event in told] == [
        ("ops/request", "left_out", str(501 - int(REQUESTS_AT_ONCE))),
        ("any", "left_out", str(500 - int(BAD_AT_ONCE))),
    ]
    inbox.tick()
    assert [type(event) for event in await all_of(inbox)] == [Tick], "told once"
    # Of telemetry the newest are kept.
    assert [e.seq for e in rest if isinstance(e, Samples)] == list(range(500 - BOUNDS[Stream.TELEMETRY], 500))


async def test_a_stop_with_nothing_to_stop_is_left_out_of_a_flood_and_one_with_something_never(clock: Clock) -> None:
    live = True
    inbox = Inbox("bench", clock, stop_matters=lambda: live)
    for _ in range(int(REQUESTS_AT_ONCE)):
        put(inbox, "ops/request", request("arm"))
    put(inbox, "ops/request", request("stop"))
    inbox.message(ROOT + "ops/request", b'{"action": "stop", "operator": 5}', retained=False)
    found = await all_of(inbox)
    assert [event.action for event in found[:2]] == ["stop", "stop"], "the misspelt one, too"
    live = False
    put(inbox, "ops/request", request("stop"))
    assert await all_of(inbox) == []


async def test_a_flood_that_goes_on_is_taken_at_its_rate_and_a_large_request_counts_for_more(clock: Clock) -> None:
    inbox, taken = Inbox("bench", clock), 0
    for _ in range(10_000):
        clock.us += 1_000
        put(inbox, "ops/request", request("arm"))
        if clock.us % 100_000 == 0:
            taken += sum(isinstance(event, Requested) for event in await all_of(inbox))
    assert REQUESTS_PER_S * 10 - 1 <= taken <= REQUESTS_PER_S * 10 + REQUESTS_AT_ONCE
    clock.us += 60_000_000
    large = {**request("arm"), "profile": None, "prescription": None} | {"operator": "o" * 60}
    padded = json.dumps(large).encode().ljust(7 * REQUEST_BYTES, b" ")
    for _ in range(20):
        inbox.message(ROOT + "ops/request", padded, retained=False)
    found = [event for event in await all_of(inbox) if isinstance(event, Requested)]
    assert len(found) == int(REQUESTS_AT_ONCE // 7)


async def test_a_flood_of_stops_is_bounded_and_still_a_stop(inbox: Inbox) -> None:
    for _ in range(1_000):
        put(inbox, "ops/request", request("stop"))
    found = await all_of(inbox)
    assert len(found) == BOUNDS[Stream.STOP]


async def test_what_was_dropped_is_logged_once_in_a_while(inbox: Inbox, clock: Clock) -> None:
    for seq in range(20):
        put_frame(inbox, seq)
    clock.us += 10_000_000
    with capture_logs() as logs:
        inbox.report()
        inbox.report()
    assert [(e["event"], e["telemetry_full"]) for e in logs] == [("input_dropped", 4)]


async def test_telemetry_that_waited_too_long_is_given_up_and_counted(inbox: Inbox, clock: Clock) -> None:
    put_frame(inbox, 1)
    clock.us += MAX_WAIT_US + 1
    put_frame(inbox, 2)
    found = await all_of(inbox)
    assert [event.seq for event in found] == [2]
    assert found[0].now_us == clock.us
    assert inbox.dropped["telemetry_late"] == 1


async def test_a_tick_waits_for_one_frame_and_no_longer(inbox: Inbox) -> None:
    for seq in range(4):
        put_frame(inbox, seq)
    inbox.tick()
    inbox.tick()
    found = await all_of(inbox)
    assert [type(event) for event in found] == [Samples, Tick, Samples, Samples, Samples]


async def test_nothing_from_before_a_lost_link_acts_after_it_but_a_stop(inbox: Inbox) -> None:
    put_frame(inbox, 1)
    put(inbox, "ops/request", request("start"))
    put(inbox, "rig/identity", IDENTITY)
    put(inbox, "ops/request", request("stop"))
    inbox.link(LinkDown(now_us=2))
    found = await all_of(inbox)
    assert [type(event) for event in found] == [LinkDown, Requested]
    assert found[1].action == "stop"


@pytest.mark.parametrize("topic", ["ops/request", "rig/frame", "rig/event", "rig/ack"])
async def test_a_retained_message_never_acts_again_unless_it_announces(inbox: Inbox, topic: str) -> None:
    message = {"ops/request": request("arm"), "rig/frame": FRAME, "rig/event": report("docked"), "rig/ack": {}}
    put(inbox, topic, message[topic], retained=True)
    [event] = await all_of(inbox)
    assert isinstance(event, BadInput)
    assert (event.topic, event.code) == (topic, "retained")


async def test_a_huge_payload_is_bad_input_and_nothing_worse(inbox: Inbox) -> None:
    inbox.message(ROOT + "ops/request", b"[" * 1_000_000, retained=False)
    inbox.message(ROOT + "rig/frame", b"1" * 1_000_000, retained=False)
    found = await all_of(inbox)
    assert [event.code for event in found] == ["too_large", "too_large"]
    assert str(MAX_PAYLOAD_BYTES) in found[0].detail


# --- backoff


async def test_the_backoff_grows_is_bounded_and_its_jitter_is_seeded(monkeypatch: pytest.MonkeyPatch) -> None:
    async def delays(seed: int) -> list[float]:
        waited: list[float] = []

        async def sleep(delay_s: float) -> None:
            waited.append(delay_s)
            if len(waited) == 12:
                raise asyncio.CancelledError

        async def refuse(_self: Link) -> None:
            raise aiomqtt.MqttError("connection refused")

        clock = Clock()
        link = Link(
            BrokerSettings(),
            "bench",
            Inbox("bench", clock),
            now_us=clock,
            rng=np.random.default_rng(seed),
            offline=b"{}",
        )
        with monkeypatch.context() as patch:
            patch.setattr(Link, "_connection", refuse)
            patch.setattr("asyncio.sleep", sleep)
            with pytest.raises(asyncio.CancelledError):
                await link.run()
        return waited

    with capture_logs() as logs:
        first = await delays(1)
    assert first == await delays(1)
    assert first != await delays(2)
    ceilings = [min(0.2 * 2**k, 5.0) for k in range(12)]
    assert all(top / 2 <= waited <= top for waited, top in zip(first, ceilings, strict=True))
    # One line, not one a try.
    assert [(e["event"], e["why"]) for e in logs] == [("broker_unreachable", "connection refused")]


# --- settings


def test_tls_is_on_with_verification_for_any_broker_that_is_not_this_machine(tmp_path: Path) -> None:
    for host in ("127.0.0.1", "localhost", "::1", "127.1.2.3"):
        assert not BrokerSettings(host=host).uses_tls
        assert BrokerSettings(host=host).resolved_port == 1883
    for host in ("broker.example", "192.168.1.7", "localhost.example"):
        remote = BrokerSettings(host=host)
        context = remote.tls_context()
        assert remote.resolved_port == 8883
        assert context is not None
        assert context.check_hostname
        assert context.verify_mode.name == "CERT_REQUIRED"
    with pytest.raises(BadDocumentError, match=r"broker\.ca_file"):
        BrokerSettings(host="broker.example", ca_file=tmp_path / "none.pem").tls_context()


def test_credentials_come_from_the_environment_or_a_private_file_only(tmp_path: Path) -> None:
    path = tmp_path / "credentials.toml"
    path.write_text('username = "rig-room"\npassword = "quiet"\n')
    path.chmod(0o644)
    broker = BrokerSettings(credentials_file=path)
    with pytest.raises(BadDocumentError, match=r"only its owner can read \(chmod 600 credentials\.toml\)"):
        broker.credentials({})
    path.chmod(0o600)
    found = broker.credentials({})
    assert found is not None
    assert (found.username, found.password) == ("rig-room", "quiet")
    assert "quiet" not in repr(found)
    env = broker.credentials({USERNAME_VARIABLE: "a", PASSWORD_VARIABLE: "b"})
    assert env is not None
    assert env.username == "a"
    with pytest.raises(BadDocumentError, match=PASSWORD_VARIABLE):
        broker.credentials({USERNAME_VARIABLE: "a"})
    path.write_text("username = 1")
    with pytest.raises(BadDocumentError, match="username and password"):
        broker.credentials({})
    assert BrokerSettings().credentials({}) is None
    assert "password" not in BrokerSettings.model_fields


def test_bad_settings_name_the_field_the_value_and_what_is_allowed() -> None:
    with pytest.raises(BadDocumentError, match=r"broker\.port is 99999; allowed: .*65535"):
        ServeSettings.from_toml('rig = "bench"\n[broker]\nport = 99999\n')
    with pytest.raises(BadDocumentError, match=r"rig is 'a/b'"):
        ServeSettings.of(rig="a/b")
    with pytest.raises(BadDocumentError, match=r"broker\.protocol is '4'"):
        ServeSettings.of(rig="bench", broker={"protocol": "4"})
    with pytest.raises(BadDocumentError, match=r"prescription is 'none\.toml'; allowed: a readable text file"):
        ServeSettings.of(rig="bench", prescription="none.toml").load_prescription()


# --- over a real broker


@pytest.mark.broker
@pytest.mark.parametrize("protocol", ["3.1.1", "5"])
async def test_after_a_broker_restart_the_set_is_over_and_only_a_person_arms_again(
    tmp_path: Path, protocol: str
) -> None:
    rig = "restart"
    with mosquitto(tmp_path) as broker:
        async with serving(settings_for(broker, tmp_path, rig, protocol)) as served:
            async with hand_rig(broker.port, rig, "frames", protocol) as seen:
                async with operator(broker.port, rig) as person:
                    await arm_and_start(person)
                    broker.stop(without_warning=True)
                await until(lambda: served.controller.state == "offline")
                broker.start()
                async with operator(broker.port, rig) as person:
                    await person.until_state("idle")
                    refused = await person.ask("start")
                    assert refused["code"] == "not_while_idle"
                    assert served.link.connections == 2
                    [result] = await person.until(lambda: person.of("ctl/result"))
                    assert result["reason"] == "link_lost", "what was decided without a link is told when it is back"
                    await person.until(lambda: [f["applied_n"] for f in person.of("rig/frame")[-3:]] == [[0.0]] * 3)
                    order = auto_drop_order(safety=PATIENT).model_dump(mode="json")
                    again = await person.ask("arm", cautions_shown=True, prescription=order)
                    assert again["accepted"]
                    assert again["nonce"] != result["nonce"]
            # The rig unloaded by itself when nobody renewed its lease.
            assert seen["lease_expiries"] >= 1
    first, second = (read_recording(path) for path in served.recordings)
    kinds = [type(item.event).__name__ for item in first.handled]
    assert "LinkDown" in kinds
    assert first.whole
    assert second.whole


@pytest.mark.broker
async def test_commands_are_never_retained_and_go_at_most_once(broker: Mosquitto, tmp_path: Path) -> None:
    rig = "once"
    commands: list[tuple[str, int, bool]] = []
    async with serving(settings_for(broker, tmp_path, rig)), hand_rig(broker.port, rig) as seen:
        async with operator(broker.port, rig) as person, aiomqtt.Client("127.0.0.1", broker.port) as spy:
            await spy.subscribe(f"ebbset/v1/{rig}/ctl/command", qos=2)
            await arm_and_start(person)
            await person.ask("stop")
            await person.until_state("ended")
            # The release is the last command of a set.
            async with asyncio.timeout(PATIENCE_S):
                while not commands or commands[-1][0] != "release":
                    message = await anext(spy.messages)
                    commands.append((json.loads(message.payload)["kind"], message.qos, message.retain))
        async with operator(broker.port, rig) as late:
            await late.until_state("ended")
            # What is retained was queued when this operator subscribed, so it comes before a message sent later.
            await late.publish("marker", "{}")
            await late.until(lambda: late.of("marker"))
            assert late.of("ctl/command") == []
    assert {kind for kind, _, _ in commands} == {"arm", "load", "unload", "release"}
    assert {(qos, retain) for _, qos, retain in commands} == {(0, False)}
    assert seen["refused"] == []


@pytest.mark.broker
@pytest.mark.parametrize("protocol", ["3.1.1", "5"])
async def test_the_will_says_offline_and_so_does_an_orderly_end(
    broker: Mosquitto, tmp_path: Path, protocol: str
) -> None:
    rig = f"will-{protocol}"
    settings = settings_for(broker, tmp_path, rig, protocol)
    script = (
        "import asyncio, sys\n"
        "from ebbset.controller.service.serve import serve\n"
        "from ebbset.controller.link.settings import ServeSettings\n"
        "asyncio.run(serve(ServeSettings.model_validate_json(sys.argv[1])))\n"
    )
    process = await asyncio.create_subprocess_exec(
        sys.executable, "-c", script, settings.model_dump_json(), stdout=asyncio.subprocess.DEVNULL
    )
    async with operator(broker.port, rig) as person:
        await person.publish("rig/identity", json.dumps({**IDENTITY, "rig": rig}), retain=True)
        await person.until_state("idle")
        process.kill()
        assert await process.wait() == -signal.SIGKILL
        await person.until_state("offline")
        async with serving(settings):
            await person.until_state("idle")
        await person.until_state("offline")
        states = [state for state, _ in itertools.groupby(message["state"] for message in person.of("ctl/state"))]
    assert states[-4:] == ["idle", "offline", "idle", "offline"]
    # Retained, so that an operator who comes later does not believe in a controller that is gone.
    async with operator(broker.port, rig) as late:
        await late.until(lambda: late.of("ctl/state"))
        assert [message["state"] for message in late.of("ctl/state")] == ["offline"]


@pytest.mark.broker
@pytest.mark.parametrize("protocol", ["3.1.1", "5"])
async def test_wrong_credentials_are_reported_by_name_and_right_ones_are_shown_nowhere(
    tmp_path: Path, protocol: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    passwords = tmp_path / "passwords"
    tool = ["mosquitto_passwd", "-b", "-c", str(passwords), "controller", "right"]
    await asyncio.to_thread(subprocess.run, tool, check=True)
    monkeypatch.setenv(USERNAME_VARIABLE, "controller")
    with mosquitto(tmp_path, f"password_file {passwords}", anonymous=False) as broker, capture_logs() as logs:
        monkeypatch.setenv(PASSWORD_VARIABLE, "wrong")
        async with serving(settings_for(broker, tmp_path, "closed", protocol)) as served:
            await until(lambda: any("Not authorized" in str(entry.get("why")) for entry in logs))
            assert served.link.connections == 0
        monkeypatch.setenv(PASSWORD_VARIABLE, "right")
        async with serving(settings_for(broker, tmp_path, "closed", protocol)) as served:
            await until(lambda: served.link.up)
    assert "'right'" not in str(logs)


@pytest.mark.parametrize("refusal", [128, ReasonCode(PacketTypes.SUBACK, "Not authorized")])
async def test_a_refused_subscription_ends_the_connection_with_its_topic(clock: Clock, refusal: Any) -> None:
    class Broker:
        async def subscribe(self, topics: list[tuple[str, int]]) -> list[Any]:
            return [refusal if topic.endswith("ops/request") else 0 for topic, _ in topics]

    link = Link(
        BrokerSettings(), "bench", Inbox("bench", clock), now_us=clock, rng=np.random.default_rng(1), offline=b"{}"
    )
    with pytest.raises(aiomqtt.MqttError, match="refuses the subscription to ebbset/v1/bench/ops/request"):
        await link._subscribe(Broker())  # type: ignore[arg-type]  # noqa: SLF001 - no broker here refuses on demand


def certificate(folder: Path, name: str, *, signed_by: str | None = None) -> None:
    """A key and certificate made with openssl; self-signed, or by another made here."""
    subject = ["-subj", f"/CN={name}", "-keyout", f"{name}.key", "-nodes", "-newkey", "rsa:2048"]
    if signed_by is None:
        # RFC 5280, 4.2.1.3: an authority says that its key signs certificates; Python 3.13 insists on it.
        use = ["-addext", "keyUsage=critical,keyCertSign,cRLSign"]
        command = ["openssl", "req", "-x509", *subject, *use, "-days", "2", "-out", f"{name}.pem"]
        subprocess.run(command, cwd=folder, check=True, capture_output=True)
        return
    subprocess.run(["openssl", "req", *subject, "-out", f"{name}.csr"], cwd=folder, check=True, capture_output=True)
    (folder / "names").write_text("subjectAltName=IP:127.0.0.1\n")
    sign = ["openssl", "x509", "-req", "-in", f"{name}.csr", "-days", "2", "-out", f"{name}.pem", "-extfile", "names"]
    authority = ["-CA", f"{signed_by}.pem", "-CAkey", f"{signed_by}.key", "-CAcreateserial"]
    subprocess.run([*sign, *authority], cwd=folder, check=True, capture_output=True)


def certificates(folder: Path) -> None:
    """Two authorities, and a server that the first one vouches for."""
    certificate(folder, "authority")
    certificate(folder, "stranger")
    certificate(folder, "server", signed_by="authority")
    for made in folder.iterdir():
        made.chmod(0o644)


@pytest.mark.broker
async def test_over_tls_a_broker_is_served_if_its_certificate_is_trusted_and_only_then(tmp_path: Path) -> None:
    await asyncio.to_thread(certificates, tmp_path)
    tls = (f"certfile {tmp_path}/server.pem", f"keyfile {tmp_path}/server.key", f"cafile {tmp_path}/authority.pem")
    with mosquitto(tmp_path, *tls) as broker:
        trusted = {"tls": True, "ca_file": tmp_path / "authority.pem"}
        async with serving(settings_for(broker, tmp_path, "safe", tls=trusted)) as served:
            await until(lambda: served.link.up)
        untrusted = {"tls": True, "ca_file": tmp_path / "stranger.pem"}
        with capture_logs() as logs:
            async with serving(settings_for(broker, tmp_path, "safe", tls=untrusted)) as served:
                await until(lambda: any("CERTIFICATE_VERIFY_FAILED" in str(entry.get("why")) for entry in logs))
                assert not served.link.up
                assert served.link.connections == 0


# --- whatever anybody sends

JSON = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=20),
    lambda inner: st.lists(inner, max_size=4) | st.dictionaries(st.text(max_size=12), inner, max_size=4),
    max_leaves=12,
)
MESSAGES: dict[str, dict[str, Any]] = {
    "rig/identity": IDENTITY,
    "rig/frame": FRAME,
    "rig/event": report("docked"),
    "ops/request": {
        **request("arm"),
        "cautions_shown": True,
        "prescription": auto_drop_order(safety=PATIENT).model_dump(mode="json"),
    },
}


@st.composite
def payloads(draw: st.DrawFn) -> tuple[str, bytes]:
    """A topic and a payload: noise, any JSON, or a good message with some of its members changed."""
    topic = draw(st.sampled_from([*MESSAGES, "rig/ack", "rig/repetition", "ctl/command", "nowhere"]))
    if topic in MESSAGES and draw(st.booleans()):
        good = MESSAGES[topic]
        changes = draw(st.dictionaries(st.sampled_from([*good, "more"]), JSON, max_size=3))
        return topic, json.dumps({**good, **changes}).encode()
    return topic, draw(st.binary(max_size=60) | JSON.map(lambda value: json.dumps(value).encode()))


@settings(max_examples=150, deadline=None)
@given(st.lists(st.tuples(payloads(), st.booleans()), max_size=60))
def test_no_sequence_of_messages_raises_grows_or_commands_a_load(
    messages: list[tuple[tuple[str, bytes], bool]],
) -> None:
    async def pour() -> None:
        clock = Clock()
        inbox = Inbox("bench", clock)
        controller = SetController(POLICIES)
        controller.handle(LinkUp(now_us=clock.us))
        for (topic, payload), retained in messages:
            inbox.message(ROOT + topic, payload, retained=retained)
            clock.us += 1_000
        waiting = 0
        for event in await all_of(inbox):
            waiting += 1
            outputs = controller.handle(event)
            # Nobody drew a nonce here, so nothing can be armed, whatever the messages say.
            assert not any(isinstance(output, SendArm | SendLoad) for output in outputs)
            for output in outputs:
                codec.to_wire(output)
        assert waiting <= sum(BOUNDS.values())

    asyncio.run(pour())


# --- a stop and what still waits -------------------------------------------------------------------------------------


@pytest.mark.parametrize("how", ["stop", "release"])
async def test_a_stop_makes_void_what_was_asked_before_it_and_is_not_handled_yet(clock: Clock, how: str) -> None:
    overtaken: list[Requested] = []
    inbox = Inbox("bench", clock, overtaken=overtaken.append)
    put(inbox, "ops/request", request("arm"))
    put(inbox, "ops/request", request("start"))
    put(inbox, "ops/request", request(how))
    put(inbox, "ops/request", {**request("arm"), "correlation_id": "ask-arm-later"})
    stop, first, second, later = await all_of(inbox)
    assert isinstance(stop, Requested)
    assert stop.action == how
    for void in (first, second):
        assert isinstance(void, BadInput)
        assert (void.topic, void.code) == ("ops/request", "overtaken_by_stop")
    assert "arm was asked before" in first.detail
    assert [each.action for each in overtaken] == ["arm", "start"]
    assert isinstance(later, Requested), "what is asked after the stop is asked anew"
    assert later.correlation_id == "ask-arm-later"


async def test_a_stop_that_is_itself_left_out_or_misspelt_makes_void_what_waits_all_the_same(clock: Clock) -> None:
    for stop in (request("stop"), {"action": "stop", "operator": 5}):
        inbox = Inbox("bench", clock, stop_matters=lambda: False)
        for _ in range(int(REQUESTS_AT_ONCE)):
            put(inbox, "ops/request", request("arm"))
        put(inbox, "ops/request", stop)
        found = await all_of(inbox)
        assert len(found) >= REQUESTS_AT_ONCE
        assert not [event for event in found if isinstance(event, Requested)]


async def test_the_stop_of_an_orderly_shutdown_makes_void_what_waits(inbox: Inbox) -> None:
    put(inbox, "ops/request", request("arm"))
    inbox.ask(Requested(now_us=2, correlation_id="shutdown", action=RequestAction.STOP, operator="me"))
    stop, void = await all_of(inbox)
    assert isinstance(stop, Requested)
    assert isinstance(void, BadInput)
