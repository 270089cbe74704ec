"""A rig as its own process: the simulated rig in real time, speaking the wire contract over MQTT.

Here are real time (absolute deadlines, catching up after the machine was suspended) and the person at the rig. What
the rig decides, says and how it connects is the code of every rig, in the room `rig`; what its software may do wrong is
in `defects`, `firmware` and `rig_link`, the physics in `plant`. Plant and watchdogs go on while there is no broker.
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
from ebbset.models.contract.wire import Topic
from ebbset.rig.description import RigDescription
from ebbset.rig.rig_connection import Callbacks
from ebbset.rig.rig_core import Notice, Reply
from ebbset.rig.rig_log import log_command, log_notice
from ebbset.rig.rig_messages import FrameContent
from ebbset.simulators.lifter.lifter import LifterParameters
from ebbset.simulators.plant.plant import Plant
from ebbset.simulators.plant.rig_parameters import RigParameters
from ebbset.simulators.rig.defects import Defect
from ebbset.simulators.rig.firmware import RigFirmware
from ebbset.simulators.rig.rig_link import SimulatedConnection, SimulatedEndpoint
from ebbset.simulators.rig.rig_segmenter import RigSegmenter
from ebbset.simulators.rig.sensors import SensorFault, SensorParameters, Sensors
from ebbset.simulators.rig.simulated_rig import SimulatedRig, extremes, limits_of, step_for

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
        own = limits_of(settings.parameters)
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
        self._described = RigDescription(
            rig=settings.rig,
            limits=own,
            sample_rate_hz=settings.sensors.sample_rate_hz,
            has_force=settings.sensors.has_force,
            firmware="ebbset virtual rig",
            telemetry=settings.telemetry,
            simulated=True,
        )
        self._endpoint = SimulatedEndpoint(self.rig.firmware, self._described)
        self._connection = SimulatedConnection(
            settings.rig,
            settings.broker,
            Callbacks(lambda online: self._endpoint.identity(online=online), self._receive),
            hands=self._receive_hands if settings.hands else None,
            defect=settings.defect,
        )
        self._in_frame = 0
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

    @property
    def newest_frame(self) -> int:
        """Number of the newest telemetry frame, sent or not; -1 before the first."""
        return self._endpoint.counted(Topic.FRAME) - 1

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
        self._endpoint = SimulatedEndpoint(rig.firmware, self._described)
        self._log.info("rig_rebooted", boot_id=rig.firmware.boot_id)
        self._connection.break_off()

    # --- messages out --------------------------------------------------------------------------------------------

    def _send_reading(self) -> None:
        rig, endpoint = self.rig, self._endpoint
        reading = rig.read()
        if self.settings.telemetry == "repetitions":
            if reading is not None:
                loaded_n = max(rig.applied_n)
                for segment in self._segmenter.feed(reading, docked=rig.docked, loaded_n=loaded_n):
                    seq = endpoint.next_seq(Topic.REPETITION)
                    told = endpoint.repetition(seq, segment, docked=rig.docked, applied_n=rig.applied_n)
                    self._connection.answers.put(Topic.REPETITION, told)
            return
        seq = endpoint.next_seq(Topic.FRAME)
        if reading is not None:
            content = FrameContent(
                seq=seq,
                t_us=reading.t_us,
                applied_n=rig.applied_n,
                position_m=reading.position_m,
                velocity_m_s=reading.velocity_m_s,
                force_n=tuple([column for column in reading.force_n if column is not None]),
            )
            self._connection.frames.put(Topic.FRAME, endpoint.frame(content, docked=rig.docked))

    def _tell(self, notice: Notice) -> None:
        log_notice(self._log, notice)
        self._connection.answers.put(Topic.EVENT, self._endpoint.event(notice))

    def _acknowledge(self, reply: Reply) -> None:
        content = self._endpoint.acknowledgement(reply)
        if self.settings.defect is Defect.NEVER_ACKS:
            return
        if self.settings.defect is Defect.SLOW_ACKS:
            task = asyncio.create_task(self._acknowledge_late(content))
            self._late_acks.add(task)
            task.add_done_callback(self._late_acks.discard)
            return
        self._connection.answers.put(Topic.ACK, content)

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
        judged = self._endpoint.receive(payload, t_us=t_us, docked=rig.docked, applied_n=rig.applied_n)
        rig.drive()
        log_command(self._log, judged, rig.firmware)
        if judged.reply is not None:
            self._acknowledge(judged.reply)

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
