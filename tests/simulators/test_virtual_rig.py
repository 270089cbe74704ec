"""The virtual rig over a real broker, seen by a client that knows only MQTT and the published schemas."""

from __future__ import annotations

import asyncio
import contextlib
import json
import os
import signal
import sys
import time
from collections.abc import AsyncIterator, Callable, Iterator
from pathlib import Path
from typing import Any, Literal

import aiomqtt
import jsonschema
import numpy as np
import pytest

from ebbset.controller.link.settings import BrokerSettings
from ebbset.controller.messages.actions import SendArm, SendLoad
from ebbset.models.contract.rig_messages import RepetitionOutcome
from ebbset.rig.rig_connection import FRAMES_QUEUED
from ebbset.simulators.lifter.exercises import exercise
from ebbset.simulators.plant.plant import Plant
from ebbset.simulators.plant.rig_parameters import RigParameters
from ebbset.simulators.population.population import draw_lifter, person_rng
from ebbset.simulators.population.strength_test import one_rm_n
from ebbset.simulators.rig.defects import Defect
from ebbset.simulators.rig.firmware import RigFirmware
from ebbset.simulators.rig.rig_link import hands_topic
from ebbset.simulators.rig.rig_segmenter import RigSegmenter, Segment
from ebbset.simulators.rig.sensors import SensorParameters, Sensors
from ebbset.simulators.rig.simulated_rig import SimulatedRig, limits_of
from ebbset.simulators.rig.virtual_rig import VirtualRig, VirtualRigSettings
from tests.support.brokers import Mosquitto, mosquitto
from tests.support.operators import PATIENCE_S
from tests.support.unhurried_clock import UnhurriedClock

pytestmark = [pytest.mark.broker, pytest.mark.usefixtures("compiled_rig")]
SCHEMAS = Path(__file__).parents[2] / "contract"
LIFTER = draw_lifter(exercise("row"), person_rng(11, 0), fatigue_model="3cc_r")
NONCE = "nonce-0001"
Message = dict[str, Any]


@pytest.fixture(scope="module")
def broker(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Mosquitto]:
    with mosquitto(tmp_path_factory.mktemp("broker")) as running:
        yield running


def schema(name: str) -> Any:
    return json.loads((SCHEMAS / f"{name}.schema.json").read_text())


class Observer:
    """A plain MQTT client on one rig's topics."""

    def __init__(self, client: aiomqtt.Client, rig: str) -> None:
        self.client = client
        self.rig = rig
        self.seen: list[tuple[str, Message, bool]] = []
        self._news = asyncio.Event()

    async def listen(self) -> None:
        async for message in self.client.messages:
            assert isinstance(message.payload, bytes)
            topic = message.topic.value.removeprefix(f"ebbset/v1/{self.rig}/")
            self.seen.append((topic, json.loads(message.payload), bool(message.retain)))
            self._news.set()

    def of(self, topic: str) -> list[Message]:
        return [content for seen, content, _ in self.seen if seen == topic]

    async def wait_for(self, topic: str, timeout_s: float = PATIENCE_S, **fields: object) -> Message:
        """The first message of a topic with these fields, arrived already or not."""
        deadline = asyncio.get_running_loop().time() + timeout_s
        while True:
            for content in self.of(topic):
                if all(content.get(name) == value for name, value in fields.items()):
                    return content
            self._news.clear()
            left_s = deadline - asyncio.get_running_loop().time()
            try:
                await asyncio.wait_for(self._news.wait(), max(left_s, 0.0))
            except TimeoutError:
                raise AssertionError(f"no {topic} with {fields} in {timeout_s} s; seen {self.of(topic)[-3:]}") from None

    async def command(self, retain: bool = False, **content: object) -> None:
        payload = json.dumps({"version": 1, "nonce": NONCE, **content})
        await self.client.publish(f"ebbset/v1/{self.rig}/ctl/command", payload, retain=retain)

    async def until(self, condition: Callable[[], bool]) -> None:
        """Wait until a condition holds, looked at with each message."""
        async with asyncio.timeout(PATIENCE_S):
            while not condition():
                self._news.clear()
                await self._news.wait()

    async def frames(self, count: int) -> list[Message]:
        """So many more frames."""
        before = len(self.of("rig/frame"))
        await self.until(lambda: len(self.of("rig/frame")) >= before + count)
        return self.of("rig/frame")[before : before + count]

    async def newest_t_us(self) -> int:
        [frame] = await self.frames(1)
        return int(frame["t_us"][-1])

    async def rig_time_passes(self, s: float) -> None:
        """Wait until the rig's own clock has gone on by so much, by its frames."""
        end_us = await self.newest_t_us() + round(s * 1e6)
        await self.until(lambda: self.of("rig/frame")[-1]["t_us"][-1] >= end_us)

    async def arm_and_load(self, load_n: float = 200.0, lease_ms: int = 500) -> None:
        await self.command(
            kind="arm", seq=1, ceiling_n=[400.0], floor_n=[100.0], max_ramp_n_per_s=800.0, lease_ms=lease_ms
        )
        cites = await self.newest_t_us()
        await self.command(
            kind="load", seq=2, target_n=[load_n], ramp_n_per_s=800.0, lease_ms=lease_ms, cites_t_us=cites
        )


@contextlib.asynccontextmanager
async def observing(broker: Mosquitto, rig: str, protocol: Literal["3.1.1", "5"] = "3.1.1") -> AsyncIterator[Observer]:
    version = aiomqtt.ProtocolVersion.V5 if protocol == "5" else aiomqtt.ProtocolVersion.V311
    async with aiomqtt.Client("127.0.0.1", broker.port, protocol=version) as client:
        observer = Observer(client, rig)
        await client.subscribe(f"ebbset/v1/{rig}/rig/#", qos=1)
        listening = asyncio.create_task(observer.listen())
        yield observer
        listening.cancel()
        # A broker that a test stops ends the listening with an error of its own.
        with contextlib.suppress(asyncio.CancelledError, aiomqtt.MqttError):
            await listening


@contextlib.asynccontextmanager
async def running(
    broker: Mosquitto, rig: str, *, clock_s: Callable[[], float] | None = None, **changes: Any
) -> AsyncIterator[VirtualRig]:
    """A rig in this process, by a clock that stands still while a busy machine does not run it."""
    settings = VirtualRigSettings(
        **{
            "rig": rig,
            "lifter": LIFTER,
            "broker": BrokerSettings(port=broker.port, protocol=changes.pop("protocol", "3.1.1")),
            "ready_after_s": None,
            **changes,
        }
    )
    virtual, stop = VirtualRig(settings, clock_s=clock_s or UnhurriedClock()), asyncio.Event()
    task = asyncio.create_task(virtual.run(stop))
    try:
        yield virtual
    finally:
        stop.set()
        await task


# --- the contract ------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("protocol", ["3.1.1", "5"])
async def test_every_message_fits_the_published_schemas(broker: Mosquitto, protocol: Literal["3.1.1", "5"]) -> None:
    rig = f"schemas-{protocol.replace('.', '')}"
    parameters = RigParameters(n_cables=2)
    async with (
        observing(broker, rig, protocol) as observer,
        running(broker, rig, protocol=protocol, parameters=parameters) as virtual,
    ):
        await observer.wait_for("rig/identity", online=True, cables=2)
        await observer.command(
            kind="arm", seq=1, ceiling_n=[400.0] * 2, floor_n=[100.0] * 2, max_ramp_n_per_s=800.0, lease_ms=500
        )
        await observer.wait_for("rig/ack", command_seq=1, accepted=True)
        await observer.command(kind="unload", seq=2, ramp_n_per_s=300.0)
        virtual.press_emergency_stop()
        await observer.wait_for("rig/event", kind="emergency_stop")
        await observer.wait_for("rig/frame", nonce=None)
    names = {"rig/identity": "rig_identity", "rig/frame": "rig_frame", "rig/ack": "rig_ack", "rig/event": "rig_event"}
    checked = set()
    for topic, content, _ in observer.seen:
        jsonschema.validate(content, schema(names[topic]))
        checked.add(topic)
    assert checked == set(names)


async def test_frames_are_regular_and_in_order_at_the_announced_rate(broker: Mosquitto) -> None:
    sensors = SensorParameters(sample_rate_hz=200.0, clock_drift_ppm=0.0)
    async with observing(broker, "regular") as observer, running(broker, "regular", sensors=sensors, frame_samples=10):
        frames = await observer.frames(20)
    assert [frame["seq"] for frame in frames] == list(range(frames[0]["seq"], frames[0]["seq"] + len(frames)))
    steps = np.diff(np.concatenate([frame["t_us"] for frame in frames]))
    # Stamps are rounded to whole microseconds, hence 5000 give or take one.
    assert set(steps.tolist()) <= {4_999, 5_000, 5_001}


async def test_the_lease_runs_out_and_unloads_at_the_rig_s_own_ramp(broker: Mosquitto) -> None:
    async with observing(broker, "lease") as observer, running(broker, "lease") as virtual:
        await observer.wait_for("rig/frame")
        await observer.arm_and_load(200.0, lease_ms=500)
        accepted = await observer.wait_for("rig/ack", command_seq=2, accepted=True)
        expired = await observer.wait_for("rig/event", kind="lease_expired")
        assert expired["t_us"] - accepted["t_us"] == pytest.approx(500_000, abs=11_000)
        highest = max(frame["applied_n"][0] for frame in observer.of("rig/frame"))
        assert highest == pytest.approx(200.0, abs=1e-6)
        gone_s = 200.0 / virtual.rig.firmware.limits.unload_ramp_n_per_s
        await observer.until(lambda: observer.of("rig/frame")[-1]["applied_n"] == [0.0])
        newest = observer.of("rig/frame")[-1]
        assert newest["nonce"] is None
        took_s = (newest["t_us"][-1] - expired["t_us"]) * 1e-6
        # A frame tells of it when it is full, 50 ms later at most.
        assert gone_s - 0.01 <= took_s <= gone_s + 0.15
        await observer.command(
            kind="load", seq=3, target_n=[200.0], ramp_n_per_s=500.0, lease_ms=500, cites_t_us=newest["t_us"][-1]
        )
        assert (await observer.wait_for("rig/ack", command_seq=3))["refusal"] == "spent_nonce"


async def test_the_rig_unloads_while_the_broker_is_away_and_comes_back(tmp_path: Path) -> None:
    with mosquitto(tmp_path) as broker:
        async with running(broker, "away") as virtual:
            async with observing(broker, "away") as observer:
                await observer.wait_for("rig/frame")
                await observer.arm_and_load(200.0, lease_ms=400)
                await observer.wait_for("rig/ack", command_seq=2, accepted=True)
            broker.stop()
            alone_s = virtual.rig.t_s
            async with asyncio.timeout(PATIENCE_S):
                while virtual.rig.t_s < alone_s + 0.4 + 0.3:  # noqa: ASYNC110 - the rig tells nobody, there is no broker
                    await asyncio.sleep(0.02)
            assert virtual.rig.firmware.nonce is None
            assert virtual.rig.applied_n == (0.0,)
            broker.start()
            async with observing(broker, "away") as observer:
                await observer.wait_for("rig/identity", online=True)
                await observer.wait_for("rig/frame")


async def test_a_suspended_machine_catches_up_and_its_watchdog_fired_in_time(broker: Mosquitto) -> None:
    asleep_s, awake_s = 0.0, UnhurriedClock()

    def clock_s() -> float:
        return awake_s() + asleep_s

    async with observing(broker, "asleep") as observer, running(broker, "asleep", clock_s=clock_s) as virtual:
        await observer.wait_for("rig/frame")
        await observer.arm_and_load(200.0, lease_ms=500)
        accepted = await observer.wait_for("rig/ack", command_seq=2, accepted=True)
        asleep_s = 10.0
        expired = await observer.wait_for("rig/event", kind="lease_expired")
        assert expired["t_us"] - accepted["t_us"] == pytest.approx(500_000, abs=11_000)
        assert virtual.frames_dropped >= 10.0 * 100 / 5 - FRAMES_QUEUED - 1
        assert virtual.rig.applied_n == (0.0,)


async def test_a_reboot_breaks_off_and_comes_back_unbound(broker: Mosquitto) -> None:
    async with observing(broker, "boot") as observer, running(broker, "boot", hands=True):
        first = await observer.wait_for("rig/identity", online=True)
        await observer.wait_for("rig/frame")
        await observer.arm_and_load(200.0)
        await observer.wait_for("rig/ack", command_seq=2, accepted=True)
        await observer.client.publish(hands_topic("boot"), json.dumps({"do": "reboot"}))
        await observer.wait_for("rig/identity", online=False, boot_id=first["boot_id"])
        await observer.until(lambda: len({content["boot_id"] for content in observer.of("rig/frame")}) == 2)
        newest = observer.of("rig/frame")[-1]
        assert newest["boot_id"] != first["boot_id"]
        assert (newest["nonce"], newest["seq"] < 100) == (None, True)
        assert observer.of("rig/identity")[-1]["boot_id"] == newest["boot_id"]
        first_frame = next(f for f in observer.of("rig/frame") if f["boot_id"] == newest["boot_id"])
        assert first_frame["t_us"][0] * 1e-6 - SensorParameters().clock_start_s < 1.0


async def test_identity_is_retained_and_says_offline_after_a_clean_disconnect(broker: Mosquitto) -> None:
    async with observing(broker, "late") as early, running(broker, "late"):
        await early.wait_for("rig/identity", online=True)
        async with observing(broker, "late") as observer:
            await observer.wait_for("rig/identity", online=True)
            assert [retained for topic, _, retained in observer.seen if topic == "rig/identity"] == [True]
    async with observing(broker, "late") as observer:
        await observer.wait_for("rig/identity", online=False)


# --- bad input ---------------------------------------------------------------------------------------------------


async def test_whatever_comes_the_rig_answers_or_ignores_and_goes_on(broker: Mosquitto) -> None:
    async with observing(broker, "hostile") as observer, running(broker, "hostile", hands=True):
        await observer.wait_for("rig/frame")
        topic = "ebbset/v1/hostile/ctl/command"
        for payload in (b"", b"\xff\xfe", b"{", b"[]" * 9, b"x" * 1_000_000, b'{"nonce": 3}', b"[" * 60_000):
            await observer.client.publish(topic, payload)
        await observer.client.publish(hands_topic("hostile"), b'{"do": "fly"}')
        await observer.client.publish(hands_topic("hostile"), b"7")
        await observer.command(kind="load", seq=7, target_n=[-5.0], ramp_n_per_s=1, lease_ms=500, cites_t_us=0)
        assert (await observer.wait_for("rig/ack", command_seq=7))["refusal"] == "bad_message"
        await observer.command(kind="unload", seq=8, ramp_n_per_s=300.0)
        await observer.wait_for("rig/ack", command_seq=8, accepted=True)


async def test_a_retained_command_is_never_obeyed(broker: Mosquitto) -> None:
    async with observing(broker, "retained") as observer:
        await observer.command(
            kind="arm", seq=1, ceiling_n=[400.0], floor_n=[100.0], max_ramp_n_per_s=800.0, lease_ms=500, retain=True
        )
        async with running(broker, "retained"):
            await observer.wait_for("rig/frame")
            # The broker sent the retained one first: once this is answered, that has been read.
            await observer.command(kind="unload", seq=2, ramp_n_per_s=300.0)
            await observer.wait_for("rig/ack", command_seq=2)
            assert [ack["command_seq"] for ack in observer.of("rig/ack")] == [2]
            assert (await observer.frames(1))[0]["nonce"] is None
        await observer.client.publish("ebbset/v1/retained/ctl/command", b"", retain=True)


# --- defects of the connection -----------------------------------------------------------------------------------


async def test_a_rig_without_will_and_one_that_does_not_retain(broker: Mosquitto) -> None:
    async with observing(broker, "nowill") as observer, running(broker, "nowill", defect=Defect.NO_WILL) as virtual:
        await observer.wait_for("rig/frame")
        virtual.reboot()
        await observer.until(lambda: len({frame["boot_id"] for frame in observer.of("rig/frame")}) == 2)
        assert [content["online"] for content in observer.of("rig/identity")] == [True, True]
    async with (
        observing(broker, "forgetful") as early,
        running(broker, "forgetful", defect=Defect.IDENTITY_NOT_RETAINED),
    ):
        await early.wait_for("rig/identity", online=True)
        async with observing(broker, "forgetful") as observer:
            await observer.wait_for("rig/frame")
            assert observer.of("rig/identity") == []


async def test_acks_that_never_come_or_come_late(broker: Mosquitto) -> None:
    async with observing(broker, "silent") as observer, running(broker, "silent", defect=Defect.NEVER_ACKS):
        await observer.wait_for("rig/frame")
        await observer.command(kind="unload", seq=1, ramp_n_per_s=300.0)
        await observer.rig_time_passes(0.3)
        assert observer.of("rig/ack") == []
    async with observing(broker, "slow") as observer, running(broker, "slow", defect=Defect.SLOW_ACKS):
        await observer.wait_for("rig/frame")
        asked_s = time.monotonic()
        await observer.command(kind="unload", seq=1, ramp_n_per_s=300.0)
        await observer.wait_for("rig/ack", command_seq=1)
        assert time.monotonic() - asked_s > 0.3


async def test_an_unknown_field_is_in_no_schema_and_a_slow_rig_breaks_its_announcement(broker: Mosquitto) -> None:
    async with observing(broker, "field") as observer, running(broker, "field", defect=Defect.UNKNOWN_FIELD):
        frame = await observer.wait_for("rig/frame")
        # A receiver ignores it, as a later minor version may add one; `check-rig` names it.
        jsonschema.validate(frame, schema("rig_frame"))
        assert frame.keys() - schema("rig_frame")["properties"].keys()
    async with observing(broker, "half") as observer, running(broker, "half", defect=Defect.SLOWER_THAN_ANNOUNCED):
        frame = await observer.wait_for("rig/frame")
        identity = await observer.wait_for("rig/identity", online=True)
        assert np.diff(frame["t_us"]).mean() * 1e-6 * identity["sample_rate_hz"] == pytest.approx(2.0, rel=0.01)


async def test_a_stepping_rig_steps_and_a_good_one_does_not(broker: Mosquitto) -> None:
    dropped = {}
    for name, defect in (("ramps", None), ("steps", Defect.STEPS_TO_ZERO)):
        async with observing(broker, name) as observer, running(broker, name, defect=defect):
            await observer.wait_for("rig/frame")
            await observer.arm_and_load(200.0, lease_ms=1_000)
            await observer.until(lambda: observer.of("rig/frame")[-1]["applied_n"][0] > 199.0)
            await observer.command(kind="unload", seq=3, ramp_n_per_s=400.0)
            done = await observer.wait_for("rig/ack", command_seq=3, accepted=True)
            while not (after := [frame for frame in observer.of("rig/frame") if frame["t_us"][-1] > done["t_us"]]):
                await observer.frames(1)
            dropped[name] = 200.0 - after[0]["applied_n"][0]
    # The first frame after the command ends at most 50 ms later, in which 400 N/s takes off at most 20 N and a bit.
    assert dropped["ramps"] < 25.0
    assert dropped["steps"] > 150.0


# --- the person and the process ----------------------------------------------------------------------------------


async def test_a_person_moves_the_handle_out_of_the_dock_and_back(broker: Mosquitto) -> None:
    async with observing(broker, "hands") as observer, running(broker, "hands") as virtual:
        await observer.wait_for("rig/frame", docked=True)
        virtual.move_handle(0.3, 0.6)
        await observer.wait_for("rig/event", kind="undocked")
        await observer.rig_time_passes(1.2)
        newest = observer.of("rig/frame")[-1]
        assert newest["docked"] is False
        assert newest["cables"][0]["position_m"][-1] == pytest.approx(0.3, abs=0.02)
        cables = [frame["cables"][0] for frame in observer.of("rig/frame")]
        samples = [pair for cable in cables for pair in zip(cable["position_m"], cable["velocity_m_s"], strict=True)]
        cruise = [velocity for position, velocity in samples if 0.15 < position < 0.22]
        # An empty handle is braked by the hand alone, which lets it run some 7 % faster than it was meant to.
        assert np.mean(cruise) == pytest.approx(0.6, abs=0.06)
        virtual.move_handle(0.0, 0.6)
        await observer.rig_time_passes(1.2)
        virtual.let_go()
        await observer.wait_for("rig/event", kind="docked")


PROCESS = """
import asyncio, sys
from ebbset.controller.link.settings import BrokerSettings
from ebbset.simulators.lifter.exercises import exercise
from ebbset.simulators.population.population import draw_lifter, person_rng
from ebbset.simulators.rig.virtual_rig import VirtualRigSettings, run_virtual_rig
lifter = draw_lifter(exercise("row"), person_rng(11, 0))
broker = BrokerSettings(port=int(sys.argv[1]))
asyncio.run(run_virtual_rig(VirtualRigSettings(rig="process", lifter=lifter, broker=broker)))
"""


async def test_sigterm_ends_the_process_cleanly(broker: Mosquitto) -> None:
    async with observing(broker, "process") as observer:
        process = await asyncio.create_subprocess_exec(
            sys.executable, "-c", PROCESS, str(broker.port), stdout=asyncio.subprocess.PIPE, env=os.environ.copy()
        )
        await observer.wait_for("rig/frame")
        process.send_signal(signal.SIGTERM)
        out, _ = await asyncio.wait_for(process.communicate(), PATIENCE_S)
        assert process.returncode == 0
        await observer.wait_for("rig/identity", online=False)
        assert out.count(b"connected") == 1
        assert b"rig_stopped" in out


# --- a rig that segments itself ----------------------------------------------------------------------------------


def segments_of_a_set_to_failure(load_share: float) -> tuple[list[Segment], SimulatedRig]:
    """A straight set at one load until the person puts the handle down, with no network and no controller."""
    mechanics = RigParameters()
    rig = SimulatedRig(
        Plant(mechanics, LIFTER, np.random.default_rng(5)),
        Sensors(SensorParameters(clock_drift_ppm=0.0, clock_start_s=0.0), cables=1, rng=np.random.default_rng(6)),
        RigFirmware(limits_of(mechanics), boot_id="boot-0001"),
        frame_samples=5,
        ready_after_s=0.5,
    )
    load_n = load_share * one_rm_n(LIFTER, mechanics)
    segmenter, found = RigSegmenter(rom_m=LIFTER.rom_m), []
    rig.handle(
        SendArm(nonce=NONCE, seq=1, ceiling_n=(load_n,), floor_n=(50.0,), max_ramp_n_per_s=500.0, lease_ms=1_000),
        t_us=rig.clock_us(),
    )
    seq = 1
    while not (rig.plant.done and rig.docked):
        seq += 1
        now = rig.clock_us()
        rig.handle(
            SendLoad(nonce=NONCE, seq=seq, target_n=(load_n,), ramp_n_per_s=500.0, lease_ms=1_000, cites_t_us=now),
            t_us=now,
        )
        rig.advance(0, 5)
        rig.watch(0, 5, t_us=rig.clock_us())
        rig.person()
        reading = rig.read()
        assert reading is not None
        found += segmenter.feed(reading, docked=rig.docked, loaded_n=max(rig.applied_n))
        assert rig.t_s < 200.0
    rig.keep_repetitions()
    return found, rig


def test_the_rig_s_own_segments_are_the_repetitions_that_were() -> None:
    found, rig = segments_of_a_set_to_failure(0.75)
    truths = [truth for _, truth in rig.finished]
    assert len(truths) >= 5
    assert len(found) == len(truths)
    pairs = list(zip(found, truths, strict=True))
    for segment, truth in pairs:
        share = (truth.end_m - truth.start_m) / LIFTER.rom_m
        # Rig and simulator draw the line of a whole repetition a little differently; near it either may be right.
        if not 0.90 < share < 0.97:
            assert (segment.outcome is RepetitionOutcome.COMPLETED) is truth.completed
    fastest = max(truth.mean_velocity_m_s for truth in truths)
    # The slowest are crept to their top for as long as strength lasts, so where those end is a matter of definition.
    brisk = [(segment, truth) for segment, truth in pairs if truth.mean_velocity_m_s > 0.6 * fastest]
    assert len(brisk) >= 3
    for segment, truth in brisk:
        assert segment.outcome is RepetitionOutcome.COMPLETED
        assert segment.t_start_us * 1e-6 == pytest.approx(truth.start_s, abs=0.15)
        assert segment.mean_velocity_m_s[0] == pytest.approx(truth.mean_velocity_m_s, rel=0.12, abs=0.02)
        assert segment.rom_m[0] == pytest.approx(truth.end_m - truth.start_m, abs=0.02)


async def test_summaries_alone_come_where_the_rig_segments_itself(broker: Mosquitto) -> None:
    async with (
        observing(broker, "summaries") as observer,
        running(broker, "summaries", telemetry="repetitions", ready_after_s=0.2) as virtual,
    ):
        await observer.wait_for("rig/identity", telemetry="repetitions")
        load_n = 0.45 * one_rm_n(LIFTER, RigParameters())
        ack: Message = {"t_us": 0}
        await observer.command(
            kind="arm", seq=1, ceiling_n=[load_n], floor_n=[50.0], max_ramp_n_per_s=1_500.0, lease_ms=900
        )
        for seq in range(2, 600):
            await observer.command(kind="unload", seq=seq, ramp_n_per_s=500.0) if seq == 2 else await observer.command(
                kind="load", seq=seq, target_n=[load_n], ramp_n_per_s=1_500.0, lease_ms=900, cites_t_us=ack["t_us"]
            )
            ack = await observer.wait_for("rig/ack", command_seq=seq)
            assert ack["accepted"]
            await asyncio.sleep(0.15)
            if observer.of("rig/repetition"):
                break
        repetition = await observer.wait_for("rig/repetition", outcome="completed")
        jsonschema.validate(repetition, schema("rig_repetition"))
        assert repetition["nonce"] == NONCE
        assert observer.of("rig/frame") == []
        assert repetition["cables"][0]["mean_force_n"] == pytest.approx(load_n, rel=0.15)
        assert virtual.rig.bout == 0
