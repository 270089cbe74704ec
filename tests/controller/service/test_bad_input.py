"""Bad input from anyone: one clear line that says what and why, the set stays safe, nothing recorded is lost.

Every case is sent over a real Mosquitto to a controller whose set is under load, by a peer that is not the rig.
"""

from __future__ import annotations

import asyncio
import contextlib
import functools
import json
import secrets
import signal
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import aiomqtt
import pytest
from structlog.testing import capture_logs

from ebbset.controller.link.mqtt_link import new_client
from ebbset.controller.link.settings import ServeSettings
from ebbset.controller.messages.actions import SendLoad
from ebbset.controller.messages.events import BadInput, Samples
from ebbset.controller.recording.reader import read_recording
from ebbset.controller.recording.replay import Verdict, replay
from ebbset.models.contract import wire
from ebbset.models.contract.problems import BadDocumentError
from tests.support.brokers import Mosquitto, free_port
from tests.support.kinematic_rig import POLICIES
from tests.support.operators import Operator, arm_and_start, operator
from tests.support.served import hand_rig, serving, settings_for, until
from tests.support.sessions import PATIENT, auto_drop_order

pytestmark = pytest.mark.broker

Case = Callable[[dict[str, Any]], str | bytes]


def changed(**members: Any) -> Case:
    return lambda frame: json.dumps({**frame, **members})


def without(member: str) -> Case:
    return lambda frame: json.dumps({key: value for key, value in frame.items() if key != member})


def position(text: str) -> Case:
    return lambda frame: json.dumps({**frame, "seq": frame["seq"] + 1_000_000, "cables": "X"}).replace(
        '"X"', f'[{{"position_m": [{", ".join([text] * len(frame["t_us"]))}]}}]'
    )


TELEMETRY: dict[str, tuple[Case, str, str]] = {
    "unknown version": (changed(version=2), "unknown_version", "version is 2"),
    "missing field": (without("t_us"), "missing_field", "t_us is missing"),
    "not a number": (position("NaN"), "not_finite", "position_m[0]"),
    "infinite": (position("Infinity"), "not_finite", "position_m[0]"),
    "infinite by exponent": (position("1e999"), "not_finite", "position_m[0]"),
    "negative load": (changed(applied_n=[-5.0]), "invalid_field", "applied_n[0] is -5.0"),
    "a megabyte": (lambda _frame: b"[" + b"1," * 500_000 + b"1]", "too_large", "allowed: at most 65536"),
    "not JSON": (lambda _frame: "hello", "not_json", "expected value"),
    "not text": (lambda _frame: b"\xff\xfe\x00", "not_json", ""),
    "nothing": (lambda _frame: b"", "not_json", "EOF"),
    "deeply nested": (lambda _frame: b"[" * 60_000, "not_json", "recursion limit"),
    "columns that disagree": (changed(t_us=[1, 2, 3]), "invalid_field", "allowed: 3, one for each t_us"),
    "a column of nothing": (changed(t_us=[]), "invalid_field", "t_us"),
    "text for truth": (changed(docked="yes"), "invalid_field", "docked is 'yes'"),
    # What follows is well formed: only its place in time is wrong.
    "a frame twice": (changed(), "repeated", "allowed: above"),
    "frames out of order": (
        lambda frame: json.dumps({**frame, "seq": frame["seq"] - 20}),
        "out_of_order",
        "allowed: above",
    ),
    "time running backwards": (
        lambda frame: json.dumps({**frame, "seq": frame["seq"] + 3, "t_us": [t - 10**6 for t in frame["t_us"]]}),
        "time_backwards",
        "allowed: above",
    ),
}

BY_ORDER = frozenset({"a frame twice", "frames out of order", "time running backwards"})
"""Bad only because of the frame that came before."""


def sound(frames: list[Any]) -> list[dict[str, Any]]:
    """The frames that may be the rig's own: the observer also hears the bad ones."""
    found = []
    for frame in frames:
        if not isinstance(frame, dict):
            continue
        with contextlib.suppress(wire.BadMessageError):
            wire.decode(wire.Topic.FRAME, json.dumps(frame))
            if frame["seq"] < 1_000_000:
                found.append(frame)
    return found


def genuine(frames: list[Any]) -> dict[str, Any]:
    """The rig's newest own frame."""
    return max(sound(frames[-60:]), key=lambda frame: (frame["seq"], frame["t_us"]))


def is_told(logs: list[Any], since: int, code: str | None, words: str) -> bool:
    """A log line from then on has these words in its detail, and that code where one is given."""
    return any(words in str(entry.get("detail")) and code in (None, entry.get("code")) for entry in logs[since:])


def is_newer(person: Operator, frame: dict[str, Any]) -> bool:
    """The rig's own frames are past this one, and past the bad frame that is numbered three above it."""
    return any(newest["seq"] > frame["seq"] + 3 for newest in sound(person.of("rig/frame")[-2:]))


@contextlib.contextmanager
def held_up(rig: asyncio.subprocess.Process) -> Iterator[None]:
    """The rig sends nothing, so that no frame of its own comes between the newest and what is sent now.

    Far shorter than a lease: when it goes on, it finds the renewals that came meanwhile.
    """
    rig.send_signal(signal.SIGSTOP)
    try:
        yield
    finally:
        rig.send_signal(signal.SIGCONT)


async def passed_on(person: Operator) -> None:
    """Wait until the broker has passed on everything that it had when this was called."""
    mark = secrets.token_hex(8)
    await person.publish("test/mark", json.dumps({"mark": mark}))
    await person.until(lambda: {"mark": mark} in person.of("test/mark"))


@pytest.fixture
def every_line(monkeypatch: pytest.MonkeyPatch) -> None:
    """A repeated problem is logged each time, not once a second, so that no test has to wait for its turn."""
    monkeypatch.setattr("ebbset.controller.service.notices.AGAIN_US", 0)


@pytest.mark.usefixtures("every_line")
async def test_bad_telemetry_of_every_kind_is_reported_counted_recorded_and_moves_no_load(
    broker: Mosquitto, tmp_path: Path
) -> None:
    rig = "bad-telemetry"
    with capture_logs() as logs:
        async with (
            serving(settings_for(broker, tmp_path, rig)) as served,
            hand_rig(broker.port, rig) as seen,
            operator(broker.port, rig) as person,
        ):
            await arm_and_start(person)
            for name, (case, code, words) in TELEMETRY.items():
                before = len(logs)
                for _ in range(40):
                    with held_up(seen["process"]) if name in BY_ORDER else contextlib.nullcontext():
                        await passed_on(person)
                        sent = genuine(person.of("rig/frame"))
                        await person.publish("rig/frame", case(sent))
                        # Again unless told, since a frame may have been on its way to the broker all the same.
                        with contextlib.suppress(TimeoutError):
                            await until(functools.partial(is_told, logs, before, code, words), timeout_s=0.2)
                    # The rig's next frames pass the same way, and the set goes on with them.
                    await person.until(functools.partial(is_newer, person, sent))
                    if is_told(logs, before, code, words):
                        break
                else:
                    pytest.fail(f"{name} is not told")
                assert served.controller.state == "working", f"{name}: {person.of('ctl/decision')[-1:]}"
            stopped = await person.ask("stop")
            assert stopped["accepted"]
            [result] = await person.until(lambda: person.of("ctl/result"))
            await person.until_state("ended")
    assert result["reason"] == "stop_requested"
    assert seen["refused"] == []
    # The lifter may stall meanwhile, which drops the load as it should; nothing may raise it.
    assert seen["targets_n"][0] == 400.0
    assert seen["targets_n"] == sorted(seen["targets_n"], reverse=True)
    assert len(seen["targets_n"]) - 1 == result["drops"]
    assert result["refused_inputs"] >= len(TELEMETRY)
    told = {(entry["code"], entry["detail"]) for entry in logs if entry["event"] == "bad_input"}
    for name, (_, code, words) in TELEMETRY.items():
        assert any(c == code and words in detail for c, detail in told), f"{name}: {code} {words!r} not in {told}"

    recording = read_recording(served.recordings[0])
    assert recording.whole
    assert replay(recording, POLICIES).verdict is Verdict.SAME
    recorded = {item.event.code for item in recording.handled if isinstance(item.event, BadInput)}
    assert recorded >= {"unknown_version", "missing_field", "not_finite", "invalid_field", "too_large", "not_json"}
    # No renewal rests on a frame whose place in time was wrong: what commands cite only ever grows.
    cited = [o.cites_t_us for item in recording.handled for o in item.outputs if isinstance(o, SendLoad)]
    assert cited == sorted(cited)
    assert len(cited) > 3
    times = {t for item in recording.handled if isinstance(item.event, Samples) for t in item.event.t_us}
    assert set(cited) <= times


@pytest.mark.usefixtures("every_line")
async def test_bad_requests_are_reported_and_arm_nothing(broker: Mosquitto, tmp_path: Path) -> None:
    rig = "bad-requests"
    order = auto_drop_order(safety=PATIENT).model_dump(mode="json")
    request = {"version": 1, "correlation_id": "ask-0001", "action": "arm", "operator": "coach", "cautions_shown": True}
    upside_down = {**order, "load": {**order["load"], "floor_n": 900.0}}
    cases = {
        "floor above start": (
            {**request, "prescription": upside_down},
            "load.floor_n is 91.8 kg (900 N); allowed: at most start_n = 40.8 kg (400 N)",
        ),
        "negative load": ({**request, "prescription": {**order, "load": {"start_n": -4, "floor_n": 1}}}, "start_n"),
        "an action there is not": ({**request, "action": "more"}, "action is 'more'"),
        "no correlation": ({k: v for k, v in request.items() if k != "correlation_id"}, "correlation_id is missing"),
        "unknown version": ({**request, "version": 9}, "version is 9"),
        "a shell's own member": ({**request, "fresh_nonce": "nonce-0001"}, "fresh_nonce"),
    }
    with capture_logs() as logs:
        async with (
            serving(settings_for(broker, tmp_path, rig)) as served,
            hand_rig(broker.port, rig) as seen,
            operator(broker.port, rig) as person,
        ):
            await person.until_state("idle")
            for name, (message, words) in cases.items():
                before = len(logs)
                await person.publish("ops/request", json.dumps(message))
                await until(functools.partial(is_told, logs, before, None, words))
                assert served.controller.state == "idle", name
            answers = {a["correlation_id"]: a for a in person.of("ctl/answer")}
            assert answers["ask-0001"]["accepted"] is False
    assert seen["commands"] == 0


async def test_a_person_is_answered_when_the_prescription_cannot_be_read(broker: Mosquitto, tmp_path: Path) -> None:
    rig = "answered"
    order = auto_drop_order(safety=PATIENT).model_dump(mode="json")
    order["load"]["floor_n"] = 900.0
    async with (
        serving(settings_for(broker, tmp_path, rig)),
        hand_rig(broker.port, rig),
        operator(broker.port, rig) as person,
    ):
        await person.until_state("idle")
        answer = await person.ask("arm", cautions_shown=True, prescription=order)
    assert not answer["accepted"]
    assert answer["code"] == "invalid_field"
    assert "load.floor_n is 91.8 kg (900 N); allowed: at most start_n = 40.8 kg (400 N)" in answer["message"]
    assert answer["state"] == "idle"


async def test_a_retained_request_from_yesterday_arms_nothing(broker: Mosquitto, tmp_path: Path) -> None:
    rig = "yesterday"
    request = {"correlation_id": "ask-0001", "action": "arm", "operator": "coach", "cautions_shown": True}
    async with aiomqtt.Client("127.0.0.1", broker.port) as client:
        topic = f"ebbset/v1/{rig}/ops/request"
        await client.publish(topic, json.dumps(request), qos=1, retain=True)
        with capture_logs() as logs:
            async with serving(settings_for(broker, tmp_path, rig)) as served, hand_rig(broker.port, rig) as seen:
                await until(
                    lambda: served.controller.state == "idle" and any(e.get("code") == "retained" for e in logs)
                )
        await client.publish(topic, b"", qos=1, retain=True)
    assert seen["commands"] == 0


async def test_a_rig_that_never_announces_is_reported_and_cannot_be_armed(
    broker: Mosquitto, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("ebbset.controller.service.notices.ANNOUNCE_PATIENCE_US", 300_000)
    rig = "silent"
    with capture_logs() as logs:
        async with serving(settings_for(broker, tmp_path, rig)), operator(broker.port, rig) as person:
            await until(lambda: any(entry["event"] == "rig_not_announced" for entry in logs))
            order = auto_drop_order(safety=PATIENT).model_dump(mode="json")
            answer = await person.ask("arm", cautions_shown=True, prescription=order)
    assert answer["code"] == "not_while_offline"
    assert "no announcement" in answer["message"]
    told = [entry for entry in logs if entry["event"] == "rig_not_announced"]
    assert [entry["topic"] for entry in told] == [f"ebbset/v1/{rig}/rig/identity"]


async def test_a_broker_that_is_not_there_is_reported_once_and_tried_again(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    tried = 0

    def count_try(*arguments: Any, **named: Any) -> aiomqtt.Client:
        nonlocal tried
        tried += 1
        return new_client(*arguments, **named)

    monkeypatch.setattr("ebbset.controller.link.mqtt_link.new_client", count_try)
    port = free_port()
    settings = ServeSettings.of(rig="alone", recordings=tmp_path / "alone", broker={"port": port})
    with capture_logs() as logs:
        async with serving(settings) as served:
            # When the fourth begins, three have failed.
            await until(lambda: tried == 4)
            assert served.controller.state == "offline"
    told = [entry for entry in logs if entry["event"] == "broker_unreachable"]
    assert len(told) == 1
    assert (told[0]["host"], told[0]["port"]) == ("127.0.0.1", port)
    assert "refused" in told[0]["why"]


def test_a_prescription_file_upside_down_never_gets_as_far_as_a_broker(tmp_path: Path) -> None:
    path = tmp_path / "set.toml"
    path.write_text('name = "X"\nexercise = "row"\n[load]\nstart_n = 100.0\nfloor_n = 200.0\n')
    with pytest.raises(BadDocumentError, match=r"set\.toml: load\.floor_n is 20\.4 kg \(200 N\); allowed: at most"):
        ServeSettings.of(rig="bench", prescription=path).load_prescription()
