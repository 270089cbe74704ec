"""A rig as its own process: the simulated rig in real time, speaking the wire contract over MQTT.

Here are real time (absolute deadlines, catching up after the machine was suspended) and the person at the rig. What the
rig decides is in `firmware`, what its messages look like in `rig_messages`, its connection in `rig_connection`, the
physics in `plant`, what its software may do wrong in `defects`. The plant and its watchdogs go on while there is no
broker.
"""

from __future__ import annotations

import asyncio
import json
import math
import secrets
import signal
import time
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from typing import Any, Final, Literal

import numpy as np
import structlog

from ebbset.controller.link.settings import BrokerSettings
from ebbset.models.contract.rig_messages import Refusal
from ebbset.models.contract.wire import BadMessageError, Topic, decode
from ebbset.simulators.lifter.lifter import LifterParameters
from ebbset.simulators.plant.plant import Plant
from ebbset.simulators.plant.rig_parameters import RigParameters
from ebbset.simulators.rig import rig_messages as messages
from ebbset.simulators.rig.defects import Defect
from ebbset.simulators.rig.firmware import Notice, Reply, RigFirmware
from ebbset.simulators.rig.rig_connection import Callbacks, RigConnection
from ebbset.simulators.rig.rig_segmenter import RigSegmenter
from ebbset.simulators.rig.sensors import SensorFault, SensorParameters, Sensors
from ebbset.simulators.rig.simulated_rig import SimulatedRig, extremes, firmware_settings, step_for

SLOW_ACK_S: Final = 0.6
DEAF_S: Final = 2.0
"""How long a rig whose command handler died takes to start it again."""
_WAKE_S: Final = 0.02
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
        faults: faults of the sensors, on time since the start.
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


class VirtualRig:
    """One virtual rig. `run` is the process; the other public methods are what a person at the rig can do.

    Args:
        settings: what it is and where it connects.
        clock_s: a clock that never goes back, s; it alone says how far the simulation has to be.
    """

    def __init__(self, settings: VirtualRigSettings, *, clock_s: Callable[[], float] = time.monotonic) -> None:
        self.settings = settings
        self._clock_s = clock_s
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
        self._connection = RigConnection(
            settings.rig,
            settings.broker,
            Callbacks(self._identity, self._receive, self._receive_hands if settings.hands else None),
            defect=settings.defect,
        )
        self._in_frame = 0
        self._seq = {Topic.FRAME: 0, Topic.EVENT: 0, Topic.REPETITION: 0}
        self._began_s = 0.0
        self._log = log.bind(rig=settings.rig)
        self._late_acks: set[asyncio.Task[None]] = set()
        self._deaf_until_s = 0.0
        self._compile()

    # --- the process ---------------------------------------------------------------------------------------------

    async def run(self, stop: asyncio.Event) -> None:
        """Simulate and stay connected until ``stop`` is set; then report offline."""
        self._began_s = self._clock_s() - self.rig.t_s
        async with asyncio.TaskGroup() as tasks:
            moving = tasks.create_task(self._move())
            connecting = tasks.create_task(self._connection.run(stop))
            await stop.wait()
            moving.cancel()
            await asyncio.wait({connecting}, timeout=2.0)
            connecting.cancel()
        self._log.info(
            "rig_stopped", frames_dropped=self.frames_dropped, answers_dropped=self._connection.answers.dropped
        )

    @property
    def frames_dropped(self) -> int:
        """Telemetry frames that were not sent, because too many were waiting."""
        return self._connection.frames.dropped

    def _compile(self) -> None:
        """Compile the inner loop before real time begins, on copies that are thrown away."""
        rig = self.rig
        out = np.zeros((1, rig.plant.rig.n_cables, 4))
        rig.plant.fork().run_frame(1, 1, out)
        extremes(out, 0, 1)
        Sensors(rig.sensors.parameters, cables=out.shape[1], rng=np.random.default_rng(0)).read(out)

    async def _move(self) -> None:
        """Advance the plant in real time from absolute deadlines: the frame's end, the lease's, or a while."""
        while True:
            self._catch_up()
            rig = self.rig
            samples = min(self._samples_ahead(), max(round(_WAKE_S / rig.sample_s), 1))
            next_s = self._began_s + rig.t_s + samples * rig.sample_s
            await asyncio.sleep(max(next_s - self._clock_s(), 0.0))

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
        now_s = self._clock_s() - self._began_s
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
        """Take every handle in hand and move it.

        Args:
            to_m: where to, m of cable paid out.
            speed_m_s: how fast, m/s.
        """
        self.rig.plant.guide(to_m, speed_m_s)

    def let_go(self) -> None:
        """Leave every handle where it is; the cable takes it home."""
        self.rig.plant.let_go()

    def reboot(self) -> None:
        """Switch the rig off and on: the motors lose their command, the connection breaks off without a DISCONNECT."""
        rig = self.rig
        rig.firmware = rig.firmware.rebooted(_boot_id())
        rig.sensors.reboot(rig.t_s)
        rig.drive()
        self._seq = dict.fromkeys(self._seq, 0)
        self._log.info("rig_rebooted", boot_id=rig.firmware.boot_id)
        self._connection.break_off()

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
                    self._connection.answers.put(Topic.REPETITION, messages.repetition(self.rig, seq, segment))
            return
        seq = self._next_seq(Topic.FRAME)
        if reading is not None:
            self._connection.frames.put(Topic.FRAME, messages.frame(self.rig, seq, reading))

    def _tell(self, notice: Notice) -> None:
        self._log.info("rig_event", kind=notice.kind.value, detail=notice.detail)
        self._connection.answers.put(Topic.EVENT, messages.event(self.rig, self._next_seq(Topic.EVENT), notice))

    def _acknowledge(self, reply: Reply) -> None:
        content = messages.acknowledgement(self.rig, reply)
        if self.settings.defect is Defect.NEVER_ACKS:
            return
        if self.settings.defect is Defect.SLOW_ACKS:
            task = asyncio.create_task(self._acknowledge_late(content))
            self._late_acks.add(task)
            task.add_done_callback(self._late_acks.discard)
            return
        self._connection.answers.put(Topic.ACK, content)

    def _identity(self, online: bool) -> dict[str, Any]:
        settings = self.settings
        return messages.identity(self.rig, name=settings.rig, telemetry=settings.telemetry, online=online)

    async def _acknowledge_late(self, content: dict[str, Any]) -> None:
        await asyncio.sleep(SLOW_ACK_S)
        self._connection.answers.put(Topic.ACK, content)

    # --- messages in ---------------------------------------------------------------------------------------------

    def _receive(self, payload: bytes) -> None:
        """One command from the wire; whatever it holds, the rig answers or logs it, and goes on."""
        rig = self.rig
        now_s = self._catch_up()
        t_us = rig.clock_us(now_s)
        if self.settings.defect is Defect.DEAF_AFTER_NULL:
            if payload == b"null":
                self._deaf_until_s = now_s + DEAF_S
            if now_s < self._deaf_until_s:
                return
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
