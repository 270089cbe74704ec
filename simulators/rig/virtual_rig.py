"""A rig as its own process: the simulated rig in real time, speaking the wire contract over MQTT.

What lives here: real time (absolute deadlines, catching up after a suspended machine), the connection (a fresh client
each time, will, retained identity, backoff) and the person at it. What the rig decides stands in `firmware`, what its
messages look like in `rig_messages`, what it is made of in `plant`, what its software may do wrong in `defects`.

The rig never waits for the network: frames and answers go through two bounded queues that drop and count, and the
plant and its watchdogs go on while there is no broker.
"""

from __future__ import annotations

import asyncio
import contextlib
import json
import math
import secrets
import signal
import socket
from collections import deque
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from typing import Any, Final, Literal

import aiomqtt
import numpy as np
import structlog
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties

from ebbset.controller.link.mqtt_link import new_client
from ebbset.controller.link.settings import BrokerSettings
from ebbset.models.contract.wire import BadMessageError, Refusal, Topic, decode
from ebbset.simulators.lifter.lifter import LifterParameters
from ebbset.simulators.rig import rig_messages as messages
from ebbset.simulators.rig.defects import Defect
from ebbset.simulators.rig.firmware import Notice, Reply, RigFirmware
from ebbset.simulators.rig.plant import Plant
from ebbset.simulators.rig.rig_parameters import RigParameters
from ebbset.simulators.rig.rig_segmenter import RigSegmenter
from ebbset.simulators.rig.sensors import SensorFault, SensorParameters, Sensors
from ebbset.simulators.rig.simulated_rig import SimulatedRig, extremes, firmware_settings, step_for

BACKOFF_S: Final = (0.25, 0.5, 1.0, 2.0, 5.0)
SLOW_ACK_S: Final = 0.6
FRAMES_QUEUED: Final = 64
ANSWERS_QUEUED: Final = 256
_WAKE_S: Final = 0.02
_EXPIRY_S: Final = 2
_STEPPING_RAMP_N_PER_S: Final = 1e6
_HAND_SPEED_M_S: Final = 0.4

log = structlog.get_logger(__name__)


@dataclass(frozen=True, slots=True, kw_only=True)
class VirtualRigSettings:
    """One virtual rig and where it connects.

    Attributes:
        rig: name of the rig, part of every topic.
        lifter: who is at it.
        broker: where it connects and how.
        parameters: the mechanics.
        sensors: sensors, clock and sample rate.
        faults: what befalls the sensors, on time since the start.
        telemetry: frames, or only summaries of the repetitions that the rig segments itself.
        frame_samples: samples in a frame.
        ready_after_s: how long the person waits with the load at the dock before lifting; None: nobody is there.
        defect: the one thing that its software does wrong.
        seed: of all simulated randomness.
        hands: obey the bench topic ``ebbset-bench/v1/<rig>/hands``, by which tests in another process act as the
            person at the rig; outside the contract, off by default.
    """

    rig: str
    lifter: LifterParameters
    broker: BrokerSettings = field(default_factory=BrokerSettings)
    parameters: RigParameters = field(default_factory=RigParameters)
    sensors: SensorParameters = field(default_factory=SensorParameters)
    faults: tuple[SensorFault, ...] = ()
    telemetry: Literal["frames", "repetitions"] = "frames"
    frame_samples: int = 5
    ready_after_s: float | None = 0.8
    defect: Defect | None = None
    seed: int = 1
    hands: bool = False


@dataclass(slots=True)
class _Outgoing:
    """A bounded queue that drops its oldest entry and counts what it dropped."""

    limit: int
    messages: deque[tuple[Topic, bytes]] = field(default_factory=deque)
    ready: asyncio.Event = field(default_factory=asyncio.Event)
    dropped: int = 0

    def put(self, topic: Topic, content: dict[str, Any]) -> None:
        if len(self.messages) >= self.limit:
            self.messages.popleft()
            self.dropped += 1
        self.messages.append((topic, json.dumps(content).encode()))
        self.ready.set()

    async def take(self) -> tuple[Topic, bytes]:
        while not self.messages:
            self.ready.clear()
            await self.ready.wait()
        return self.messages.popleft()


class VirtualRig:
    """One virtual rig. `run` is the process; the other public methods are what a person at the rig can do."""

    def __init__(self, settings: VirtualRigSettings) -> None:
        self.settings = settings
        own = firmware_settings(settings.parameters)
        plant_rng, sensor_rng = (np.random.default_rng(s) for s in np.random.SeedSequence(settings.seed).spawn(2))
        mechanics = settings.parameters
        if settings.defect is Defect.STEPS_TO_ZERO:
            # This rig's drive obeys any ramp, so that the step its software orders is a step at the handle.
            mechanics = replace(mechanics, max_ramp_n_per_s=_STEPPING_RAMP_N_PER_S)
        self.rig = SimulatedRig(
            Plant(mechanics, settings.lifter, plant_rng, step_for(settings.sensors.sample_rate_hz)),
            Sensors(settings.sensors, cables=own.cables, rng=sensor_rng, faults=settings.faults),
            RigFirmware(own, boot_id=_boot_id(), defect=settings.defect),
            frame_samples=settings.frame_samples,
            ready_after_s=settings.ready_after_s,
        )
        self._segmenter = RigSegmenter(rom_m=settings.lifter.rom_m)
        self._frames = _Outgoing(FRAMES_QUEUED)
        self._answers = _Outgoing(ANSWERS_QUEUED)
        self._in_frame = 0
        self._seq = {Topic.FRAME: 0, Topic.EVENT: 0, Topic.REPETITION: 0}
        self._began_s = 0.0
        self._client: aiomqtt.Client | None = None
        self._command_topic = Topic.COMMAND.path(settings.rig)
        self._log = log.bind(rig=settings.rig)
        self._late_acks: set[asyncio.Task[None]] = set()
        self._compile()

    # --- the process ---------------------------------------------------------------------------------------------

    async def run(self, stop: asyncio.Event) -> None:
        """Simulate and stay connected until ``stop`` is set; then say goodbye."""
        self._began_s = asyncio.get_running_loop().time() - self.rig.t_s
        async with asyncio.TaskGroup() as tasks:
            moving = tasks.create_task(self._move())
            connecting = tasks.create_task(self._stay_connected(stop))
            await stop.wait()
            moving.cancel()
            await asyncio.wait({connecting}, timeout=2.0)
            connecting.cancel()
        self._log.info("rig_stopped", frames_dropped=self._frames.dropped, answers_dropped=self._answers.dropped)

    def _compile(self) -> None:
        """Have the inner loop compiled before real time begins, on copies that are thrown away."""
        rig = self.rig
        out = np.zeros((1, rig.plant.rig.n_cables, 4))
        rig.plant.fork().run_frame(1, 1, out)
        extremes(out, 0, 1)
        Sensors(rig.sensors.parameters, cables=out.shape[1], rng=np.random.default_rng(0)).read(out)

    async def _move(self) -> None:
        """Advance the plant in real time from absolute deadlines: the frame's end, the lease's, or a while."""
        loop = asyncio.get_running_loop()
        while True:
            self._catch_up()
            rig = self.rig
            samples = min(self._samples_ahead(), max(round(_WAKE_S / rig.sample_s), 1))
            next_s = self._began_s + rig.t_s + samples * rig.sample_s
            await asyncio.sleep(max(next_s - loop.time(), 0.0))

    def _samples_ahead(self) -> int:
        """Samples until the running frame is full or the lease runs out, at least one."""
        rig = self.rig
        left = self.settings.frame_samples - self._in_frame
        deadline_us = rig.firmware.deadline_us
        if deadline_us is None:
            return left
        lease_s = rig.sensors.true_s(deadline_us) - rig.t_s
        return min(left, max(math.ceil(lease_s / rig.sample_s - 1e-9), 1))

    def _catch_up(self) -> float:
        """Advance to now, however long that is; the time since the start.

        A machine that was suspended does not stop a real rig: its watchdogs fire at their own time on the way.
        """
        rig = self.rig
        now_s = asyncio.get_running_loop().time() - self._began_s
        while (due := math.floor((now_s - rig.t_s) / rig.sample_s + 1e-6)) > 0:
            first = self._in_frame
            last = first + min(due, self._samples_ahead())
            rig.advance(first, last)
            for notice in rig.watch(first, last, t_us=rig.clock_us()):
                self._tell(notice)
            rig.person()
            self._in_frame = last
            if last == self.settings.frame_samples:
                self._in_frame = 0
                self._send_reading()
        return now_s

    # --- what a person at the rig can do -------------------------------------------------------------------------

    def press_emergency_stop(self) -> None:
        """Press the emergency stop."""
        self._catch_up()
        notices = self.rig.firmware.press_emergency_stop(self.rig.clock_us())
        self.rig.drive()
        for notice in notices:
            self._tell(notice)

    def reset_emergency_stop(self) -> None:
        """Release the emergency stop."""
        self.rig.firmware.reset_emergency_stop()
        self.rig.drive()

    def move_handle(self, to_m: float, speed_m_s: float = _HAND_SPEED_M_S) -> None:
        """Take every handle in hand and move it to ``to_m`` of cable paid out."""
        self.rig.plant.guide(to_m, speed_m_s)

    def let_go(self) -> None:
        """Leave every handle where it is; the cable takes it home."""
        self.rig.plant.let_go()

    def reboot(self) -> None:
        """Switch the rig off and on: the motors lose their command, the connection breaks off without a goodbye."""
        rig = self.rig
        rig.firmware = rig.firmware.rebooted(_boot_id())
        rig.sensors.reboot(rig.t_s)
        rig.drive()
        self._seq = dict.fromkeys(self._seq, 0)
        self._frames.messages.clear()
        self._answers.messages.clear()
        self._log.info("rig_rebooted", boot_id=rig.firmware.boot_id)
        if self._client is not None:
            # aiomqtt has no call for a connection that breaks, so the socket under it is shut.
            link = self._client._client.socket()
            if isinstance(link, socket.socket):
                with contextlib.suppress(OSError):
                    link.shutdown(socket.SHUT_RDWR)

    # --- messages out --------------------------------------------------------------------------------------------

    def _next_seq(self, topic: Topic) -> int:
        seq = self._seq[topic]
        self._seq[topic] = seq + 1
        return seq

    def _send_reading(self) -> None:
        reading = self.rig.read()
        if self.settings.telemetry == "repetitions":
            if reading is not None:
                loaded_n = max(self.rig.applied_n)
                for segment in self._segmenter.feed(reading, docked=self.rig.docked, loaded_n=loaded_n):
                    seq = self._next_seq(Topic.REPETITION)
                    self._answers.put(Topic.REPETITION, messages.repetition(self.rig, seq, segment))
            return
        seq = self._next_seq(Topic.FRAME)
        if reading is not None:
            self._frames.put(Topic.FRAME, messages.frame(self.rig, seq, reading))

    def _tell(self, notice: Notice) -> None:
        self._log.info("rig_event", kind=notice.kind.value, detail=notice.detail)
        self._answers.put(Topic.EVENT, messages.event(self.rig, self._next_seq(Topic.EVENT), notice))

    def _acknowledge(self, reply: Reply) -> None:
        content = messages.acknowledgement(self.rig, reply)
        if self.settings.defect is Defect.NEVER_ACKS:
            return
        if self.settings.defect is Defect.SLOW_ACKS:
            task = asyncio.create_task(self._acknowledge_late(content))
            self._late_acks.add(task)
            task.add_done_callback(self._late_acks.discard)
            return
        self._answers.put(Topic.ACK, content)

    async def _acknowledge_late(self, content: dict[str, Any]) -> None:
        await asyncio.sleep(SLOW_ACK_S)
        self._answers.put(Topic.ACK, content)

    # --- messages in ---------------------------------------------------------------------------------------------

    def _receive(self, payload: bytes) -> None:
        """One command from the wire; whatever it holds, the rig answers or logs and goes on."""
        rig = self.rig
        now_s = self._catch_up()
        t_us = rig.clock_us(now_s)
        try:
            command = decode(Topic.COMMAND, payload)
        except BadMessageError as error:
            self._log.warning("bad_command", code=error.code.value, detail=error.detail)
            addressed = messages.addressee(payload)
            if addressed is not None:
                self._acknowledge(Reply(*addressed, t_us, False, Refusal.BAD_MESSAGE, rig.applied_n, rig.docked))
            return
        before_n, before_nonce = rig.target_n, rig.firmware.nonce
        reply = rig.handle(command, t_us=t_us)
        if reply.refusal is not None:
            self._log.warning("command_refused", kind=command.kind, seq=command.seq, refusal=reply.refusal.value)
        elif rig.target_n != before_n or rig.firmware.nonce != before_nonce:
            self._log.info("command_obeyed", kind=command.kind, seq=command.seq, target_n=rig.target_n)
        self._acknowledge(reply)

    def _receive_hands(self, payload: bytes) -> None:
        """The bench topic: a test in another process acts as the person at the rig."""
        try:
            wish = json.loads(payload)
            actions: dict[str, Callable[[], None]] = {
                "press_emergency_stop": self.press_emergency_stop,
                "reset_emergency_stop": self.reset_emergency_stop,
                "let_go": self.let_go,
                "reboot": self.reboot,
                "move_handle": lambda: self.move_handle(float(wish["to_m"]), float(wish.get("speed_m_s", 0.4))),
            }
            actions[wish["do"]]()
        except (ValueError, KeyError, TypeError, AttributeError) as error:
            self._log.warning("bad_hands_request", detail=repr(error)[:200])

    # --- the connection ------------------------------------------------------------------------------------------

    async def _stay_connected(self, stop: asyncio.Event) -> None:
        """A fresh client for every connection, with a pause that grows while the broker is away."""
        settings = self.settings.broker
        failures = 0
        while not stop.is_set():
            try:
                async with self._new_client() as client:
                    failures = 0
                    self._client = client
                    self._log.info("connected", host=settings.host, port=settings.resolved_port)
                    await self._serve(client, stop)
            except (aiomqtt.MqttError, OSError) as error:
                if failures == 0:
                    self._log.warning("not_connected", why=str(error)[:200] or type(error).__name__)
                pause_s = BACKOFF_S[min(failures, len(BACKOFF_S) - 1)]
                failures += 1
                with contextlib.suppress(TimeoutError):
                    await asyncio.wait_for(stop.wait(), pause_s)
            finally:
                self._client = None

    def _new_client(self) -> aiomqtt.Client:
        name = self.settings.rig
        will = aiomqtt.Will(self._topic(Topic.IDENTITY), self._identity(online=False), qos=1, retain=True)
        return new_client(
            self.settings.broker,
            f"ebbset-rig-{name}-{secrets.token_hex(4)}",
            will=None if self.settings.defect is Defect.NO_WILL else will,
            sink=self._arrived,
        )

    async def _serve(self, client: aiomqtt.Client, stop: asyncio.Event) -> None:
        await client.subscribe(self._topic(Topic.COMMAND), qos=0)
        if self.settings.hands:
            await client.subscribe(hands_topic(self.settings.rig), qos=1)
        await self._announce(client, online=True)
        tasks = {
            asyncio.create_task(_until_closed(client)),
            asyncio.create_task(self._send(client, self._frames, qos=0)),
            asyncio.create_task(self._send(client, self._answers, qos=1)),
            asyncio.create_task(stop.wait()),
        }
        try:
            done, _ = await asyncio.wait(tasks, return_when=asyncio.FIRST_COMPLETED)
            for task in done:
                task.result()
            if stop.is_set():
                await self._announce(client, online=False)
        finally:
            for task in tasks:
                task.cancel()
            await asyncio.gather(*tasks, return_exceptions=True)

    async def _announce(self, client: aiomqtt.Client, *, online: bool) -> None:
        retain = self.settings.defect is not Defect.IDENTITY_NOT_RETAINED
        await client.publish(self._topic(Topic.IDENTITY), self._identity(online=online), qos=1, retain=retain)

    def _arrived(self, message: aiomqtt.Message) -> None:
        """Called in the moment in which a message was read."""
        payload = message.payload if isinstance(message.payload, bytes) else str(message.payload or "").encode()
        if message.retain:
            # Whoever retains a command has it sent to the rig at every connection; it was never meant for now.
            self._log.warning("retained_message_ignored", topic=message.topic.value)
        elif message.topic.value == self._command_topic:
            self._receive(payload)
        else:
            self._receive_hands(payload)

    async def _send(self, client: aiomqtt.Client, queue: _Outgoing, *, qos: int) -> None:
        properties = None
        if self.settings.broker.protocol == "5":
            properties = Properties(PacketTypes.PUBLISH)  # type: ignore[no-untyped-call]
            properties.MessageExpiryInterval = _EXPIRY_S
        while True:
            topic, payload = await queue.take()
            await client.publish(self._topic(topic), payload, qos=qos, properties=properties)

    def _topic(self, topic: Topic) -> str:
        return topic.path(self.settings.rig)

    def _identity(self, *, online: bool) -> bytes:
        settings = self.settings
        content = messages.identity(self.rig, name=settings.rig, telemetry=settings.telemetry, online=online)
        return json.dumps(content).encode()


async def _until_closed(client: aiomqtt.Client) -> None:
    # Messages go straight to `_arrived`, so this yields none; it ends with the error of a lost connection.
    async for _ in client.messages:
        raise RuntimeError("a message came past the sink")


def hands_topic(rig: str) -> str:
    """The bench topic of a virtual rig: what tests publish to act as the person at it."""
    return f"ebbset-bench/v1/{rig}/hands"


def _boot_id() -> str:
    return secrets.token_hex(6)


async def run_virtual_rig(settings: VirtualRigSettings) -> None:
    """Run a virtual rig until SIGTERM or SIGINT."""
    stop = asyncio.Event()
    loop = asyncio.get_running_loop()
    for number in (signal.SIGTERM, signal.SIGINT):
        loop.add_signal_handler(number, stop.set)
    try:
        await VirtualRig(settings).run(stop)
    finally:
        for number in (signal.SIGTERM, signal.SIGINT):
            loop.remove_signal_handler(number)
